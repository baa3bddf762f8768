package layout

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"stillwater/hardware/circuit"
)

// rule checks one plan and returns violations with their remedies.
type rule struct {
	name  string
	check func(*Plan) []string
}

var rules = []rule{{"room", checkRoom}, {"joints", checkJoints}, {"shorts", checkShorts}, {"distance", checkDistance},
	{"edge", checkEdge}, {"wires", checkWires}}

// Check lists all violations of the rules. It checks the plan as drawn, independently of the router.
func (p *Plan) Check() (list []circuit.Finding) {
	for _, r := range rules {
		for _, what := range r.check(p) {
			list = append(list, circuit.Finding{Rule: r.name, Board: p.Board.Name, What: what})
		}
	}
	return list
}

// overlapTolerance is how far bodies may overlap as drawn.
const overlapTolerance = 0.2

// checkRoom requires each leg in a hole of its own, and no body on another or on another's leg.
func checkRoom(p *Plan) (bad []string) {
	taken := map[Hole]Leg{}
	for _, l := range p.Legs {
		if o, is := taken[l.At]; is {
			bad = append(bad, fmt.Sprintf("%s.%s and %s.%s are in one hole, %v", o.Ref, o.Pin, l.Ref, l.Pin, l.At))
		}
		taken[l.At] = l
		if !p.inside(l.At) {
			bad = append(bad, fmt.Sprintf("%s.%s is at %v, off the board or under a pillar", l.Ref, l.Pin, l.At))
		}
	}
	for i, a := range p.Board.Parts {
		for _, b := range p.Board.Parts[i+1:] {
			if p.body(a).gap(p.body(b)) < overlapTolerance-epsilon {
				bad = append(bad, fmt.Sprintf("%s and %s are in each other's way", a.Ref, b.Ref))
			}
		}
		for _, l := range p.Legs {
			if at := p.hole(l.At); l.Ref != a.Ref && p.body(a).gap(rect{at, at}) < legRadius-epsilon {
				bad = append(bad, fmt.Sprintf("%s lies on the leg %s.%s", a.Ref, l.Ref, l.Pin))
			}
		}
		if !(rect{point{}, point{p.Board.Width, p.Board.Height}}).holds(p.body(a), 0) {
			bad = append(bad, a.Ref+" stands over the board's edge")
		}
	}
	return bad
}

const legRadius = 0.4

// islands are the sets of holes that wires connect, each identified by one of its holes (union-find).
type islands map[Hole]Hole

func (i islands) of(h Hole) Hole {
	for next, is := i[h]; is && next != h; next, is = i[h] {
		h = next
	}
	return h
}

func (i islands) join(a, b Hole) { i[i.of(a)] = i.of(b) }

func (p *Plan) islands() islands {
	list := islands{}
	for _, r := range p.Runs {
		holes := r.holes()
		for _, h := range holes[1:] {
			list.join(holes[0], h)
		}
	}
	for _, l := range p.Links {
		list.join(l.From, l.To)
	}
	return list
}

// checkJoints requires all legs of a net joined.
func checkJoints(p *Plan) (bad []string) {
	island := p.islands()
	first := map[string]Leg{}
	for _, l := range p.Legs {
		if l.open() {
			continue
		}
		o, known := first[l.Net]
		if !known {
			first[l.Net] = l
			continue
		}
		if island.of(o.At) != island.of(l.At) {
			bad = append(bad, fmt.Sprintf("net %s: no wire from %s.%s to %s.%s", l.Net, o.Ref, o.Pin, l.Ref, l.Pin))
		}
	}
	return bad
}

// checkShorts requires no two nets joined, and a leg that is open alone.
func checkShorts(p *Plan) (bad []string) {
	island := p.islands()
	nets := map[Hole]map[string]bool{}
	for _, l := range p.Legs {
		name := l.Net
		if l.open() {
			name = l.Ref + "." + l.Pin + " (open)"
		}
		n := island.of(l.At)
		if nets[n] == nil {
			nets[n] = map[string]bool{}
		}
		nets[n][name] = true
	}
	for _, names := range nets {
		if len(names) > 1 {
			bad = append(bad, "joined to each other: "+strings.Join(slices.Sorted(maps.Keys(names)), ", "))
		}
	}
	slices.Sort(bad)
	return bad
}

// conductor is a piece of metal: its description, net and group, its centre line and radius, and on printed boards its
// layer.
type conductor struct {
	what, net, group string
	from, to         point
	radius           float64
	layer            int
	item             int // of a printed board: the piece that it is a part of
}

