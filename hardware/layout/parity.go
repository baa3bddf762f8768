package layout

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"stillwater/hardware/circuit"
	"stillwater/hardware/kicad"
)

// partOf is the circuit's part that a printed one is, or nil.
func (p *Printed) partOf(laid kicad.Part) *circuit.Part { return p.Board.Part(laid.Ref) }

// pillar reports whether a footprint is bare holes and no part: for the pillars and the like.
func pillar(laid kicad.Part) bool {
	return !slices.ContainsFunc(laid.Pads, func(o kicad.Pad) bool { return o.Plated })
}

// checkParts requires each part of the circuit once, with its value and footprint, on the parts' side, and none more.
func (p *Printed) checkParts() (bad []string) {
	found := map[string]kicad.Point{}
	for _, laid := range p.laid.Parts {
		part := p.partOf(laid)
		if part == nil {
			if !pillar(laid) {
				bad = append(bad, fmt.Sprintf("part %s at %v is not in circuits.txt: write it there, or delete it", laid.Ref,
					laid.At))
			}
			continue
		}
		if at, twice := found[part.Ref]; twice {
			bad = append(bad, fmt.Sprintf("part %s is there twice, at %v and at %v: delete one", part.Ref, at, laid.At))
		}
		found[part.Ref] = laid.At
		if want := part.Printed(); laid.Value != want {
			bad = append(bad, fmt.Sprintf("part %s at %v has the value %q, in circuits.txt it is %q", part.Ref, laid.At,
				laid.Value,
				want))
		}
		if want := part.FootprintName(); laid.Footprint != want {
			bad = append(bad, fmt.Sprintf("part %s at %v has the footprint %q: its type's is %q", part.Ref, laid.At,
				laid.Footprint,
				want))
		}
		if laid.Back {
			bad = append(bad, fmt.Sprintf("part %s at %v stands on the solder side: flip it (key F)", part.Ref, laid.At))
		}
	}
	for _, part := range p.Board.Parts {
		if _, there := found[part.Ref]; !there {
			bad = append(bad, fmt.Sprintf("part %s (%s) is missing: Update PCB from Schematic (key F8) brings it", part.Ref,
				part.Printed()))
		}
	}
	return bad
}

// padTolerance is how far a pad may be from where its leg is, in millimetres.
const padTolerance = 0.05

// checkPads requires each pin's pad once, where the part's leg is, with a hole that the leg goes through, and its net.
func (p *Printed) checkPads() (bad []string) {
	for _, laid := range p.laid.Parts {
		part := p.partOf(laid)
		if part == nil {
			continue
		}
		pins, _ := part.Legs()
		for _, pad := range laid.Pads {
			where := fmt.Sprintf("pad %s.%s at %v", part.Ref, pad.Number, pad.At)
			if !slices.Contains(pins, pad.Number) {
				bad = append(bad, where+" is not a pin of the part in circuits.txt: take the footprint from the library again")
				continue
			}
			if want := part.Pins[pad.Number]; netName(pad.Net) != want && !(want == circuit.Open && openNet(pad.Net)) {
				bad = append(bad, fmt.Sprintf("%s is on net %q, in circuits.txt on %q: Update PCB from Schematic (key F8)",
					where,
					netName(pad.Net), want))
			}
			if least := part.Type.Footprint.Drill; pad.Drill < least-tolerance || pad.Drill > least+0.3 {
				bad = append(bad, fmt.Sprintf("%s has a hole of %g mm: its leg needs %g, and 0.3 more at most", where,
					pad.Drill, least))
			}
		}
		for _, pin := range pins {
			same := func(o kicad.Pad) bool { return o.Number == pin && o.Plated }
			if first := slices.IndexFunc(laid.Pads, same); first < 0 || slices.ContainsFunc(laid.Pads[first+1:], same) {
				bad = append(bad,
					fmt.Sprintf("part %s at %v has no pad %s, or several: take its footprint from the library again",
						part.Ref, laid.At, pin))
			}
		}
		bad = append(bad, moved(part, laid)...)
	}
	return bad
}

// openNet reports whether a net is one that KiCad makes for a pin that is joined to nothing.
func openNet(net string) bool { return net == "" || strings.HasPrefix(net, "unconnected-(") }

