package layout

import (
	"fmt"
	"math"
	"slices"

	"stillwater/hardware/circuit"
	"stillwater/hardware/kicad"
)

// printReach is how far a text may stand from what it names, in millimetres.
const printReach = 12.0

// wanted is a text that must be on the parts' side, near places of its part.
type wanted struct {
	words, what string
	near        []kicad.Point
}

// checkPrint requires, on the parts' side, each part's reference and value, the net of each lead, plus and cathode,
// each near what it names; and nothing that reads like one of them and names nothing.
func (p *Printed) checkPrint() (bad []string) {
	texts := p.printed()
	taken := make([]bool, len(texts))
	known := map[string]bool{}
	for _, w := range p.wanted() {
		known[w.words] = true
		best, least := -1, printReach
		for i, t := range texts {
			for _, near := range w.near {
				if mm := math.Hypot(t.At.X-near.X, t.At.Y-near.Y); t.Words == w.words && !taken[i] && mm < least {
					best, least = i, mm
				}
			}
		}
		if best < 0 {
			bad = append(bad, fmt.Sprintf("%s at %v: no %q is printed within %g mm", w.what, w.near[0], w.words, printReach))
			continue
		}
		taken[best] = true
	}
	for i, t := range texts {
		if known[t.Words] && !taken[i] {
			bad = append(bad, fmt.Sprintf("%q is printed at %v and names nothing there: move it or delete it", t.Words,
				t.At))
		}
	}
	return bad
}

// printed are all texts of the parts' side.
func (p *Printed) printed() (list []kicad.Text) {
	add := func(texts []kicad.Text) {
		for _, t := range texts {
			if !t.Back {
				list = append(list, t)
			}
		}
	}
	for _, part := range p.laid.Parts {
		add(part.Texts)
	}
	add(p.laid.Texts)
	return list
}

// wanted lists what must be printed, that of which there is little room first.
func (p *Printed) wanted() (list []wanted) {
	var later []wanted
	for _, laid := range p.laid.Parts {
		part := p.partOf(laid)
		if part == nil {
			continue
		}
		all := []kicad.Point{laid.At}
		for _, pad := range laid.Pads {
			all = append(all, pad.At)
			if part.TakesLeads() {
				list = append(list, wanted{part.Pins[pad.Number], fmt.Sprintf("lead %s.%s", part.Ref, pad.Number),
					[]kicad.Point{pad.At}})
			}
			if sign := signOf(part); sign != "" && pad.Number == "1" {
				list = append(list, wanted{sign, fmt.Sprintf("pad %s.1", part.Ref), []kicad.Point{pad.At}})
			}
		}
		later = append(later, wanted{part.Ref, "part " + part.Ref, all})
		if part.Type.Kind != circuit.Terminal {
			later = append(later, wanted{part.Printed(), "the value of " + part.Ref, all})
		}
	}
	return append(list, later...)
}

// checkPolarity requires a thick line on the side of a part that shows its way round, as its legs stand, and none on
// another side.
func (p *Printed) checkPolarity() (bad []string) {
	for _, laid := range p.laid.Parts {
		part := p.partOf(laid)
		if part == nil {
			continue
		}
		s, known := stands(part, laid)
		if !known {
			continue // other rules say so
		}
		plain := *part
		plain.Facing = 0
		var marks []int
		for _, l := range laid.Print {
			if l.Wide > silkBold-tolerance && !l.Back {
				marks = append(marks, printedSide(s, part, middle(at(l.From), at(l.To))))
			}
		}
		want := thickSide(&plain)
		switch {
		case want < 0 && len(marks) > 0:
			bad = append(bad, fmt.Sprintf("part %s at %v has a thick side and no way round: print it %g mm thick",
				part.Ref, laid.At,
				silkPen))
		case want >= 0 && (len(marks) == 0 || slices.ContainsFunc(marks, func(m int) bool { return m != want })):
			bad = append(bad,
				fmt.Sprintf("part %s at %v: a line %g mm thick stands at its %s, and nowhere else: take its footprint "+
					"from the library again", part.Ref, laid.At, silkBold, thickSideWords(part)))
		}
	}
	return bad
}

// printedSide is the side of a part, before it is turned, at which a place is: 0 the upper, then clockwise.
func printedSide(s standing, part *circuit.Part, place point) int {
	legs := unturned(part)
	box := rect{legs[0], legs[0]}
	for _, l := range legs {
		box = box.with(l)
	}
	c := s.on(middle(box.low, box.high))
	dx, dy := place.x-c.x, place.y-c.y
	body := part.Type.Footprint.Body
	x, y := (dx*s.cos+dy*s.sin)/body[0], (-dx*s.sin+dy*s.cos)/body[1]
	switch {
	case math.Abs(y) > math.Abs(x) && y < 0:
		return 0
	case math.Abs(y) > math.Abs(x):
		return 2
	case x > 0:
		return 1
	}
	return 3
}

// thickSideWords says what the thick side of a part is.
func thickSideWords(p *circuit.Part) string {
	switch p.Type.Kind {
	case circuit.Comparator, circuit.OpAmp, circuit.Timer, circuit.Opto:
		return "notch"
	case circuit.NMOS, circuit.PMOS:
		return "tab"
	case circuit.NPN, circuit.PNP, circuit.Thyristor:
		return "flat face"
	case circuit.Electrolytic, circuit.Battery:
		return "plus"
	}
	return "cathode"
}
