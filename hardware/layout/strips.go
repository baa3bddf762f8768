package layout

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"stillwater/hardware/circuit"
)

// Half the width of a strip of metal in millimetres, and the radius of a cut: a solderless board's clips and strip
// board's copper (common practice, no source), and a 4 mm drill.
const (
	clipHalf   = 0.8
	copperHalf = 1.0
	cutRadius  = 2.0
)

// StripPlan is a board put together on strips: its legs, the ends of its leads and wires, and the pieces of metal.
type StripPlan struct {
	Board  *circuit.Board
	Strips *circuit.Strips
	Legs   []Leg // of parts and of leads
	parts  []*circuit.Part
	pieces []rect
	at     map[Hole]int // the piece that a hole is in
}

// PlaceStrips puts the parts of a board on strips.
func PlaceStrips(b *circuit.Board, s *circuit.Strips) *StripPlan {
	p := &StripPlan{Board: b, Strips: s, at: map[Hole]int{}}
	if s.Kind == circuit.Solderless {
		p.clips()
	} else {
		p.copper()
	}
	for _, place := range s.Places {
		part := b.Placed(place)
		if place.Pin != "" {
			number := find(part, place.Pin)
			p.Legs = append(p.Legs, Leg{place.Ref, number, part.Pins[number], Hole{place.Col, place.Row}})
			continue
		}
		p.parts = append(p.parts, part)
		pins, holes := part.Legs()
		for i, pin := range pins {
			p.Legs = append(p.Legs, Leg{place.Ref, pin, part.Pins[pin], Hole{holes[i][0], holes[i][1]}})
		}
	}
	return p
}

// find is the number of a pin that is given by number or name.
func find(part *circuit.Part, id string) string {
	for _, pin := range part.Type.Kind.Pins(part.Value) {
		if pin.Number == id || pin.Name == id {
			return pin.Number
		}
	}
	return id
}

// The rows of a solderless board: rails, five holes, the gap, five holes, rails. A rail has its holes in fives (common
// practice, no source; where on a rail the fives begin is each maker's own).
const (
	railRows         = 2
	upperTop, midTop = 4, 11
	fiveHoles        = 5
)

// clips are the pieces of a solderless board.
func (p *StripPlan) clips() {
	rails := []int{1, railRows, p.Strips.Rows - 1, p.Strips.Rows}
	for _, row := range rails {
		var list []Hole
		for col := 1; col <= p.Strips.Cols; col++ {
			if col%(fiveHoles+1) != 0 {
				list = append(list, Hole{col, row})
			}
		}
		p.piece(list, clipHalf)
	}
	for col := 1; col <= p.Strips.Cols; col++ {
		for _, top := range []int{upperTop, midTop} {
			var list []Hole
			for row := top; row < top+fiveHoles; row++ {
				list = append(list, Hole{col, row})
			}
			p.piece(list, clipHalf)
		}
	}
}

// copper are the pieces of strip board, from cut to cut.
func (p *StripPlan) copper() {
	for row := 1; row <= p.Strips.Rows; row++ {
		var list []Hole
		for col := 1; col <= p.Strips.Cols+1; col++ {
			if col <= p.Strips.Cols && !slices.Contains(p.Strips.Cuts, [2]int{col, row}) {
				list = append(list, Hole{col, row})
				continue
			}
			if len(list) > 0 {
				p.piece(list, copperHalf)
			}
			list = nil
		}
	}
}

// piece adds a piece of metal with some holes. Copper reaches as far as the cuts beside it.
func (p *StripPlan) piece(list []Hole, half float64) {
	first, last := spot(list[0]), spot(list[len(list)-1])
	r := rect{point{first.x - half, first.y - half}, point{last.x + half, last.y + half}}
	if p.Strips.Kind == circuit.StripBoard {
		r.low.x, r.high.x = first.x-(pitch-cutRadius), last.x+(pitch-cutRadius)
	}
	for _, h := range list {
		p.at[h] = len(p.pieces)
	}
	p.pieces = append(p.pieces, r)
}