// standing is how a part was turned: the place of its first leg, and the sine and cosine of the turn, clockwise.
type standing struct {
	first    point
	sin, cos float64
}

// on is where a leg's place beside the first one is on the board.
func (s standing) on(leg point) point {
	return point{s.first.x + leg.x*s.cos - leg.y*s.sin, s.first.y + leg.x*s.sin + leg.y*s.cos}
}

// unturned are a part's legs beside the first, in millimetres, as its type has them.
func unturned(part *circuit.Part) (list []point) {
	plain := *part
	plain.Col, plain.Row, plain.Facing = 0, 0, 0
	_, holes := plain.Legs()
	for _, h := range holes {
		list = append(list, point{float64(h[0]) * pitch, float64(h[1]) * pitch})
	}
	return list
}

// stands works out how a part was turned from its first two pads.
func stands(part *circuit.Part, laid kicad.Part) (s standing, known bool) {
	legs := unturned(part)
	places := make([]point, len(legs))
	seen := 0
	pins, _ := part.Legs()
	for _, pad := range laid.Pads {
		if i := slices.Index(pins, pad.Number); i >= 0 {
			places[i] = at(pad.At)
			seen++
		}
	}
	if seen < 2 || seen != len(legs) {
		return s, false
	}
	last := len(legs) - 1
	want, got := legs[last].less(legs[0]), places[last].less(places[0])
	turn := math.Atan2(got.y, got.x) - math.Atan2(want.y, want.x)
	s.sin, s.cos = math.Sincos(turn)
	s.first = places[0]
	return s, true
}

// moved names the pads that are not where the legs of the part are.
func moved(part *circuit.Part, laid kicad.Part) (bad []string) {
	s, known := stands(part, laid)
	if !known {
		return nil
	}
	legs := unturned(part)
	pins, _ := part.Legs()
	for _, pad := range laid.Pads {
		i := slices.Index(pins, pad.Number)
		want := s.on(legs[i])
		if mm := math.Hypot(want.x-pad.At.X, want.y-pad.At.Y); mm > padTolerance {
			bad = append(bad,
				fmt.Sprintf("pad %s.%s at %v is %.2f mm from where its leg is, %s: take the footprint from the library "+
					"again", part.Ref, pad.Number, pad.At, mm, want.place()))
		}
	}
	return bad
}

// checkNets requires that all copper is of nets of the circuit.
func (p *Printed) checkNets() (bad []string) {
	foreign := func(what, net string, at string) {
		if p.Board.Net(netName(net)) == nil {
			bad = append(bad,
				fmt.Sprintf("%s at %s is of net %q, which circuits.txt does not have: give it a net or delete it", what,
					at, netName(net)))
		}
	}
	for _, t := range p.laid.Tracks {
		foreign("the track", t.Net, middle(at(t.From), at(t.To)).place())
	}
	for _, v := range p.laid.Vias {
		foreign("the via", v.Net, v.At.String())
	}
	for _, z := range p.laid.Zones {
		foreign("the zone", z.Net, z.At.String())
	}
	return bad
}

// edgeGap is the least distance of copper and holes from the board's edge, in millimetres.
const edgeGap = 0.5

// checkOutline requires one closed edge of the circuit's size, and everything within it.
func (p *Printed) checkOutline() (bad []string) {
	ends := map[[2]int64]int{}
	for _, l := range p.laid.Outline {
		for _, end := range []kicad.Point{l.From, l.To} {
			ends[[2]int64{int64(math.Round(end.X * 1e3)), int64(math.Round(end.Y * 1e3))}]++
		}
	}
	for end, lines := range ends {
		if lines != 2 {
			bad = append(bad, fmt.Sprintf("the board's edge is not closed at %v", kicad.Point{X: float64(end[0]) / 1e3,
				Y: float64(end[1]) / 1e3}))
		}
	}
	slices.Sort(bad)
	box := p.outline()
	wide, high := box.high.x-box.low.x, box.high.y-box.low.y
	if math.Abs(wide-p.Board.Width) > 0.01 || math.Abs(high-p.Board.Height) > 0.01 {
		bad = append(bad,
			fmt.Sprintf("the board is %.2f x %.2f mm, in circuits.txt %g x %g: change one of them, and the enclosure",
				wide, high, p.Board.Width, p.Board.Height))
	}
	named := map[int]bool{}
	for _, c := range p.copper {
		least := math.Inf(1)
		for _, l := range p.laid.Outline {
			least = min(least, distance(c.from, c.to, at(l.From), at(l.To))-c.radius)
		}
		if inside := box.holds(c.box(), 0); !named[c.item] && (!inside || least < edgeGap-tolerance) {
			named[c.item] = true
			bad = append(bad, fmt.Sprintf("%s is %.2f mm from the board's edge or beyond it: %g mm within at least", c.what,
				max(0, least), edgeGap))
		}
	}
	return bad
}

