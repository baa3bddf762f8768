package layout

import (
	"fmt"
	"math"

	"stillwater/hardware/circuit"
)

// Check lists all violations by the copper: like KiCad's own check, independently of it.
func (c *Copper) Check() (list []circuit.Finding) {
	conductors := c.printed()
	for _, r := range []struct {
		name  string
		check func([]conductor) []string
	}{{"track width", c.checkTracks}, {"track distance", checkTrackDistance}, {"track joints", c.checkTrackJoints}} {
		for _, what := range r.check(conductors) {
			list = append(list, circuit.Finding{Rule: r.name, Board: c.Board.Name, What: what})
		}
	}
	return list
}

// printed is all copper: pads on both layers, first those of the legs in their order, tracks, vias, and the sides of
// the square pads.
func (c *Copper) printed() (list []conductor) {
	for _, l := range c.Legs {
		net := l.Net
		if l.open() {
			net = l.Ref + "." + l.Pin
		}
		list = append(list, conductor{what: l.Ref + "." + l.Pin, net: net, group: c.group(l.Net), from: c.hole(l.At),
			to: c.hole(l.At), radius: c.padRadiusOf(l), layer: both})
	}
	for _, t := range c.Tracks {
		list = append(list, conductor{what: "a track of " + t.Net, net: t.Net, group: c.group(t.Net), from: t.From, to: t.To,
			radius: t.Wide / 2, layer: t.Layer})
	}
	for _, v := range c.Vias {
		list = append(list, conductor{what: "a via of " + v.Net, net: v.Net, group: c.group(v.Net), from: v.At, to: v.At,
			radius: viaRadius, layer: both})
	}
	for i, l := range c.Legs {
		if !c.square(l) {
			continue
		}
		pad := around(c.hole(l.At), 2*c.padRadiusOf(l), 2*c.padRadiusOf(l))
		for side := range 4 {
			o := list[i]
			o.radius = 0
			o.from, o.to = pad.side(side)
			list = append(list, o)
		}
	}
	return list
}

// both stands for the two layers.
const both = -1

func (a conductor) meets(b conductor) bool {
	return a.layer == both || b.layer == both || a.layer == b.layer
}

// checkTrackDistance requires the clearance between nets and Barrier between groups, whatever the layers of those.
func checkTrackDistance(list []conductor) (bad []string) {
	for i, a := range list {
		for _, b := range list[i+1:] {
			least := clearance
			if a.group != b.group && a.group != "" && b.group != "" {
				least = Barrier
			} else if a.net == b.net || !a.meets(b) {
				continue
			}
			if mm := distance(a.from, a.to, b.from, b.to) - a.radius - b.radius; mm < least-epsilon {
				bad = append(bad, fmt.Sprintf("%s (%s) is %.2f mm from %s (%s): %g mm at least", a.what, a.net, mm, b.what, b.net,
					least))
			}
		}
	}
	return bad
}

// checkTrackJoints requires all pads of a net joined by copper that touches.
func (c *Copper) checkTrackJoints(list []conductor) (bad []string) {
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
			if a.net == b.net && a.meets(b) && distance(a.from, a.to, b.from, b.to) < a.radius+b.radius-0.1 {
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

const maxWarming = 10.0 // temperature rise of a track in K, chosen

// checkTracks requires each track wide enough for its net.
func (c *Copper) checkTracks([]conductor) (bad []string) {
	for _, t := range c.Tracks {
		if n := c.Board.Net(t.Net); n.Amps > trackAmps(t.Wide, maxWarming) {
			bad = append(bad, fmt.Sprintf("a track of %s is %g mm wide and carries %.2g A: it warms by more than %g K", n.Name,
				t.Wide, n.Amps, maxWarming))
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