// spot is where a hole is, in millimetres.
func spot(h Hole) point { return point{float64(h.Col) * pitch, float64(h.Row) * pitch} }

func (p *StripPlan) body(part *circuit.Part) rect {
	col, row, wide, high := part.Body()
	return around(point{col * pitch, row * pitch}, wide, high)
}

var stripRules = []struct {
	name  string
	check func(*StripPlan) []string
}{{"holes", checkStripHoles}, {"complete", checkStripsComplete}, {"joints", checkStripJoints}, {"room", checkStripRoom},
	{"wires", checkStripWires}, {"distance", checkStripDistance}, {"thick legs", checkThickLegs}}

// Check lists all violations of the rules.
func (p *StripPlan) Check() (list []circuit.Finding) {
	for _, r := range stripRules {
		for _, what := range r.check(p) {
			list = append(list, circuit.Finding{Rule: r.name, Board: p.Board.Name + ", " + string(p.Strips.Kind), What: what})
		}
	}
	return list
}

// end is what is in a hole.
type end struct {
	what string
	at   Hole
}

func (p *StripPlan) ends() (all []end) {
	for _, l := range p.Legs {
		all = append(all, end{l.Ref + "." + l.Pin, l.At})
	}
	for i, l := range p.Strips.Links {
		all = append(all, end{fmt.Sprint("wire ", i+1), hole(l.From)}, end{fmt.Sprint("wire ", i+1), hole(l.To)})
	}
	return all
}

func hole(at [2]int) Hole { return Hole{at[0], at[1]} }

// checkStripHoles requires each end in a hole of its own that is there.
func checkStripHoles(p *StripPlan) (bad []string) {
	taken := map[Hole]string{}
	for _, e := range p.ends() {
		if _, is := p.at[e.at]; !is {
			bad = append(bad, fmt.Sprintf("%s is at %v, where no hole is", e.what, e.at))
		}
		if other := taken[e.at]; other != "" {
			bad = append(bad, fmt.Sprintf("%s and %s are in one hole, %v", other, e.what, e.at))
		}
		taken[e.at] = e.what
	}
	return bad
}

// checkStripsComplete requires every pin of every part once.
func checkStripsComplete(p *StripPlan) (bad []string) {
	for _, part := range p.Board.Parts {
		for pin := range part.Pins {
			n := 0
			for _, l := range p.Legs {
				if l.Ref == part.Ref && l.Pin == pin {
					n++
				}
			}
			if n != 1 {
				bad = append(bad, fmt.Sprintf("%s.%s is there %d times", part.Ref, pin, n))
			}
		}
	}
	slices.Sort(bad)
	return bad
}

// checkStripJoints requires the circuit: what strips and wires join is a net, whole and alone.
func checkStripJoints(p *StripPlan) (bad []string) {
	joined := islands{}
	key := func(h Hole) Hole { return Hole{p.at[h], -1} } // of its piece
	for _, l := range p.Strips.Links {
		joined.join(key(hole(l.From)), key(hole(l.To)))
	}
	net := map[Hole]string{}
	first := map[string]Hole{}
	see := func(what, name string, at Hole) {
		island := joined.of(key(at))
		if other, is := net[island]; is && other != name {
			bad = append(bad, fmt.Sprintf("%s joins %s and %s", what, other, name))
		}
		net[island] = name
		if before, is := first[name]; is && before != island {
			bad = append(bad, fmt.Sprintf("%s is not joined to the rest of %s", what, name))
		}
		first[name] = island
	}
	for _, l := range p.Legs {
		see(l.Ref+"."+l.Pin, l.Net, l.At)
	}
	for i, l := range p.Strips.Links {
		see(fmt.Sprint("wire ", i+1), l.Net, hole(l.From))
	}
	return bad
}

