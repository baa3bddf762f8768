package layout

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"

	"stillwater/hardware/kicad"
)

// barrierBreak is the longest break in millimetres at which dashes still read as a line (own choice).
const barrierBreak = 3.0

// barrierName is printed on the solder side of each isolated group.
func barrierName(group string) string { return fmt.Sprintf("%s: %g mm to all else", group, Barrier) }

// checkBarrierPrint requires, on both sides of the board, a printed line around the pads of each isolated group, within
// the barrier, and its name on the solder side; on the parts' side, parts that stand across it interrupt it.
func (p *Printed) checkBarrierPrint() (bad []string) {
	places := p.groupPlaces()
	for _, group := range slices.Sorted(maps.Keys(places)) {
		named := func(t kicad.Text) bool { return t.Back && t.Words == barrierName(group) }
		if !slices.ContainsFunc(p.laid.Texts, named) {
			bad = append(bad, fmt.Sprintf("no %q is printed on B.SilkS: write it at %s", barrierName(group),
				places[group].low.place()))
		}
		for _, back := range []bool{false, true} {
			for i := range 4 {
				from, to := places[group].side(i)
				mm, where := longestBreak(from, to, p.printedAlong(from, to, back))
				if mm > barrierBreak {
					bad = append(bad, fmt.Sprintf("the barrier around %s is not printed on %s along %.1f mm at %s: draw a dashed "+
						"line there", group, map[bool]string{false: "F.SilkS", true: "B.SilkS"}[back], mm, where.place()))
				}
			}
		}
	}
	return bad
}

// groupPlaces are the boxes around the pads of each isolated group.
func (p *Printed) groupPlaces() map[string]rect {
	list := map[string]rect{}
	for _, part := range p.laid.Parts {
		for _, pad := range part.Pads {
			g := p.group(netName(pad.Net))
			if g == "" || g == p.Board.Groups[0].Name {
				continue
			}
			here := at(pad.At)
			if _, known := list[g]; !known {
				list[g] = rect{here, here}
			}
			list[g] = list[g].with(here)
		}
	}
	return list
}

// span is a piece of a side, in millimetres from its beginning.
type span struct{ from, to float64 }

// printedAlong are the pieces of a side of a group's box, clockwise, that have a printed line outside of it and within
// the barrier, or on the parts' side a part.
func (p *Printed) printedAlong(from, to point, back bool) (list []span) {
	long := math.Hypot(to.x-from.x, to.y-from.y)
	along := point{(to.x - from.x) / long, (to.y - from.y) / long}
	// inside turns a place into how far along the side and how far out of the box it is.
	place := func(at point) (far, out float64) {
		d := at.less(from)
		return d.x*along.x + d.y*along.y, d.x*along.y - d.y*along.x
	}
	for _, l := range p.laid.Print {
		a, outA := place(at(l.From))
		b, outB := place(at(l.To))
		if l.Back == back && min(outA, outB) > -tolerance && max(outA, outB) < Barrier {
			list = append(list, span{min(a, b), max(a, b)})
		}
	}
	if back {
		return list
	}
	for _, part := range p.laid.Parts {
		if len(part.Pads) == 0 {
			continue
		}
		box := rect{at(part.Pads[0].At), at(part.Pads[0].At)}
		for _, pad := range part.Pads {
			box = box.with(at(pad.At))
		}
		for _, l := range part.Print {
			box = box.with(at(l.From)).with(at(l.To))
		}
		a, outA := place(box.low)
		b, outB := place(box.high)
		if min(outA, outB) < Barrier && max(outA, outB) > 0 {
			list = append(list, span{min(a, b), max(a, b)})
		}
	}
	return list
}

// longestBreak is the longest piece of a line that no span covers, and its middle.
func longestBreak(from, to point, spans []span) (mm float64, where point) {
	long := math.Hypot(to.x-from.x, to.y-from.y)
	slices.SortFunc(spans, func(a, b span) int { return cmp.Compare(a.from, b.from) })
	covered := 0.0
	for _, s := range append(spans, span{long, long}) {
		if gap := min(s.from, long) - covered; gap > mm {
			middle := (covered + gap/2) / long
			mm, where = gap, point{from.x + (to.x-from.x)*middle, from.y + (to.y-from.y)*middle}
		}
		covered = max(covered, s.to)
	}
	return mm, where
}
