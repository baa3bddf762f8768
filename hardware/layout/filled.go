package layout

import (
	"fmt"
	"math"

	"stillwater/hardware/kicad"
)

// A zone's stored copper is looked at in squares of fillStep. fillRoom keeps from what KiCad leaves free by rule: the
// zone's clearance, the least width of its copper, the gap around its own pads. All in millimetres.
const fillStep, fillRoom = 0.5, 1.0

// minLost is what may be missing, in mm2: corners that a neck of a square or two joins, 2 at most on the boards as
// KiCad filled them. Chosen: twice that.
const minLost = 4.0

// cell is what a zone has in a square of the board.
type cell uint8

const (
	outside cell = iota // of the zone, or near to something that it keeps off
	hasCopper
	bare    // room that it leaves
	reached // near copper of its net, where KiCad decides
)

// fillGrid is a zone on one layer.
type fillGrid struct {
	low        point
	wide, high int
	cells      []cell
}

// checkFills requires that a zone has copper wherever it could have it and is joined to: that somebody moved things or
// lost a piece, and did not fill it again, shows here.
func (p *Printed) checkFills() (bad []string) {
	for _, z := range p.laid.Zones {
		if len(z.Fills) == 0 {
			continue // checkGround says so
		}
		for _, l := range z.Layers {
			if at, mm2 := p.fillGrid(z, l).lost(); mm2 > minLost {
				bad = append(bad, fmt.Sprintf("the zone of %s on %v lacks %.1f mm2 of its copper, at %s: fill it again, "+
					"key B, and save", netName(z.Net), l, mm2, at.place()))
			}
		}
	}
	return bad
}

// fillGrid says what a zone has in each square.
func (p *Printed) fillGrid(z kicad.Zone, on kicad.Layer) *fillGrid {
	area := fill{}
	area.box = rect{at(z.At), at(z.At)}
	for _, c := range z.Outline {
		area.corners, area.box = append(area.corners, at(c)), area.box.with(at(c))
	}
	g := &fillGrid{low: area.box.low, wide: 1 + int((area.box.high.x-area.box.low.x)/fillStep),
		high: 1 + int((area.box.high.y-area.box.low.y)/fillStep)}
	g.cells = make([]cell, g.wide*g.high)
	for i := range g.cells {
		if area.holds(g.at(i)) {
			g.cells[i] = bare
		}
	}
	for i, c := range area.corners {
		g.mark(c, area.corners[(i+1)%len(area.corners)], fillRoom, outside)
	}
	zone := map[int]bool{}
	for _, f := range p.fills {
		zone[f.item] = f.net == netName(z.Net)
	}
	for _, c := range p.copper {
		if c.net == netName(z.Net) && !zone[c.item] && (c.layer == both || c.layer == layerOf(on)) {
			g.mark(c.from, c.to, c.radius+fillRoom, reached)
		}
	}
	for _, c := range p.copper {
		if c.net != netName(z.Net) && (c.layer == both || c.layer == layerOf(on)) {
			g.mark(c.from, c.to, c.radius+fillRoom, outside)
		}
	}
	for _, h := range p.pillarHoles() {
		g.mark(at(h.At), at(h.At), h.Wide/2+fillRoom, outside)
	}
	for _, l := range p.laid.Outline {
		g.mark(at(l.From), at(l.To), fillRoom, outside)
	}
	p.fillBare(g, z, on)
	return g
}

// fillBare marks what may have no copper and what has.
func (p *Printed) fillBare(g *fillGrid, z kicad.Zone, on kicad.Layer) {
	for _, area := range p.laid.Bare {
		keep := fill{box: rect{at(area[0]), at(area[0])}}
		for i, c := range area {
			keep.corners, keep.box = append(keep.corners, at(c)), keep.box.with(at(c))
			g.mark(at(c), at(area[(i+1)%len(area)]), fillRoom, outside)
		}
		for i := range g.cells {
			if keep.holds(g.at(i)) {
				g.cells[i] = outside
			}
		}
	}
	for _, f := range p.fills {
		if f.net != netName(z.Net) || f.layer != layerOf(on) {
			continue
		}
		for i, c := range g.cells {
			if c == bare && f.holds(g.at(i)) {
				g.cells[i] = hasCopper
			}
		}
	}
}

// at is the middle of a square.
func (g *fillGrid) at(i int) point {
	return point{g.low.x + (float64(i%g.wide)+0.5)*fillStep, g.low.y + (float64(i/g.wide)+0.5)*fillStep}
}

// mark marks squares of the zone whose middle is within reach of a line.
func (g *fillGrid) mark(from, to point, reach float64, as cell) {
	index := func(x, low float64, most int) int { return max(0, min(most-1, int(math.Floor((x-low)/fillStep)))) }
	x0, x1 := index(min(from.x, to.x)-reach, g.low.x, g.wide), index(max(from.x, to.x)+reach, g.low.x, g.wide)
	y0, y1 := index(min(from.y, to.y)-reach, g.low.y, g.high), index(max(from.y, to.y)+reach, g.low.y, g.high)
	for y := y0; y <= y1; y++ {
		for x := x0; x <= x1; x++ {
			if i := y*g.wide + x; g.cells[i] != outside && g.at(i).from(from, to) < reach {
				g.cells[i] = as
			}
		}
	}
}

// lost is the largest room that a zone leaves beside its own copper, or around what it is joined to, and where. KiCad
// leaves room that nothing of the net reaches.
func (g *fillGrid) lost() (where point, mm2 float64) {
	seen := make([]bool, len(g.cells))
	for start, c := range g.cells {
		if c != bare || seen[start] {
			continue
		}
		seen[start] = true
		list, joined := []int{start}, false
		for n := 0; n < len(list); n++ {
			for _, i := range g.beside(list[n]) {
				joined = joined || g.cells[i] == hasCopper || g.cells[i] == reached
				if g.cells[i] == bare && !seen[i] {
					seen[i] = true
					list = append(list, i)
				}
			}
		}
		if size := float64(len(list)) * fillStep * fillStep; joined && size > mm2 {
			where, mm2 = g.at(list[len(list)/2]), size
		}
	}
	return where, mm2
}

// beside are the squares on the four sides of one.
func (g *fillGrid) beside(i int) (list []int) {
	x, y := i%g.wide, i/g.wide
	for _, to := range [][2]int{{x - 1, y}, {x + 1, y}, {x, y - 1}, {x, y + 1}} {
		if to[0] >= 0 && to[0] < g.wide && to[1] >= 0 && to[1] < g.high {
			list = append(list, to[1]*g.wide+to[0])
		}
	}
	return list
}
