// Package circuit reads the description of the hardware (nets, parts, boards, carriers) and derives everything else
// from it: rule checks, the KiCad schematic, drawings, the parts list, wiring tables and simulation decks. Text in,
// text out: it opens no file and runs no program.
package circuit

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Design is a complete description: the types of parts, the boards, and the controllers they are wired to.
type Design struct {
	Types    map[string]*Type
	Boards   []*Board
	Carriers []*Carrier
}

// Type is a part as it is bought.
type Type struct {
	Name      string
	Kind      Kind
	Generic   string   // what to order
	Makers    []string // equivalents, each "part (maker)"
	Rating    map[string]float64
	Model     string // of the simulation; empty for kinds that need none
	Price     int    // its class, 1 to 4; 0: not stated
	With      string // what is ordered with it, such as the terminal for a part at the end of a lead
	Footprint Footprint
	Line      int
}

// Footprint is the space of a part on its board: the holes of its legs in the order of their numbers, relative to the
// first, columns to the right and rows down, and its body in millimetres, centred on the legs. A terminal has one leg
// for each way, one below the other, and the body of one way. A part on a lead has the footprint of its terminal.
type Footprint struct {
	Legs  [][2]int
	Body  [2]float64
	Drill float64 // of the holes, mm
}

// Board is one board with nets of its own.
type Board struct {
	Name, Title   string
	Width, Height float64 // mm
	Unguarded     bool    // without the guard that a heartbeat keeps open
	Optional      bool    // the rig works without it
	Groups        []*Group
	Nets          []*Net
	Sections      []*Section
	Parts         []*Part
	Notes         []Note
	Strips        []*Strips // other ways to put it together
	Extras        []Extra
	copper        map[string]Copper // by net, where it was laid
}

// Extra is something to buy for a board that no drawing shows.
type Extra struct {
	Count int
	What  string
	Price int // as of a Type
}

// Group is a set of nets that are isolated from all other groups.
type Group struct {
	Name    string
	Limit   float64 // steady DC, volts
	Purpose string
}

// Net is one node of a board.
type Net struct {
	Name, Group string
	Volts       float64 // highest steady DC against the group's zero
	Peak        float64 // highest transient, 0 if not above Volts
	Amps        float64 // highest steady current, 0 if below 0.1 A
	Use         Use
	Line        int
}

// MaxVolts is the highest voltage on the net, transients included.
func (n *Net) MaxVolts() float64 { return max(n.Volts, n.Peak) }

// Use is the purpose of a net, as far as rules need it.
type Use string

// The uses of nets. Most nets are Plain.
const (
	Plain     Use = ""
	Supply    Use = "supply"    // comes from outside and must pass a fuse first
	Armed     Use = "armed"     // live only behind the kill switch and the guard
	Input     Use = "in"        // goes to an input of the controller
	Output    Use = "out"       // driven by an output of the controller
	Heartbeat Use = "heartbeat" // driven by the controller's heartbeat
	Zero      Use = "zero"      // the zero volts of its group
	Level     Use = "level"     // the supply of the controller's own pins
)

// Section is a sub-circuit: a frame of the drawing and a part of the simulation.
type Section struct {
	Name, Title string
	X, Y, W, H  int // in the drawing, units of 1.27 mm
}

// Part is one part of a board.
type Part struct {
	Ref     string
	Type    *Type
	Value   string // of resistors, capacitors, batteries, connectors
	Section string
	X, Y    int // centre in the drawing, units of 1.27 mm, y downwards
	Turn    int // degrees, anticlockwise
	Mirror  bool
	Pins    map[string]string // number of the pin: net
	Col     int               // hole of pin 1 on the board, from 1 at its top left; 0: not placed
	Row     int
	Facing  int // degrees that it is turned on the board, clockwise as one looks at the parts
	Line    int
}

// Note is a text on the drawing.
type Note struct {
	X, Y int
	Text string
}

// Carrier is a controller: which pin of it is which signal of the boards.
type Carrier struct {
	Name, Title string
	Volts       float64 // of its pins
	Wires       []Wire
}

// Wire joins a controller's pin to a signal. Pin is a position or a port as printed on the carrier, Line its name in
// software ("GPIO17", "PB0"; empty for supplies). A signal whose pin is Open is not wired on this carrier.
type Wire struct{ Pin, Line, Signal string }

// Label is what ready-made timing boards print beside a port of the ATmega328P, PD0 to PD7, PB0 to PB5 and PC0 to PC5:
// D0 to D13, A0 to A5 (common practice, no source). It is empty for other lines.
func (w Wire) Label() string {
	var port byte
	var bit int
	if n, err := fmt.Sscanf(w.Line, "P%c%1d", &port, &bit); n != 2 || err != nil || len(w.Line) != 3 {
		return ""
	}
	switch {
	case port == 'D' && bit <= 7:
		return fmt.Sprint("D", bit)
	case port == 'B' && bit <= 5:
		return fmt.Sprint("D", bit+8)
	case port == 'C' && bit <= 5:
		return fmt.Sprint("A", bit)
	}
	return ""
}

