// Package kicad reads printed boards as KiCad 9 saves them: parts with their pads and nets, tracks, vias, filled
// zones, outline and print. Copper that it does not know is an error, so that nothing that conducts is overlooked. Text
// in: it opens no file and runs no program.
package kicad

import "fmt"

// Version is the version of KiCad 9's file format.
const Version = "20241229"

// Point is a place on the sheet in millimetres, y downwards, as KiCad shows it.
type Point struct{ X, Y float64 }

// String is the place as it is found in KiCad.
func (p Point) String() string { return fmt.Sprintf("%.2f, %.2f mm", p.X, p.Y) }

// Layer is a side of the board, or both.
type Layer int

// The layers of copper.
const (
	Front Layer = iota
	Back
	Both
)

// String is the layer's name in KiCad.
func (l Layer) String() string { return [...]string{"F.Cu", "B.Cu", "both layers"}[l] }

// Board is a printed board. Names of nets are KiCad's, with the slash before a net of the circuit's only sheet.
type Board struct {
	Parts   []Part
	Tracks  []Track
	Vias    []Via
	Zones   []Zone
	Bare    [][]Point // areas that no zone may fill
	Outline []Line
	Texts   []Text // printed ones that are no part's
	Print   []Line // printed lines that are no part's
}

// Part is a footprint on the board.
type Part struct {
	Ref, Value, Footprint string
	At                    Point
	Back                  bool // it stands on the solder side
	Pads                  []Pad
	Print                 []Line
	Texts                 []Text
}

// Shape is the shape of a pad.
type Shape string

// The shapes of pads. A rectangle with rounded corners counts as one without.
const (
	Circle    Shape = "circle"
	Rectangle Shape = "rect"
	Oval      Shape = "oval"
)

// Pad is a plated hole with a ring of copper on both layers, or one without copper: a bare hole.
type Pad struct {
	Number, Net string // no number: a bare hole or one that is not a pin
	At          Point
	Shape       Shape
	Wide, High  float64 // mm, before it is turned; 0 for a bare hole
	Turn        float64 // degrees, anticlockwise as one looks at the parts
	Drill       float64 // mm
	Plated      bool
}

// Line is a straight one, of the outline or printed.
type Line struct {
	From, To Point
	Wide     float64
	Back     bool
}

// Track is a straight piece of copper; an arc is several.
type Track struct {
	Net      string
	Layer    Layer
	From, To Point
	Wide     float64 // mm
}

// Via joins the layers.
type Via struct {
	Net         string
	At          Point
	Wide, Drill float64 // mm
}

// Zone is an area of copper, filled by KiCad: the polygons that its copper has. None: it was never filled.
type Zone struct {
	Net     string
	At      Point // its first corner
	Outline []Point
	Layers  []Layer
	Fills   []Fill
}

// Fill is one piece of a zone's copper.
type Fill struct {
	Layer   Layer
	Corners []Point
}

// Text is printed on the board.
type Text struct {
	Words string
	At    Point
	Back  bool // on the solder side
}
