package layout

import (
	"fmt"
	"math"

	"stillwater/hardware/circuit"
)

// Check lists everything about the copper that is against the rules: as KiCad's own check does, by other means.
func (c *Copper) Check() (list []circuit.Finding) {
	metals := c.printed()
	for _, r := range []struct {
		name  string
		check func([]metal) []string
	}{{"track width", c.checkTracks}, {"track distance", checkTrackDistance}, {"track joints", c.checkTrackJoints}} {
		for _, what := range r.check(metals) {
			list = append(list, circuit.Finding{Rule: r.name, Board: c.Board.Name, What: what})
		}
	}
	return list
}

// printed is all copper: pads on both layers, tracks, vias.
func (c *Copper) printed() (list []metal) {
	for _, l := range c.Legs {
		net := l.Net
		if l.open() {
			net = l.Ref + "." + l.Pin
		}
		list = append(list, metal{what: l.Ref + "." + l.Pin, net: net, group: c.group(l.Net), from: c.hole(l.At),
			to: c.hole(l.At), radius: c.padOf(l), layer: both})
	}
	for _, t := range c.Tracks {
		list = append(list, metal{what: "a track of " + t.Net, net: t.Net, group: c.group(t.Net), from: t.From, to: t.To,
			radius: t.Wide / 2, layer: t.Layer})
	}
	for _, v := range c.Vias {
		list = append(list, metal{what: "a via of " + v.Net, net: v.Net, group: c.group(v.Net), from: v.At, to: v.At,
			radius: viaRadius, layer: both})
	}
	return list
}

// both stands for the two layers.
const both = -1

func (a metal) meets(b metal) bool { return a.layer == both || b.layer == both || a.layer == b.layer }

// checkTrackDistance wants the clearance between nets and Barrier between groups, whatever the layers of those.
func checkTrackDistance(list []metal) (bad []string) {
	for i, a := range list {
		for _, b := range list[i+1:] {
			least := clearance
			if a.group != b.group && a.group != "" && b.group != "" {
				least = Barrier
			} else if a.net == b.net || !a.meets(b) {
				continue
			}
			if mm := apart(a.from, a.to, b.from, b.to) - a.radius - b.radius; mm < least-tiny {
				bad = append(bad, fmt.Sprintf("%s (%s) is %.2f mm from %s (%s): %g mm at least", a.what, a.net, mm, b.what, b.net,
					least))
			}
		}
	}
	return bad
}

// checkTrackJoints wants all pads of a net joined by copper that touches.
func (c *Copper) checkTrackJoints(list []metal) (bad []string) {
	parent := make([]int, len(list))
	for i := range parent {
		parent[i] = i
	}
	root := func(i int) int {
		for parent[i] != i {
			i = parent[i]
		}
		return i
	}
	for i, a := range list {
		for j, b := range list[i+1:] {
			if a.net == b.net && a.meets(b) && apart(a.from, a.to, b.from, b.to) < a.radius+b.radius-0.1 {
				parent[root(i)] = root(i + 1 + j)
			}
		}
	}
	first := map[string]int{}
	for i, l := range c.Legs { // the first of the list, in this order
		o, known := first[list[i].net]
		if !known {
			first[list[i].net] = i
			continue
		}
		if root(o) != root(i) {
			bad = append(bad, fmt.Sprintf("net %s: no copper from %s to %s.%s", l.Net, list[o].what, l.Ref, l.Pin))
		}
	}
	return bad
}

const warmer = 10.0 // K that a track may warm, chosen

// checkTracks wants each track wide enough for its net.
func (c *Copper) checkTracks([]metal) (bad []string) {
	for _, t := range c.Tracks {
		if n := c.Board.Net(t.Net); n.Amps > carries(t.Wide, warmer) {
			bad = append(bad, fmt.Sprintf("a track of %s is %g mm wide and carries %.2g A: it warms by more than %g K", n.Name,
				t.Wide, n.Amps, warmer))
		}
	}
	return bad
}

// carries is the current in amperes by which copper 35 um thick of a width in mm warms by so many kelvin: IPC-2221,
// outer layers, I = 0.048 dT^0.44 A^0.725 with A in square mils (from memory).
func carries(wide, kelvin float64) float64 {
	const mil, thick = 0.0254, 0.035
	return 0.048 * math.Pow(kelvin, 0.44) * math.Pow(wide*thick/(mil*mil), 0.725)
}
