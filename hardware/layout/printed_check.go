package layout

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"stillwater/hardware/circuit"
)

// printedRules check a printed board as it was read.
var printedRules = []struct {
	name  string
	check func(*Printed) []string
}{
	{"parts", (*Printed).checkParts}, {"pads", (*Printed).checkPads}, {"nets", (*Printed).checkNets},
	{"outline", (*Printed).checkOutline}, {"pillars", (*Printed).checkPillars}, {"holes", (*Printed).checkHoles},
	{"width", (*Printed).checkWidth}, {"distance", (*Printed).checkDistances}, {"barrier", (*Printed).checkBarrier},
	{"joints", (*Printed).checkCopperJoints}, {"ground", (*Printed).checkGround},
	{"fill", (*Printed).checkFills}, {"print", (*Printed).checkPrint},
	{"polarity", (*Printed).checkPolarity}, {"barrier print", (*Printed).checkBarrierPrint},
}

// Check lists all violations by what was read, with their places as KiCad shows them. It knows nothing of how the board
// was laid, and KiCad's own check nothing of it.
func (p *Printed) Check() (list []circuit.Finding) {
	for _, r := range printedRules {
		for _, what := range r.check(p) {
			list = append(list, circuit.Finding{Rule: r.name, Board: p.Board.Name, What: what})
		}
	}
	return list
}

// pairs calls for each two conductors that are nearer than reach across and along, the same piece's left out.
func (p *Printed) pairs(reach float64, each func(a, b conductor)) {
	type boxed struct {
		conductor
		box rect
	}
	list := make([]boxed, len(p.copper))
	for i, c := range p.copper {
		list[i] = boxed{c, c.box()}
	}
	slices.SortStableFunc(list, func(a, b boxed) int { return cmp.Compare(a.box.low.x, b.box.low.x) })
	for i, a := range list {
		for _, b := range list[i+1:] {
			if b.box.low.x > a.box.high.x+reach {
				break
			}
			if a.item != b.item && b.box.low.y < a.box.high.y+reach && a.box.low.y < b.box.high.y+reach {
				each(a.conductor, b.conductor)
			}
		}
	}
}

// closest keeps, of each two pieces, where they are nearest.
type closest map[[2]int]float64

// gap is the distance of two conductors' copper.
func (a conductor) gapTo(b conductor) float64 {
	return distance(a.from, a.to, b.from, b.to) - a.radius - b.radius
}

// near notes a distance and describes both pieces.
func (n closest) near(words map[[2]int]string, a, b conductor, mm, least float64) {
	pair := [2]int{min(a.item, b.item), max(a.item, b.item)}
	if old, known := n[pair]; known && old <= mm {
		return
	}
	n[pair] = mm
	words[pair] = fmt.Sprintf("%s (%s) is %.2f mm from %s (%s), %g mm at least: move one; a zone is filled again by "+
		"key B", a.what, a.net, max(0, mm), b.what, b.net, least)
}

// sortedWords are the descriptions, in the order of their pieces.
func sortedWords(words map[[2]int]string) (list []string) {
	var pairs [][2]int
	for p := range words {
		pairs = append(pairs, p)
	}
	slices.SortFunc(pairs, func(a, b [2]int) int { return cmp.Or(a[0]-b[0], a[1]-b[1]) })
	for _, p := range pairs {
		list = append(list, words[p])
	}
	return list
}

// checkDistances requires the clearance between copper of different nets on a layer.
func (p *Printed) checkDistances() []string {
	found, words := closest{}, map[[2]int]string{}
	p.pairs(clearance, func(a, b conductor) {
		if a.net == b.net && a.net != "" || !a.meets(b) {
			return
		}
		if mm := a.gapTo(b); mm < clearance-tolerance {
			found.near(words, a, b, mm, clearance)
		}
	})
	for _, f := range p.fills {
		for _, c := range p.copper {
			if (c.net != f.net || f.net == "") && c.item != f.item && (c.layer == both || c.layer == f.layer) &&
				f.holds(c.from) {
				found.near(words, c, p.edgeOf(f), 0, clearance)
			}
		}
	}
	return sortedWords(words)
}

// edgeOf is a conductor at a fill's edge.
func (p *Printed) edgeOf(f fill) conductor {
	return p.copper[slices.IndexFunc(p.copper, func(c conductor) bool { return c.item == f.item })]
}

