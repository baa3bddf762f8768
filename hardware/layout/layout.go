// Package layout places a board's parts on a 2.54 mm grid of holes, routes the wires between them for perfboard with a
// pad at each hole, wired by hand, checks that and draws it to scale. Printed boards belong to those who edit them in
// KiCad: it reads them, compares them with the circuit, checks their copper and print, and works out what the copper
// resists. A new board it begins with parts and print in their places, for somebody to draw the tracks. Text in and
// out: it opens no file and runs no program.
package layout

import (
	"fmt"
	"math"
	"strconv"

	"stillwater/hardware/circuit"
)

// Dimensions of boards, in millimetres.
const (
	pitch     = circuit.HolePitch
	padRadius = 1.0 // of a hole-board's pads: 2 mm across is the most that is usual (common practice, no source)
	corner    = 3   // holes each way that belong to a pillar in each corner
)

// Barrier is the least distance in millimetres between conductors of different isolated groups.
const Barrier = 6.0

// Hole is one hole of a board, columns from 1 at the left and rows from 1 at the top as one looks at the parts.
type Hole struct{ Col, Row int }

// Leg is a part's pin in its hole. An unconnected pin has the net circuit.Open.
type Leg struct {
	Ref, Pin, Net string
	At            Hole
}

// Run is a bare wire on the solder side, soldered to the pads that it passes: its ends and corners in order.
type Run struct {
	Net     string
	Corners []Hole
}

// Link is an insulated wire on the solder side, straight from one pad to another.
type Link struct {
	Net      string
	From, To Hole
}

// Plan is a board wired by hand.
type Plan struct {
	Board      *circuit.Board
	Cols, Rows int
	Legs       []Leg
	Runs       []Run
	Links      []Link
}

// Place gives each part's legs their holes. It fails when a part has no place, no foot, or is off the board.
func Place(b *circuit.Board) (*Plan, error) {
	p := &Plan{Board: b, Cols: holes(b.Width), Rows: holes(b.Height)}
	for _, part := range b.Parts {
		foot := part.Type.Footprint
		switch {
		case foot.Body == [2]float64{} || foot.Legs == nil && part.Type.Kind != circuit.Terminal:
			return nil, fmt.Errorf("type %s (line %d) has no foot: write legs=0,0/4,0 body=6.3x2.4", part.Type.Name,
				part.Type.Line)
		case part.Col < 1:
			return nil, fmt.Errorf("part %s (line %d) has no place on the board: write hole=COL,ROW,TURN", part.Ref, part.Line)
		}
		pins, at := part.Legs()
		for i, pin := range pins {
			leg := Leg{part.Ref, pin, part.Pins[pin], Hole{at[i][0], at[i][1]}}
			if !p.inside(leg.At) {
				return nil, fmt.Errorf("part %s (line %d): pin %s is at %v, off the board or under a pillar: "+
					"holes are 1 to %d and 1 to %d", part.Ref, part.Line, pin, leg.At, p.Cols, p.Rows)
			}
			p.Legs = append(p.Legs, leg)
		}
	}
	return p, nil
}

// holes is how many holes fit along a side, at least a pitch from its ends.
func holes(side float64) int { return int((side-2*pitch)/pitch) + 1 }

// inside reports whether a hole is usable: on the board and not under a pillar.
func (p *Plan) inside(h Hole) bool {
	fromSide := min(h.Col-1, p.Cols-h.Col)
	fromEnd := min(h.Row-1, p.Rows-h.Row)
	return fromSide >= 0 && fromEnd >= 0 && (fromSide >= corner || fromEnd >= corner)
}

// pillars are the middles of the pillars' holes in the corners.
func (p *Plan) pillars() []point {
	const in = 5.0 // from the edges
	right, low := p.Board.Width-in, p.Board.Height-in
	return []point{{in, in}, {right, in}, {in, low}, {right, low}}
}

// pillarRadius is the radius in millimetres of the head of a pillar's screw, or of a washer of the same size.
const pillarRadius = 3.5

// point is a place in millimetres from the board's top left as one looks at the parts.
type point struct{ x, y float64 }

func (p point) less(o point) point { return point{p.x - o.x, p.y - o.y} }

func (p *Plan) at(col, row float64) point {
	return point{(p.Board.Width-float64(p.Cols-1)*pitch)/2 + (col-1)*pitch,
		(p.Board.Height-float64(p.Rows-1)*pitch)/2 + (row-1)*pitch}
}

func (p *Plan) hole(h Hole) point { return p.at(float64(h.Col), float64(h.Row)) }

// epsilon is below any distance that matters, in millimetres, and above rounding errors: these differ between
// processors and must not decide anything.
const epsilon = 1e-6

// formatFixed formats a number, rounding half up on every processor, without a negative zero.
func formatFixed(x float64, digits int) string {
	return strconv.FormatFloat(x+epsilon, 'f', digits, 64)
}

// rect is an axis-aligned rectangle in millimetres.
type rect struct{ low, high point }

func around(middle point, wide, high float64) rect {
	return rect{point{middle.x - wide/2, middle.y - high/2}, point{middle.x + wide/2, middle.y + high/2}}
}

// body is a part's outline.
func (p *Plan) body(part *circuit.Part) rect {
	col, row, wide, high := part.Body()
	return around(p.at(col, row), wide, high)
}

// gap is the distance of two rectangles, 0 where they touch or overlap.
func (a rect) gap(b rect) float64 {
	dx := math.Max(0, math.Max(a.low.x-b.high.x, b.low.x-a.high.x))
	dy := math.Max(0, math.Max(a.low.y-b.high.y, b.low.y-a.high.y))
	return math.Hypot(dx, dy)
}

// touches reports whether two rectangles touch or overlap.
func (a rect) touches(b rect) bool { return a.gap(b) < epsilon }

// holds reports whether another rectangle lies inside, with a margin to the sides.
func (a rect) holds(b rect, by float64) bool {
	return min(b.low.x-a.low.x, b.low.y-a.low.y, a.high.x-b.high.x, a.high.y-b.high.y) > by-epsilon
}

// side is one side: 0 the upper, then clockwise.
func (a rect) side(i int) (from, to point) {
	corners := [4]point{a.low, {a.high.x, a.low.y}, a.high, {a.low.x, a.high.y}}
	return corners[i], corners[(i+1)%4]
}

// group is the isolated group of a net; an open pin has none.
func (p *Plan) group(net string) string {
	if n := p.Board.Net(net); n != nil {
		return n.Group
	}
	return ""
}

// zones are the rectangles around the legs of each group, except the first group, which has the rest.
func (p *Plan) zones() map[string]rect {
	list := map[string]rect{}
	for _, l := range p.Legs {
		g := p.group(l.Net)
		if g == "" || g == p.Board.Groups[0].Name {
			continue
		}
		at := p.hole(l.At)
		z, known := list[g]
		if !known {
			z = rect{at, at}
		}
		list[g] = rect{point{min(z.low.x, at.x), min(z.low.y, at.y)}, point{max(z.high.x, at.x), max(z.high.y, at.y)}}
	}
	return list
}

// may reports whether a net's wire may be at a point: within its own group's zone, or for the first group far enough
// from all zones. reach is the radius of the wire's copper or pad.
func (p *Plan) may(zones map[string]rect, net string, at point, reach float64) bool {
	own := p.group(net)
	here := rect{at, at}
	if z, is := zones[own]; is {
		return here.touches(z)
	}
	for _, z := range zones {
		if here.gap(z) < Barrier+padRadius+reach {
			return false
		}
	}
	return true
}
