package circuit

import (
	"cmp"
	"slices"
)

// Sizes of letters in millimetres: names of nets, of parts, of pins.
const (
	netSize  = 1.8
	nameSize = 2.1
	legSize  = 1.45
)

// drawGroup draws a group's wires and the dots where more than two pieces meet.
func (s *sheet) drawGroup(g *group) {
	ends := map[gridPoint]int{}
	for _, t := range g.pinEnds {
		ends[t.at]++
	}
	for _, run := range g.runs {
		x, y := run[0].mm()
		u, v := run[1].mm()
		s.draw(wire, g.net, line(x, y, u, v))
		way := gridPoint{cmp.Compare(run[1].x, run[0].x), cmp.Compare(run[1].y, run[0].y)}
		for a := run[0]; a != run[1]; a = a.add(way) {
			ends[a]++
			ends[a.add(way)]++
		}
	}
	var dots []gridPoint
	for a, n := range ends {
		if n > 2 {
			dots = append(dots, a)
		}
	}
	slices.SortFunc(dots, func(a, b gridPoint) int { return cmp.Or(cmp.Compare(a.x, b.x), cmp.Compare(a.y, b.y)) })
	s.dots = append(s.dots, dots...)
}

// nameGroup writes a group's net once, at the first place that is free.
func (s *sheet) nameGroup(g *group, f *Section) {
	if len(g.pinEnds) == 1 && (s.ground(g.pinEnds[0]) || s.rail(g.pinEnds[0])) {
		return
	}
	as := localNet
	if s.continuesElsewhere(g) {
		as = remoteNet
	}
	choices := g.choices()
	for i := range choices {
		choices[i].size, choices[i].style, choices[i].text, choices[i].of = netSize, as, g.net, g.net
	}
	best := slices.IndexFunc(choices, func(l lettering) bool { return s.free(l, f.rect()) })
	s.write(choices[max(best, 0)])
}

// continuesElsewhere reports whether the group's net has pins outside it.
func (s *sheet) continuesElsewhere(g *group) bool {
	return len(s.board.Netlist()[g.net]) > len(g.pinEnds)
}

// choices are positions for a group's name, the best first.
func (g *group) choices() (all []lettering) {
	at := func(x, y float64, anchor string) {
		all = append(all, lettering{x: x, y: y, size: netSize, anchor: anchor})
	}
	const above, below = -0.8, 0.55 + 0.76*netSize
	if len(g.pinEnds) == 1 {
		t := g.pinEnds[0]
		x, y := t.at.mm()
		switch {
		case t.out.x > 0:
			at(x+0.6, y+0.55, "start")
		case t.out.x < 0:
			at(x-0.6, y+0.55, "end")
		case t.out.y < 0:
			at(x, y+above, "middle")
			at(x-1, y+above, "start")
			at(x+1, y+above, "end")
		default:
			at(x, y+below, "middle")
			at(x-1, y+below, "start")
			at(x+1, y+below, "end")
		}
		return all
	}
	runs := slices.Clone(g.runs)
	slices.SortStableFunc(runs, func(a, b [2]gridPoint) int {
		return cmp.Compare(compareRuns(b), compareRuns(a))
	})
	for _, run := range runs {
		x0, y0 := gridPoint{min(run[0].x, run[1].x), min(run[0].y, run[1].y)}.mm()
		x1, y1 := gridPoint{max(run[0].x, run[1].x), max(run[0].y, run[1].y)}.mm()
		if y0 == y1 {
			for _, down := range []float64{above, below} {
				at((x0+x1)/2, y0+down, "middle")
				for x := x0; x <= x1; x += unit {
					at(x+0.4, y0+down, "start")
					at(x-0.4, y0+down, "end")
				}
			}
			continue
		}
		at(x0+0.6, (y0+y1)/2+0.55, "start")
		at(x0-0.6, (y0+y1)/2+0.55, "end")
		for y := y0 + unit; y < y1; y += unit {
			at(x0+0.6, y+0.55, "start")
			at(x0-0.6, y+0.55, "end")
		}
	}
	return all
}

// compareRuns orders runs by length, longest first, horizontal before vertical.
func compareRuns(run [2]gridPoint) int { return 2*abs(run[1].x-run[0].x) + abs(run[1].y-run[0].y) }
