package layout

import (
	"fmt"
	"math"
	"strings"

	"stillwater/hardware/circuit"
	"stillwater/hardware/kicad"
)

// Printed is a printed board as somebody laid it in KiCad, beside the circuit that it must be.
type Printed struct {
	Board    *circuit.Board
	laid     *kicad.Board
	copper   []conductor // all of it, piece by piece
	fills    []fill
	pads     int                       // the first pieces
	conducts map[string]circuit.Copper // by net
}

// fill is one piece of a zone's copper: which piece it is, and where its edges are among all copper.
type fill struct {
	layer   int
	item    int
	net     string
	corners []point
	box     rect
}

// ReadPrinted reads a board's file. Errors are those of the file, not of the board: Check finds these.
func ReadPrinted(b *circuit.Board, file, text string) (*Printed, error) {
	laid, err := kicad.Read(file, text)
	if err != nil {
		return nil, err
	}
	p := &Printed{Board: b, laid: laid, conducts: map[string]circuit.Copper{}}
	p.conduct()
	return p, nil
}

func at(p kicad.Point) point { return point{p.X, p.Y} }

// place is a point as KiCad shows it.
func (p point) place() string { return kicad.Point{X: p.x, Y: p.y}.String() }

// netName is the circuit's name of a net of KiCad's.
func netName(net string) string { return strings.TrimPrefix(net, "/") }

// layerOf is a layer as the conductors have it.
func layerOf(l kicad.Layer) int {
	if l == kicad.Both {
		return both
	}
	return int(l)
}

// conduct lists all copper: pads and vias on both layers, tracks, the edges of fills. Each piece has a number, and
// several conductors where its shape needs them.
func (p *Printed) conduct() {
	item := 0
	add := func(what, net string, layer int, radius float64, corners ...point) {
		for i := range max(1, len(corners)-1) {
			c := conductor{what: what, net: net, group: p.group(net), radius: radius, layer: layer, item: item}
			c.from, c.to = corners[i], corners[min(i+1, len(corners)-1)]
			p.copper = append(p.copper, c)
		}
	}
	for _, part := range p.laid.Parts {
		for _, pad := range part.Pads {
			if pad.Plated {
				what := fmt.Sprintf("pad %s.%s at %v", part.Ref, pad.Number, pad.At)
				for _, s := range padLines(pad) {
					add(what, netName(pad.Net), both, s.radius, s.line...)
				}
				item++
			}
		}
	}
	p.pads = item
	for _, t := range p.laid.Tracks {
		middle := middle(at(t.From), at(t.To))
		add(fmt.Sprintf("the track of %s at %s on %v", netName(t.Net), middle.place(), t.Layer), netName(t.Net),
			layerOf(t.Layer), t.Wide/2, at(t.From), at(t.To))
		item++
	}
	for _, v := range p.laid.Vias {
		add(fmt.Sprintf("the via of %s at %v", netName(v.Net), v.At), netName(v.Net), both, v.Wide/2, at(v.At))
		item++
	}
	for _, z := range p.laid.Zones {
		for _, f := range z.Fills {
			what := fmt.Sprintf("the zone of %s on %v", netName(z.Net), f.Layer)
			whole := fill{layer: layerOf(f.Layer), item: item, net: netName(z.Net), box: rect{at(f.Corners[0]),
				at(f.Corners[0])}}
			for _, c := range f.Corners {
				whole.corners = append(whole.corners, at(c))
				whole.box = whole.box.with(at(c))
			}
			p.fills = append(p.fills, whole)
			add(what, whole.net, whole.layer, 0, append(whole.corners, whole.corners[0])...)
			item++
		}
	}
}

// with is the rectangle that holds a point, too.
func (a rect) with(p point) rect {
	return rect{point{min(a.low.x, p.x), min(a.low.y, p.y)}, point{max(a.high.x, p.x), max(a.high.y, p.y)}}
}

// both stands for the two layers.
const both = -1

func (a conductor) meets(b conductor) bool {
	return a.layer == both || b.layer == both || a.layer == b.layer
}

// group is the isolated group of a net; a net that the circuit does not have has none.
func (p *Printed) group(net string) string {
	if n := p.Board.Net(net); n != nil {
		return n.Group
	}
	return ""
}

// stroke is a line of copper of a radius.
type stroke struct {
	radius float64
	line   []point
}

// padLines are the strokes that cover a pad: its core, and a rectangle's sides.
func padLines(pad kicad.Pad) (list []stroke) {
	radius := min(pad.Wide, pad.High) / 2
	if pad.Shape == kicad.Circle {
		radius = pad.Wide / 2
	}
	sin, cos := math.Sincos(pad.Turn * math.Pi / 180)
	on := func(x, y float64) point { return point{pad.At.X + x*cos + y*sin, pad.At.Y - x*sin + y*cos} }
	x, y := max(0, pad.Wide/2-radius), max(0, pad.High/2-radius)
	core := []point{on(-x, -y), on(x, y)}
	if pad.Shape == kicad.Circle || x+y == 0 {
		core = []point{at(pad.At)}
	}
	list = append(list, stroke{radius, core})
	if pad.Shape == kicad.Rectangle {
		x, y := pad.Wide/2, pad.High/2
		list = append(list, stroke{0, []point{on(-x, -y), on(x, -y), on(x, y), on(-x, y), on(-x, -y)}})
	}
	return list
}

// holds reports whether a point lies in the piece's copper.
func (f fill) holds(p point) bool {
	if !f.box.touches(rect{p, p}) {
		return false
	}
	inside := false
	last := f.corners[len(f.corners)-1]
	for _, c := range f.corners {
		if (c.y > p.y) != (last.y > p.y) && p.x < (last.x-c.x)*(p.y-c.y)/(last.y-c.y)+c.x {
			inside = !inside
		}
		last = c
	}
	return inside
}

// box is the rectangle around a conductor.
func (a conductor) box() rect {
	return rect{point{min(a.from.x, a.to.x) - a.radius, min(a.from.y, a.to.y) - a.radius},
		point{max(a.from.x, a.to.x) + a.radius, max(a.from.y, a.to.y) + a.radius}}
}

// outline is the rectangle around the board's edge.
func (p *Printed) outline() (box rect) {
	for i, l := range p.laid.Outline {
		if i == 0 {
			box = rect{at(l.From), at(l.From)}
		}
		box = box.with(at(l.From)).with(at(l.To))
	}
	return box
}
