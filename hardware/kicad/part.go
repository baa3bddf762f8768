package kicad

import (
	"errors"
	"fmt"
	"math"
	"strings"
)

// place is where a footprint stands and how it is turned.
type place struct {
	at   Point
	turn float64 // degrees, anticlockwise
}

// on is a place of the footprint on the sheet.
func (p place) on(o Point) Point {
	sin, cos := math.Sincos(p.turn * math.Pi / 180)
	return Point{p.at.X + o.X*cos + o.Y*sin, p.at.Y - o.X*sin + o.Y*cos}
}

func (r *reader) footprint(n *node) error {
	at, err := point(n, "at")
	if err != nil {
		return err
	}
	here := place{at, 0}
	if a := n.get("at"); len(a.list) > 3 {
		if here.turn, err = a.number(3); err != nil {
			return err
		}
	}
	p := Part{Footprint: n.text(1), At: at, Back: n.get("layer").text(1) == "B.Cu"}
	for _, property := range n.each("property") {
		switch property.text(1) {
		case "Reference":
			p.Ref = property.text(2)
		case "Value":
			p.Value = property.text(2)
		}
	}
	for _, o := range n.list {
		if err := r.partItem(&p, here, o); err != nil {
			return fmt.Errorf("part %s at %v: %w", p.Ref, at, err)
		}
	}
	r.board.Parts = append(r.board.Parts, p)
	return nil
}

// partItem reads one item of a footprint.
func (r *reader) partItem(p *Part, here place, o *node) error {
	switch o.name() {
	case "pad":
		pad, err := r.pad(here, o)
		p.Pads = append(p.Pads, pad)
		return err
	case "property", "fp_text":
		words := strings.NewReplacer("${REFERENCE}", p.Ref, "${VALUE}", p.Value).Replace(o.text(2))
		text, printed, err := printedText(o, words, here)
		if printed && err == nil {
			p.Texts = append(p.Texts, text)
		}
		return err
	case "fp_line", "fp_rect", "fp_arc", "fp_circle", "fp_poly":
		lines, err := drawn(o)
		for _, l := range lines {
			if layer := o.get("layer").text(1); strings.HasSuffix(layer, ".SilkS") {
				p.Print = append(p.Print, Line{here.on(l.From), here.on(l.To), l.Wide, layer[0] == 'B'})
			}
		}
		if o.get("layer").text(1) == "Edge.Cuts" {
			err = errors.Join(err, fmt.Errorf("line %d: it has a piece of the board's outline: draw that on the board",
				o.line))
		}
		return err
	case "zone":
		return r.zone(o)
	case "layer":
		return nil
	}
	return r.other(o)
}

// pad reads one pad.
func (r *reader) pad(here place, n *node) (p Pad, err error) {
	at, err := point(n, "at")
	if err != nil {
		return p, err
	}
	p = Pad{Number: n.text(1), At: here.on(at), Shape: Shape(n.text(3)), Plated: n.text(2) == "thru_hole"}
	if !p.Plated && n.text(2) != "np_thru_hole" {
		return p, fmt.Errorf("line %d: pad %s is of kind %s: the checks know pads with a hole only", n.line, p.Number,
			n.text(2))
	}
	if a := n.get("at"); len(a.list) > 3 {
		if p.Turn, err = a.number(3); err != nil {
			return p, err
		}
	}
	if p.Drill, err = size(n, "drill", 1); err != nil {
		return p, fmt.Errorf("%w: pad %s needs a round hole", err, p.Number)
	}
	if n.get("remove_unused_layers").text(1) == "yes" || len(n.get("drill").each("offset")) > 0 {
		return p, fmt.Errorf("line %d: pad %s is not the same on both layers, or not around its hole: set it so", n.line,
			p.Number)
	}
	if !p.Plated {
		return p, nil
	}
	if p.Wide, err = size(n, "size", 1); err != nil {
		return p, err
	}
	if p.High, err = size(n, "size", 2); err != nil {
		return p, err
	}
	switch p.Shape {
	case "roundrect":
		p.Shape = Rectangle
	case Circle, Rectangle, Oval:
	default:
		return p, fmt.Errorf("line %d: pad %s is a %s: make it a circle, an oval or a rectangle", n.line, p.Number,
			p.Shape)
	}
	p.Net, err = r.net(n)
	return p, err
}

// text reads a text of the board's own.
func (r *reader) text(n *node) error {
	t, printed, err := printedText(n, n.text(1), place{})
	if printed && err == nil {
		r.board.Texts = append(r.board.Texts, t)
	}
	return err
}

// printedText reads a text, and whether it is printed.
func printedText(n *node, words string, here place) (Text, bool, error) {
	layer := n.get("layer").text(1)
	if strings.HasSuffix(layer, ".Cu") {
		return Text{}, false, fmt.Errorf("line %d: the text %q is copper: put it on F.SilkS or B.SilkS", n.line, words)
	}
	at, err := point(n, "at")
	printed := strings.HasSuffix(layer, ".SilkS") && n.get("hide").text(1) != "yes"
	return Text{words, here.on(at), layer == "B.SilkS"}, printed, err
}

// graphic reads a drawing: the outline and what is printed matter, and that none is copper.
func (r *reader) graphic(n *node) error {
	lines, err := drawn(n)
	switch layer := n.get("layer").text(1); layer {
	case "Edge.Cuts":
		r.board.Outline = append(r.board.Outline, lines...)
	case "F.SilkS", "B.SilkS":
		for _, l := range lines {
			l.Back = layer == "B.SilkS"
			r.board.Print = append(r.board.Print, l)
		}
	}
	return err
}

// drawn are the lines of a drawing; copper is refused.
func drawn(n *node) (list []Line, err error) {
	if on := n.get("layer").text(1); strings.HasSuffix(on, ".Cu") {
		return nil, fmt.Errorf("line %d: (%s ...) is a drawing of copper: draw it as a track or a zone", n.line, n.name())
	}
	line, err := outline(n)
	if err != nil {
		return nil, err
	}
	wide, err := n.get("stroke").get("width").number(1)
	if err != nil {
		return nil, err
	}
	for i := 1; i < len(line); i++ {
		list = append(list, Line{From: line[i-1], To: line[i], Wide: wide})
	}
	return list, nil
}

// outline is the line that a drawing follows.
func outline(n *node) ([]Point, error) {
	_, kind, _ := strings.Cut(n.name(), "_")
	switch kind {
	case "arc":
		return arc(n)
	case "poly":
		line, err := corners(n.get("pts"))
		if len(line) > 0 {
			line = append(line, line[0])
		}
		return line, err
	}
	first := "start"
	if kind == "circle" {
		first = "center"
	}
	a, err := point(n, first)
	if err != nil {
		return nil, err
	}
	b, err := point(n, "end")
	switch kind {
	case "rect":
		return []Point{a, {b.X, a.Y}, b, {a.X, b.Y}, a}, err
	case "circle":
		return chords(a, math.Hypot(b.X-a.X, b.Y-a.Y), 0, 2*math.Pi), err
	}
	return []Point{a, b}, err
}