// Board finds a board.
func (d *Design) Board(name string) *Board {
	return find(d.Boards, func(b *Board) bool { return b.Name == name })
}

// Net finds a net.
func (b *Board) Net(name string) *Net {
	return find(b.Nets, func(n *Net) bool { return n.Name == name })
}

// Part finds a part.
func (b *Board) Part(ref string) *Part {
	return find(b.Parts, func(p *Part) bool { return p.Ref == ref })
}

// Group finds a group.
func (b *Board) Group(name string) *Group {
	return find(b.Groups, func(g *Group) bool { return g.Name == name })
}

// Section finds a section.
func (b *Board) Section(name string) *Section {
	return find(b.Sections, func(s *Section) bool { return s.Name == name })
}

// find returns the first element that matches, or the zero value.
func find[T any](list []T, fits func(T) bool) (none T) {
	if i := slices.IndexFunc(list, fits); i >= 0 {
		return list[i]
	}
	return none
}

// On lists the parts that have a pin on a net.
func (b *Board) On(net string) (parts []*Part) {
	for _, p := range b.Parts {
		for _, n := range p.Pins {
			if n == net {
				parts = append(parts, p)
				break
			}
		}
	}
	return parts
}

// Pin is the net of the pin with a number or a name ("K", "G").
func (p *Part) Pin(id string) string {
	if n, ok := p.Pins[id]; ok {
		return n
	}
	for _, pin := range p.Type.Kind.Pins(p.Value) {
		if pin.Name == id {
			return p.Pins[pin.Number]
		}
	}
	return ""
}

// PinName is the name of the pin with a number.
func (p *Part) PinName(number string) string {
	return find(p.Type.Kind.Pins(p.Value), func(pin Pin) bool { return pin.Number == number }).Name
}

// Legs are the holes of a part's legs, and the numbers of the pins that they are, in their order.
func (p *Part) Legs() (pins []string, holes [][2]int) {
	for i := range p.Type.Kind.Pins(p.Value) {
		at := [2]int{0, i * p.pitch()}
		if p.Type.Kind != Terminal {
			at = p.Type.Footprint.Legs[i]
		}
		x, y := turnedBy(p.Facing, float64(at[0]), float64(at[1]))
		pins = append(pins, strconv.Itoa(i+1))
		holes = append(holes, [2]int{p.Col + int(x), p.Row + int(y)})
	}
	return pins, holes
}

// pitch is the spacing of a terminal's ways in holes.
func (p *Part) pitch() int { return int(math.Round(p.Type.Rating["pitch"] / HolePitch)) }

// HolePitch is the spacing of holes in millimetres.
const HolePitch = 2.54

// Body is the outline of a part on its board: the middle in holes, width and height in millimetres.
func (p *Part) Body() (col, row, wide, high float64) {
	_, holes := p.Legs()
	low, most := holes[0], holes[0]
	for _, h := range holes {
		for k := range h {
			low[k], most[k] = min(low[k], h[k]), max(most[k], h[k])
		}
	}
	wide, high = p.Type.Footprint.Body[0], p.Type.Footprint.Body[1]
	if p.Type.Kind == Terminal {
		high *= float64(len(holes))
	}
	if p.Facing%180 != 0 {
		wide, high = high, wide
	}
	return float64(low[0]+most[0]) / 2, float64(low[1]+most[1]) / 2, wide, high
}

// turnedBy turns a point clockwise about the origin, y downwards.
func turnedBy(degrees int, x, y float64) (float64, float64) {
	switch degrees {
	case 90:
		return -y, x
	case 180:
		return -x, -y
	case 270:
		return y, -x
	}
	return x, y
}

// Open is the net of an unconnected pin.
const Open = "-"

// Node is one pin of one part on a net.
type Node struct{ Ref, Pin string }

// Netlist lists, for each net, the pins on it in order.
func (b *Board) Netlist() map[string][]Node {
	list := map[string][]Node{}
	for _, p := range b.Parts {
		for _, pin := range p.Type.Kind.Pins(p.Value) {
			if net := p.Pins[pin.Number]; net != "" && net != Open {
				list[net] = append(list[net], Node{p.Ref, pin.Number})
			}
		}
	}
	for _, nodes := range list {
		slices.SortFunc(nodes, func(a, b Node) int { return compareRefs(a.Ref+"."+a.Pin, b.Ref+"."+b.Pin) })
	}
	return list
}

// TakesLeads reports whether the part takes leads from off the board, over the edge that it faces: the left one when it
// is not turned.
func (p *Part) TakesLeads() bool {
	return p.Type.Kind == Terminal || strings.Contains(p.Type.With, "terminal")
}