// pillarHoles are the bare holes.
func (p *Printed) pillarHoles() (list []kicad.Pad) {
	for _, part := range p.laid.Parts {
		for _, pad := range part.Pads {
			if !pad.Plated {
				list = append(list, pad)
			}
		}
	}
	return list
}

// pillarDrill is the hole for a pillar's screw, in millimetres.
const pillarDrill = 3.2

// checkPillars requires the pillars' holes in the corners, as the enclosure has them, and copper off their screws'
// heads.
func (p *Printed) checkPillars() (bad []string) {
	box, holes := p.outline(), p.pillarHoles()
	for _, in := range (&Plan{Board: p.Board}).pillars() {
		want := point{box.low.x + in.x, box.low.y + in.y}
		there := slices.ContainsFunc(holes, func(o kicad.Pad) bool {
			return math.Hypot(o.At.X-want.x, o.At.Y-want.y) < padTolerance && math.Abs(o.Drill-pillarDrill) < padTolerance
		})
		if !there {
			bad = append(bad, fmt.Sprintf("no hole of %g mm for the pillar at %s: the enclosure has it there", pillarDrill,
				want.place()))
		}
	}
	named := map[int]bool{}
	for _, c := range p.copper {
		for _, o := range holes {
			if mm := at(o.At).from(c.from, c.to) - c.radius; mm < pillarRadius+clearance-tolerance && !named[c.item] {
				named[c.item] = true
				bad = append(bad,
					fmt.Sprintf("%s is %.2f mm from the middle of the bare hole at %v: %g mm at least, for a screw's head",
						c.what, mm, o.At, pillarRadius+clearance))
			}
		}
	}
	return bad
}

// Least sizes at holes, in millimetres.
const (
	holeGap = 0.25 // between the edges of two holes
	padRing = 0.3  // copper around a leg's hole
	viaRing = 0.15 // and around a via's
	minHole = 0.3
)

// checkHoles requires rings of copper and walls between holes.
func (p *Printed) checkHoles() (bad []string) {
	type hole struct {
		what   string
		at     point
		radius float64
	}
	var list []hole
	ring := func(what string, at point, wide, drill, least float64) {
		if mm := (wide - drill) / 2; mm < least-tolerance || drill < minHole {
			bad = append(bad, fmt.Sprintf("%s has a ring of %.2f mm around a hole of %g: %g around %g at least", what, mm,
				drill, least,
				minHole))
		}
		list = append(list, hole{what, at, drill / 2})
	}
	for _, part := range p.laid.Parts {
		for _, pad := range part.Pads {
			what := fmt.Sprintf("pad %s.%s at %v", part.Ref, pad.Number, pad.At)
			if pad.Plated {
				ring(what, at(pad.At), min(pad.Wide, pad.High), pad.Drill, padRing)
			} else {
				list = append(list, hole{what, at(pad.At), pad.Drill / 2})
			}
		}
	}
	for _, v := range p.laid.Vias {
		ring(fmt.Sprintf("the via of %s at %v", netName(v.Net), v.At), at(v.At), v.Wide, v.Drill, viaRing)
	}
	for i, a := range list {
		for _, b := range list[:i] {
			if mm := math.Hypot(a.at.x-b.at.x, a.at.y-b.at.y) - a.radius - b.radius; mm < holeGap-tolerance {
				bad = append(bad, fmt.Sprintf("the holes of %s and %s are %.2f mm apart: %g mm at least", a.what, b.what,
					max(0, mm),
					holeGap))
			}
		}
	}
	return bad
}
