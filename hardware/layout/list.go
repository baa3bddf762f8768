package layout

import (
	"cmp"
	"encoding/csv"
	"fmt"
	"math"
	"slices"
	"strings"

	"stillwater/hardware/circuit"
)

// heading is the first line of every list.
const heading = "# Made by go run ./hardware/gen from circuits.txt. Simulated and rule-checked, not built.\n"

func table(rows [][]string) string {
	var out strings.Builder
	out.WriteString(heading)
	if err := csv.NewWriter(&out).WriteAll(rows); err != nil {
		panic(err) // a strings.Builder never fails
	}
	return out.String()
}

// heightRank is the order of soldering: flat parts first, so that the board lies on them.
var heightRank = []circuit.Kind{circuit.Resistor, circuit.Diode, circuit.Zener, circuit.TVS, circuit.Opto,
	circuit.Comparator, circuit.OpAmp, circuit.Timer, circuit.Trimmer, circuit.LED, circuit.NPN, circuit.PNP,
	circuit.Thyristor,
	circuit.Capacitor, circuit.Fuse, circuit.NMOS, circuit.PMOS, circuit.Electrolytic}

// Places lists the hole of each leg, boards and sections in the order of the guide, flat parts first within a section.
// Holes are column,row as one looks at the parts. Parts that take leads come last.
func Places(plans []*Plan) string {
	rows := [][]string{{"board", "section", "reference", "value", "part", "legs in holes (pin=column,row)", "drill mm"}}
	for _, p := range plans {
		for _, s := range p.Board.Sections {
			var parts []*circuit.Part
			for _, part := range p.Board.Parts {
				if part.Section == s.Name {
					parts = append(parts, part)
				}
			}
			slices.SortStableFunc(parts, func(a, b *circuit.Part) int { return cmp.Compare(rank(a), rank(b)) })
			for _, part := range parts {
				rows = append(rows, []string{p.Board.Name, s.Name, part.Ref, part.Stated(), part.Type.Generic, legList(part),
					drillNote(part)})
			}
		}
	}
	return table(rows)
}

func rank(p *circuit.Part) int {
	if i := slices.Index(heightRank, p.Type.Kind); i >= 0 && !p.TakesLeads() {
		return i
	}
	return len(heightRank)
}

func legList(part *circuit.Part) string {
	var legs []string
	pins, holes := part.Legs()
	for i, pin := range pins {
		if name := part.PinName(pin); name != pin {
			pin += "(" + strings.ReplaceAll(name, " ", "_") + ")"
		}
		legs = append(legs, fmt.Sprintf("%s=%d,%d", pin, holes[i][0], holes[i][1]))
	}
	return strings.Join(legs, " ")
}

// usualHole is the drill of perfboard, in millimetres (common practice, no source).
const usualHole = 1.0

func drillNote(part *circuit.Part) string {
	if d := part.Type.Footprint.Drill; d > usualHole {
		return fmt.Sprintf("widen to %g", d)
	}
	return ""
}

// spare is the extra length of an insulated wire, in millimetres, for both ends together.
const spare = 10.0

// Wires lists every wire of the plans, net by net: bare ones with the holes where they turn and the legs at their ends,
// insulated ones with their number on the drawing and the length to cut.
func Wires(plans []*Plan) string {
	rows := [][]string{{"board", "net", "wire", "from", "to", "holes (column,row)", "cut mm"}}
	for _, p := range plans {
		for _, n := range p.Board.Nets {
			for _, r := range p.Runs {
				if r.Net == n.Name {
					rows = append(rows, p.runRow(r))
				}
			}
			for i, l := range p.Links {
				if l.Net == n.Name {
					a, b := p.hole(l.From), p.hole(l.To)
					cut := math.Ceil((math.Hypot(a.x-b.x, a.y-b.y)+spare)/5) * 5
					rows = append(rows, []string{p.Board.Name, l.Net, fmt.Sprint("insulated ", i+1), p.legAt(l.From),
						p.legAt(l.To), holeList([]Hole{l.From, l.To}), fmt.Sprint(cut)})
				}
			}
		}
	}
	return table(rows)
}

func (p *Plan) runRow(r Run) []string {
	first, last := r.Corners[0], r.Corners[len(r.Corners)-1]
	cut := math.Ceil(float64(r.Steps())*pitch + 2 - epsilon)
	return []string{p.Board.Name, r.Net, "bare", p.legAt(first), p.legAt(last), holeList(r.Corners), fmt.Sprint(cut)}
}

// legAt is the leg in a hole, or that another wire passes there.
func (p *Plan) legAt(h Hole) string {
	for _, l := range p.Legs {
		if l.At == h {
			return l.Ref + "." + l.Pin
		}
	}
	return "the wire there"
}

func holeList(list []Hole) string {
	var words []string
	for _, h := range list {
		words = append(words, fmt.Sprintf("%d,%d", h.Col, h.Row))
	}
	return strings.Join(words, " ")
}