// checkStripRoom requires no body on another, or on what is in a hole beside it.
func checkStripRoom(p *StripPlan) (bad []string) {
	for i, a := range p.parts {
		for _, b := range p.parts[i+1:] {
			if p.body(a).gap(p.body(b)) < overlapTolerance-epsilon {
				bad = append(bad, fmt.Sprintf("%s and %s are in each other's way", a.Ref, b.Ref))
			}
		}
		for _, e := range p.ends() {
			at := spot(e.at)
			if !strings.HasPrefix(e.what, a.Ref+".") && p.body(a).gap(rect{at, at}) < legRadius-epsilon {
				bad = append(bad, fmt.Sprintf("%s lies on %s", a.Ref, e.what))
			}
		}
	}
	return bad
}

// checkStripWires requires a straight way for each wire, flat on the board: over no part, and over no hole in which
// something else is.
func checkStripWires(p *StripPlan) (bad []string) {
	for i, l := range p.Strips.Links {
		from, to, name := spot(hole(l.From)), spot(hole(l.To)), fmt.Sprint("wire ", i+1)
		for _, part := range p.parts {
			body := p.body(part)
			apart := body.gap(rect{from, from})
			for side := range 4 {
				a, b := body.side(side)
				apart = min(apart, distance(from, to, a, b))
			}
			if apart < wireRadius-overlapTolerance-epsilon {
				bad = append(bad, fmt.Sprintf("%s crosses %s", name, part.Ref))
			}
		}
		for _, e := range p.ends() {
			if e.what != name && spot(e.at).from(from, to) < wireRadius+legRadius-epsilon {
				bad = append(bad, fmt.Sprintf("%s crosses %s", name, e.what))
			}
		}
	}
	return bad
}

// checkStripDistance requires Barrier between pieces of different groups: the sum of the gaps on the shortest way, for
// pieces that are not used make it no longer.
func checkStripDistance(p *StripPlan) (bad []string) {
	groups := map[int]string{}
	for _, l := range p.Legs {
		if n := p.Board.Net(l.Net); n != nil {
			groups[p.at[l.At]] = n.Group
		}
	}
	for from := range p.pieces {
		if groups[from] != p.Board.Groups[0].Name {
			continue
		}
		for to, mm := range p.gaps(from) {
			if g := groups[to]; g != "" && g != groups[from] && mm < Barrier-epsilon {
				bad = append(bad, fmt.Sprintf("a piece of %s is %.1f mm from one of %s: %g mm at least", groups[from], mm, g,
					Barrier))
			}
		}
	}
	slices.Sort(bad)
	return slices.Compact(bad)
}

// gaps are the sums of the gaps on the shortest way from one piece to each (Dijkstra).
func (p *StripPlan) gaps(from int) []float64 {
	sum, done := make([]float64, len(p.pieces)), make([]bool, len(p.pieces))
	for i := range sum {
		sum[i] = math.Inf(1)
	}
	sum[from] = 0
	for range p.pieces {
		nearest := -1
		for i := range sum {
			if !done[i] && (nearest < 0 || sum[i] < sum[nearest]) {
				nearest = i
			}
		}
		done[nearest] = true
		for i := range sum {
			sum[i] = min(sum[i], sum[nearest]+p.pieces[nearest].gap(p.pieces[i]))
		}
	}
	return sum
}

// thickestLeg is what a solderless board's clips bear as the drill that a leg wants, in millimetres: legs of 0.8 mm
// (common practice, no source).
const thickestLeg = 1.0

// checkThickLegs keeps legs out of a solderless board that would spread its clips.
func checkThickLegs(p *StripPlan) (bad []string) {
	for _, part := range p.parts {
		if d := part.Type.Footprint.Drill; p.Strips.Kind == circuit.Solderless && d > thickestLeg {
			bad = append(bad, fmt.Sprintf("%s has legs for holes of %g mm: bring it by leads", part.Ref, d))
		}
	}
	return bad
}