// checkBarrier requires Barrier between groups, whatever the layers: as seen from above, which is no more than the way
// along the board's surface. A pillar's head counts as copper of the first group.
func (p *Printed) checkBarrier() []string {
	found, words := closest{}, map[[2]int]string{}
	first := p.Board.Groups[0].Name
	all := slices.Clone(p.copper)
	for i, o := range p.pillarHoles() {
		all = append(all, conductor{what: fmt.Sprintf("the pillar at %v", o.At), net: "metal", group: first,
			from: at(o.At),
			to:   at(o.At), radius: pillarRadius, layer: both, item: -1 - i})
	}
	for _, a := range all {
		if a.group == first || a.group == "" {
			continue
		}
		box := a.box()
		for _, b := range all {
			if a.group == b.group || b.group == "" || box.gap(b.box()) > Barrier {
				continue
			}
			if mm := a.gapTo(b); mm < Barrier-tolerance {
				found.near(words, a, b, mm, Barrier)
			}
		}
	}
	return sortedWords(words)
}

// tolerance is how far a file's numbers may be off, in millimetres; KiCad counts in nanometres.
const tolerance = 0.002

// overlap is how far pieces of a net reach into each other to be joined, in millimetres.
const overlap = 0.05

// checkCopperJoints requires all pads of a net joined by copper that touches, and no copper that is joined to none.
func (p *Printed) checkCopperJoints() (bad []string) {
	parent := map[int]int{}
	root := func(i int) int {
		for next, is := parent[i]; is; next, is = parent[i] {
			i = next
		}
		return i
	}
	join := func(a, b int) {
		if a, b = root(a), root(b); a != b {
			parent[a] = b
		}
	}
	p.pairs(0, func(a, b conductor) {
		if a.net == b.net && a.net != "" && a.meets(b) && a.gapTo(b) < -overlap {
			join(a.item, b.item)
		}
	})
	for _, f := range p.fills {
		for _, c := range p.copper {
			if c.net == f.net && c.item != f.item && (c.layer == both || c.layer == f.layer) && f.holds(c.from) {
				join(c.item, f.item)
			}
		}
	}
	first, joined := map[string]conductor{}, map[int]bool{}
	for i, c := range p.copper {
		if i > 0 && p.copper[i-1].item == c.item || c.net == "" || c.item >= p.pads {
			continue
		}
		joined[root(c.item)] = true
		o, known := first[c.net]
		if !known {
			first[c.net] = c
		} else if root(o.item) != root(c.item) {
			bad = append(bad, fmt.Sprintf("net %s: no copper from %s to %s: draw a track, or fill its zone again (key B)",
				c.net, o.what,
				c.what))
		}
	}
	for i, c := range p.copper {
		if (i == 0 || p.copper[i-1].item != c.item) && c.item >= p.pads && !joined[root(c.item)] {
			bad = append(bad, fmt.Sprintf("%s is joined to no pad of %s: join it or delete it", c.what, c.net))
		}
	}
	return bad
}

const maxWarming = 10.0 // temperature rise of a track in K, chosen

// checkWidth requires each track wide enough to be made and for its net's current.
func (p *Printed) checkWidth() (bad []string) {
	for _, t := range p.laid.Tracks {
		where := fmt.Sprintf("the track of %s at %s on %v is %g mm wide", netName(t.Net),
			middle(at(t.From), at(t.To)).place(), t.Layer, t.Wide)
		n := p.Board.Net(netName(t.Net))
		switch {
		case t.Wide < trackWidth-tolerance:
			bad = append(bad, fmt.Sprintf("%s: %g mm at least", where, trackWidth))
		case n != nil && n.Amps > trackAmps(t.Wide, maxWarming):
			bad = append(bad, fmt.Sprintf("%s and carries %.2g A: it warms by more than %g K, make it wider", where, n.Amps,
				maxWarming))
		}
	}
	return bad
}

// trackAmps is the current in amperes that warms copper 35 um thick and of a width in mm by kelvin: IPC-2221,
// outer layers, I = 0.048 dT^0.44 A^0.725 with A in square mils (from memory).
func trackAmps(wide, kelvin float64) float64 {
	const mil, thick = 0.0254, 0.035
	return 0.048 * math.Pow(kelvin, 0.44) * math.Pow(wide*thick/(mil*mil), 0.725)
}

// maxGround is the resistance in ohms between any two pins of the first group's zero: 146 mA of the emitters then make
// 1.2 mV, which the decks' receivers bear.
const maxGround = 8e-3

// checkGround requires a ground that is one for all pins: a zone, not tracks alone.
func (p *Printed) checkGround() (bad []string) {
	for _, z := range p.laid.Zones {
		if len(z.Fills) == 0 {
			bad = append(bad, fmt.Sprintf("the zone of %s at %v is not filled: open the board in KiCad, press B and save it",
				netName(z.Net), z.At))
		}
	}
	if len(bad) > 0 || p.Board.Net("GND") == nil {
		return bad
	}
	ground := p.conductance("GND")
	ohms, from, to := ground.Worst()
	if ohms > maxGround {
		bad = append(bad,
			fmt.Sprintf("GND has %.1f mohm from %s to %s, %g at most: give it a zone on both layers, and room",
				ohms*1e3, from, to, maxGround*1e3))
	}
	return bad
}