// conductors are all pads in use, wires, bare tabs and the pillars. Those may touch a metal case and each other: they
// count as the first group.
func (p *Plan) conductors() (list []conductor) {
	add := func(what, net string, from, to point, radius float64) {
		list = append(list, conductor{what: what, net: net, group: p.group(net), from: from, to: to, radius: radius})
	}
	for _, l := range p.Legs {
		if !l.open() {
			add(l.Ref+"."+l.Pin, l.Net, p.hole(l.At), p.hole(l.At), padRadius)
		}
	}
	for _, r := range p.Runs {
		for i := 1; i < len(r.Corners); i++ {
			add("the wire of "+r.Net, r.Net, p.hole(r.Corners[i-1]), p.hole(r.Corners[i]), padRadius)
		}
	}
	for _, l := range p.Links {
		add("the insulated wire of "+l.Net, l.Net, p.hole(l.From), p.hole(l.To), wireRadius)
	}
	for _, at := range p.pillars() {
		list = append(list, conductor{what: "a pillar", group: p.Board.Groups[0].Name, from: at, to: at,
			radius: pillarRadius})
	}
	for _, part := range p.Board.Parts {
		if k := part.Type.Kind; k == circuit.NMOS || k == circuit.PMOS {
			b := p.body(part)
			middle := (b.low.y + b.high.y) / 2
			add("the tab of "+part.Ref, part.Pin("D"), point{b.low.x, middle}, point{b.high.x, middle}, (b.high.y-b.low.y)/2)
		}
	}
	return list
}

// checkDistance requires Barrier between conductors of different groups, along the board. An insulated wire counts as
// bare.
func checkDistance(p *Plan) (bad []string) {
	list := p.conductors()
	for i, a := range list {
		for _, b := range list[i+1:] {
			if a.group == b.group {
				continue
			}
			if mm := distance(a.from, a.to, b.from, b.to) - a.radius - b.radius; mm < Barrier-epsilon {
				bad = append(bad, fmt.Sprintf("%s (%s) is %.1f mm from %s (%s): %g mm at least", a.what, a.group, mm, b.what,
					b.group, Barrier))
			}
		}
	}
	return bad
}

// distance is the distance of two lines, 0 where they cross.
func distance(a, b, c, d point) float64 {
	if crosses(a, b, c, d) {
		return 0
	}
	return min(a.from(c, d), b.from(c, d), c.from(a, b), d.from(a, b))
}

// from is the distance of a point from a line between two others.
func (p point) from(a, b point) float64 {
	dx, dy := b.x-a.x, b.y-a.y
	t := 0.0
	if long := dx*dx + dy*dy; long > 0 {
		t = max(0, min(1, ((p.x-a.x)*dx+(p.y-a.y)*dy)/long))
	}
	return math.Hypot(p.x-a.x-t*dx, p.y-a.y-t*dy)
}

// crosses reports whether two lines cross. Of lines that only touch, or lie in one line, apart has the distance
// already.
func crosses(a, b, c, d point) bool {
	side := func(a, b, p point) float64 { return (b.x-a.x)*(p.y-a.y) - (b.y-a.y)*(p.x-a.x) }
	return side(a, b, c)*side(a, b, d) < -epsilon && side(c, d, a)*side(c, d, b) < -epsilon
}

// maxEdgeGap is the largest distance of a terminal's body from the edge that its leads cross, in millimetres.
const maxEdgeGap = 6.0

// checkEdge requires what takes leads at an edge of the board, its opening outwards.
func checkEdge(p *Plan) (bad []string) {
	for _, part := range p.Board.Parts {
		if !part.TakesLeads() {
			continue
		}
		b := p.body(part)
		left := map[int]float64{0: b.low.x, 90: b.low.y, 180: p.Board.Width - b.high.x, 270: p.Board.Height - b.high.y}
		if mm := left[part.Facing]; mm > maxEdgeGap+epsilon {
			bad = append(bad, fmt.Sprintf("%s is %.1f mm from the edge that its leads come over: %g mm at most", part.Ref, mm,
				maxEdgeGap))
		}
	}
	return bad
}

// checkWires requires runs along the holes and on the board, and every end of a wire at a leg or a run of its net.
func checkWires(p *Plan) (bad []string) {
	type spot struct {
		net string
		at  Hole
	}
	soldered := map[spot]int{}
	for _, l := range p.Legs {
		soldered[spot{l.Net, l.At}]++
	}
	for _, r := range p.Runs {
		for i := 1; i < len(r.Corners); i++ {
			if a, b := r.Corners[i-1], r.Corners[i]; (a.Col == b.Col) == (a.Row == b.Row) {
				bad = append(bad, fmt.Sprintf("the wire of %s does not follow the holes from %v to %v", r.Net, a, b))
				return bad
			}
		}
		for _, h := range r.holes() {
			soldered[spot{r.Net, h}]++
			if !p.inside(h) {
				bad = append(bad, fmt.Sprintf("the wire of %s leaves the board at %v", r.Net, h))
			}
		}
	}
	end := func(net string, at Hole, least int) {
		if soldered[spot{net, at}] < least {
			bad = append(bad, fmt.Sprintf("a wire of %s ends at %v, where nothing of that net is", net, at))
		}
	}
	for _, r := range p.Runs { // each counts itself
		end(r.Net, r.Corners[0], 2)
		end(r.Net, r.Corners[len(r.Corners)-1], 2)
	}
	for _, l := range p.Links {
		end(l.Net, l.From, 1)
		end(l.Net, l.To, 1)
	}
	return bad
}
