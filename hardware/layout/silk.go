package layout

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"stillwater/hardware/circuit"
)

// Silkscreen of values and names: the height of a letter, and how far from its part a text may stand, in millimetres.
const (
	labelHeight = 0.8
	labelReach  = 7.0
	labelStep   = 0.4
)

// label is a text on the silkscreen beside what it names.
type label struct {
	words, of string
	beside    rect
}

// labels are what is printed beside the references: the net of each lead, plus and cathode, and each part's value.
func (p *Plan) labels() (list []label) {
	for _, part := range p.Board.Parts {
		pins, holes := part.Legs()
		pad := func(i int) rect {
			l := Leg{part.Ref, pins[i], part.Pins[pins[i]], Hole{holes[i][0], holes[i][1]}}
			size := 2 * p.padRadiusOf(l)
			return around(p.hole(l.At), size, size)
		}
		for i, pin := range pins {
			if part.TakesLeads() {
				list = append(list, label{part.Pins[pin], part.Ref + " " + pin, pad(i)})
			}
		}
		if sign := signOf(part); sign != "" {
			list = append(list, label{sign, part.Ref + " sign", pad(0)})
		}
	}
	for _, part := range p.Board.Parts {
		if part.Type.Kind != circuit.Terminal {
			list = append(list, label{part.Printed(), part.Ref + " value", p.body(part)})
		}
	}
	return list
}

// signOf is what is printed beside the first leg of a part that has a way round: plus or cathode.
func signOf(p *circuit.Part) string {
	switch p.Type.Kind {
	case circuit.Electrolytic, circuit.Battery, circuit.Electret:
		return "+"
	case circuit.Diode, circuit.Zener, circuit.TVS, circuit.LED, circuit.Photodiode:
		return "K"
	}
	return ""
}

// label prints labels, each at the nearest free place; it returns those that found none.
func (k *starter) label() (lost []label) {
	for _, l := range k.c.labels() {
		at, turn, found := k.near(l)
		if !found {
			lost = append(lost, l)
			continue
		}
		k.f("(gr_text %q (at %s %d) (layer \"F.SilkS\") (uuid %q) (effects (font (size %g %g) (thickness 0.12))))\n", l.words,
			k.xy(at), turn, circuit.UUID(k.c.Board.Name+" label "+l.of), labelHeight, labelHeight)
	}
	return lost
}

// near finds the free place for a label that is nearest to what it names.
func (k *starter) near(l label) (best point, turn int, found bool) {
	long, least := 0.95*labelHeight*float64(len([]rune(l.words))), math.Inf(1)
	board := rect{point{}, point{k.c.Board.Width, k.c.Board.Height}}
	var place rect
	for _, way := range []int{0, 90} {
		wide, high := long, labelHeight
		if way == 90 {
			wide, high = high, wide
		}
		for x := l.beside.low.x - labelReach - wide/2; x <= l.beside.high.x+labelReach+wide/2; x += labelStep {
			for y := l.beside.low.y - labelReach - high/2; y <= l.beside.high.y+labelReach+high/2; y += labelStep {
				here := around(point{x, y}, wide+0.2, high+0.2)
				far := here.gap(l.beside)
				if far < least && far <= labelReach && board.holds(here, 0.5) && k.bare(here) {
					best, turn, found, least, place = point{x, y}, way, true, far, here
				}
			}
		}
	}
	if found {
		k.taken = append(k.taken, place)
	}
	return best, turn, found
}

// bare reports whether nothing is printed or soldered at a place, nor a pillar stands there.
func (k *starter) bare(here rect) bool {
	pillar := func(at point) bool { return around(at, 2*pillarRadius, 2*pillarRadius).touches(here) }
	return !slices.ContainsFunc(k.taken, here.touches) && !k.crossed(here) && !slices.ContainsFunc(k.c.pillars(), pillar)
}

// barriers draws the outlines of the isolated groups' zones on the parts' side, interrupted at pads and print.
func (k *starter) barriers() {
	zones := k.c.zones()
	for _, g := range slices.Sorted(maps.Keys(zones)) {
		z := grown(zones[g])
		for i := range 4 {
			k.dashes(z, i, g)
		}
	}
}

func (k *starter) dashes(z rect, side int, group string) {
	const dash, gap, pen = 1.2, 0.8, 0.15
	a, b := z.side(side)
	long := math.Hypot(b.x-a.x, b.y-a.y)
	for n := 0; float64(n+1)*(dash+gap) <= long; n++ {
		at := func(way float64) point { return point{a.x + (b.x-a.x)*way/long, a.y + (b.y-a.y)*way/long} }
		from, to := at(float64(n)*(dash+gap)), at(float64(n)*(dash+gap)+dash)
		here := rect{point{min(from.x, to.x) - pen, min(from.y, to.y) - pen},
			point{max(from.x, to.x) + pen, max(from.y, to.y) + pen}}
		if !k.bare(here) {
			continue
		}
		k.taken = append(k.taken, here)
		k.f("(gr_line (start %s) (end %s) (stroke (width %g) (type solid)) (layer \"F.SilkS\") (uuid %q))\n", k.xy(from),
			k.xy(to), pen, circuit.UUID(fmt.Sprint(k.c.Board.Name, " barrier ", group, side, n)))
	}
}

// grown is a zone with the half of the barrier that is drawn around it.
func grown(z rect) rect {
	const beyond = 1.6
	return rect{point{z.low.x - beyond, z.low.y - beyond}, point{z.high.x + beyond, z.high.y + beyond}}
}
