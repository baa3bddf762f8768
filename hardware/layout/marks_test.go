package layout

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/hardware/circuit"
)

// shapes are the points of all shapes of a class as they stand in the drawing's text: lines as they go, the middles of
// circles, two corners of rectangles.
func shapes(t *testing.T, d *drawing, class string) (list [][]point) {
	t.Helper()
	number := func(text string) float64 {
		x, err := strconv.ParseFloat(text, 64)
		require.NoError(t, err)
		return x
	}
	each := func(shape string) [][]string {
		return regexp.MustCompile(fmt.Sprintf(shape, class)).FindAllStringSubmatch(d.out.String(), -1)
	}
	for _, m := range each(`<polyline class="%s" points="(.*)"/>`) {
		var line []point
		for word := range strings.FieldsSeq(m[1]) {
			x, y, _ := strings.Cut(word, ",")
			line = append(line, point{number(x), number(y)})
		}
		list = append(list, line)
	}
	for _, m := range each(`<circle class="%s" cx="(.*)" cy="(.*)" r=`) {
		list = append(list, []point{{number(m[1]), number(m[2])}})
	}
	for _, m := range each(`<rect class="%s" x="(.*)" y="(.*)" width="(.*)" height="(.*)"/>`) {
		low := point{number(m[1]), number(m[2])}
		list = append(list, []point{low, {low.x + number(m[3]), low.y + number(m[4])}})
	}
	return list
}

func distanceOf(a, b point) float64 { return math.Hypot(a.x-b.x, a.y-b.y) }

// within is the middle of the one shape of a class that lies in a part's body.
func within(t *testing.T, d *drawing, part *circuit.Part, class string) point {
	t.Helper()
	var found []point
	for _, s := range shapes(t, d, class) {
		if m := middle(s[0], s[len(s)-1]); d.on(d.body(part)).gap(rect{m, m}) < 0.02 {
			found = append(found, m)
		}
	}
	require.Len(t, found, 1, "%s: %s", part.Ref, class)
	return found[0]
}

// How each part is put in: a band at the cathode, K and plus beside the legs of these names, a notch at pin 1's end,
// the flat face of a TO-92 towards whoever reads its legs 1 to 3 from left to right, and the tab of a TO-220 away from
// them (the packages' data sheets, from memory).
func TestPartsAreMarkedAsTheyStand(t *testing.T) {
	addUsers := map[circuit.Kind]int{}
	for _, b := range append(design(t).Boards, turnedParts(t)) {
		p, err := Place(b)
		require.NoError(t, err)
		d := p.partsSide()
		for _, part := range b.Parts {
			leg := func(pin string) point { return d.at(d.hole(d.Plan.leg(part.Ref, pin))) }
			nearer := func(what, near, other point) {
				t.Helper()
				assert.Less(t, distanceOf(what, near)+0.5, distanceOf(what, other), "%s is marked the wrong way", part.Ref)
			}
			// rightwards reports whether legs 1 to 3 go from left to right for somebody who looks at a side of the
			// body.
			rightwards := func(side point) bool {
				r := d.on(d.body(part))
				out, along := side.less(middle(r.low, r.high)), leg("3").less(leg("1"))
				return out.x*along.y-out.y*along.x < 0
			}
			addUsers[part.Type.Kind]++
			switch part.Type.Kind {
			case circuit.Diode, circuit.Zener, circuit.TVS:
				require.Equal(t, "K", part.PinName("1"))
				nearer(within(t, d, part, "mark"), leg("1"), leg("2"))
			case circuit.NPN, circuit.PNP, circuit.Thyristor:
				assert.True(t, rightwards(within(t, d, part, "mark")), "%s: the flat face", part.Ref)
			case circuit.NMOS, circuit.PMOS:
				assert.False(t, rightwards(within(t, d, part, "mark")), "%s: the tab", part.Ref)
			case circuit.Comparator, circuit.OpAmp, circuit.Timer:
				nearer(within(t, d, part, "notch"), leg("1"), leg("4"))
				nearer(within(t, d, part, "notch"), leg("8"), leg("5"))
			case circuit.Opto:
				nearer(within(t, d, part, "notch"), leg("1"), leg("2"))
				nearer(within(t, d, part, "notch"), leg("4"), leg("3"))
			}
			if sign := part.PinName("1"); len(part.Pins) == 2 && (sign == "+" || sign == "K") && !part.TakesLeads() {
				at := nearest(d, leg("1"), sign).at
				assert.Less(t, distanceOf(at, leg("1")), 3.0, part.Ref)
				nearer(at, leg("1"), leg("2"))
			}
		}
	}
	for _, kind := range []circuit.Kind{circuit.Diode, circuit.NPN, circuit.NMOS, circuit.PMOS, circuit.Timer,
		circuit.OpAmp, circuit.Opto, circuit.Electrolytic, circuit.LED} {
		assert.Positive(t, addUsers[kind], kind)
	}
}

// turnedParts is a board with parts of each package turned each way.
func turnedParts(t *testing.T) *circuit.Board {
	t.Helper()
	b := &circuit.Board{Name: "turned", Width: 160, Height: 160, Nets: []*circuit.Net{{Name: "A", Group: "X"}},
		Groups: []*circuit.Group{{Name: "X"}}}
	for i, name := range []string{"npn", "fet_rail", "rectifier", "comparator", "opto", "electrolytic", "lamp", "cell"} {
		for turn := range 4 {
			kind := design(t).Types[name]
			part := &circuit.Part{Ref: fmt.Sprint(name, turn), Type: kind, Col: 8 + 7*i, Row: 10 + 10*turn, Facing: 90 * turn,
				Pins: map[string]string{}}
			for _, pin := range kind.Kind.Pins("") {
				part.Pins[pin.Number] = "A"
			}
			b.Parts = append(b.Parts, part)
		}
	}
	return b
}

// nearest is the text nearest to a place that is one of some words.
func nearest(d *drawing, to point, words ...string) (best text) {
	for _, t := range d.texts {
		for _, w := range words {
			if t.words == w && (best.words == "" || distanceOf(t.at, to) < distanceOf(best.at, to)) {
				best = t
			}
		}
	}
	return best
}

func TestLegsAreNamedAndSquare(t *testing.T) {
	for _, b := range design(t).Boards {
		p := asDesigned(t, b.Name)
		for _, d := range []*drawing{p.partsSide(), p.solderSide()} {
			square, legs := 0, shapes(t, d, "leg")
			for _, s := range legs {
				if len(s) == 2 {
					square++
				}
			}
			assert.Equal(t, len(b.Parts), square, "%s, %s: one square leg each", b.Name, d.side)
			for _, part := range b.Parts {
				at, found := d.at(d.hole(d.Plan.leg(part.Ref, "1"))), false
				for _, s := range legs {
					found = found || len(s) == 2 && distanceOf(middle(s[0], s[1]), at) < 0.02
				}
				assert.True(t, found, "%s: leg 1 is not square", part.Ref)
			}
		}
		d := p.partsSide()
		for _, part := range b.Parts {
			switch part.Type.Kind {
			case circuit.NPN, circuit.PNP, circuit.NMOS, circuit.PMOS:
				for pin := range part.Pins {
					at := d.at(d.hole(d.Plan.leg(part.Ref, pin)))
					got := nearest(d, at, "B", "C", "E", "G", "D", "S")
					assert.Equal(t, part.PinName(pin), got.words, "%s.%s", part.Ref, pin)
				}
			}
			if part.Stated() != "" && part.Type.Kind != circuit.Terminal {
				at := d.at(d.hole(d.Plan.leg(part.Ref, "1")))
				got := nearest(d, at, part.Stated(), part.Ref+" "+part.Stated())
				assert.Less(t, distanceOf(got.at, at), 22.0, "%s: %s", part.Ref, part.Stated())
			}
		}
	}
}

// What leads carry stands outside the board, over the edge that its terminal is at, in line with its leg.
func TestLeadsAreNamedWhereTheyCome(t *testing.T) {
	for _, b := range design(t).Boards {
		p := asDesigned(t, b.Name)
		for _, d := range []*drawing{p.partsSide(), p.solderSide()} {
			board := d.on(rect{point{}, point{b.Width, b.Height}})
			for _, part := range b.Parts {
				if !part.TakesLeads() {
					continue
				}
				for pin, net := range part.Pins {
					name := net
					if part.Type.Kind != circuit.Terminal {
						name = fmt.Sprintf("%s %s (%s)", part.Ref, part.PinName(pin), strings.ReplaceAll(part.Type.Name, "_", " "))
					}
					at := d.at(d.hole(d.Plan.leg(part.Ref, pin)))
					got := nearest(d, at, name)
					edges := []float64{at.x - board.low.x, at.y - board.low.y, board.high.x - at.x, board.high.y - at.y}
					beyond := []float64{board.low.x - got.at.x, board.low.y - got.at.y, got.at.x - board.high.x,
						got.at.y - board.high.y}
					for i, mm := range edges {
						if mm < maxEdgeGap+5 && mm == min(edges[0], edges[1], edges[2], edges[3]) {
							assert.Greater(t, beyond[i], 3.0, "%s.%s: %s, %s", part.Ref, pin, name, d.side)
						}
					}
					assert.Less(t, min(math.Abs(at.x-got.at.x), math.Abs(at.y-got.at.y)), 0.01, "%s.%s", part.Ref, pin)
				}
			}
		}
	}
}

// The wires are drawn from hole to hole, each insulated one's number near both its ends; the ruler is what it says.
func TestWiresAndRulerAreDrawn(t *testing.T) {
	for _, b := range design(t).Boards {
		p := asDesigned(t, b.Name)
		d := p.solderSide()
		runs, links := shapes(t, d, "run"), shapes(t, d, "link")
		require.Len(t, runs, len(p.Runs))
		require.Len(t, links, len(p.Links))
		same := func(line []point, holes []Hole) {
			t.Helper()
			require.Len(t, line, len(holes))
			for i, h := range holes {
				assert.Less(t, distanceOf(line[i], d.at(p.hole(h))), 0.02)
			}
		}
		for i, r := range p.Runs {
			same(runs[i], r.Corners)
		}
		for i, l := range p.Links {
			same(links[i], []Hole{l.From, l.To})
			ends := links[i]
			for end, at := range ends {
				got := nearest(d, at, fmt.Sprint(i+1)).at
				assert.Less(t, distanceOf(got, at), 10.0, "insulated wire %d", i+1)
				if distanceOf(ends[0], ends[1]) > 25 {
					assert.Less(t, distanceOf(got, at), distanceOf(got, ends[1-end]), "insulated wire %d", i+1)
				}
			}
		}
		ruler, ticks := 0, 0
		for _, s := range shapes(t, d, "edge") {
			switch {
			case len(s) == 2 && s[0].y == s[1].y && s[0].y > d.corner.y+b.Height:
				ruler++
				assert.InDelta(t, 50, s[1].x-s[0].x, 0.01)
			case len(s) == 2 && s[0].x == s[1].x:
				ticks++
				assert.InDelta(t, 0, math.Remainder(s[0].x-sheetWidth/2-5, 10), 0.01)
			}
		}
		assert.Equal(t, 1, ruler)
		assert.Equal(t, 6, ticks)
	}
}

// The dashed line keeps the barrier from each isolated leg's pad, but at the board's edge.
func TestBarriersAreDrawn(t *testing.T) {
	for _, b := range design(t).Boards {
		p := asDesigned(t, b.Name)
		d := p.partsSide()
		drawn := shapes(t, d, "barrier")
		require.Len(t, drawn, len(b.Groups)-1)
		i := 0
		for _, g := range b.Groups[1:] {
			line := rect{drawn[i][0], drawn[i][1]}
			i++
			for _, l := range p.Legs {
				if p.group(l.Net) != g.Name {
					continue
				}
				at := d.at(p.hole(l.At))
				assert.GreaterOrEqual(t, min(at.x-line.low.x, at.y-line.low.y, line.high.y-at.y), padRadius+Barrier-0.02, l.Ref)
			}
		}
	}
}

// The lists say how long wires are, which number they have on the plan, and which holes are too small.
func TestListsInNumbers(t *testing.T) {
	d := design(t)
	b := d.Board("outputs")
	p := asDesigned(t, b.Name)
	link, run := 0, 0
	for _, row := range records(t, Wires([]*Plan{p})) {
		var at []Hole
		for word := range strings.FieldsSeq(row[5]) {
			at = append(at, holeIn(t, word))
		}
		cut, err := strconv.ParseFloat(row[6], 64)
		require.NoError(t, err)
		for i, end := range []Hole{at[0], at[len(at)-1]} {
			if row[3+i] != "the wire there" {
				ref, pin, _ := strings.Cut(row[3+i], ".")
				assert.Equal(t, end, p.leg(ref, pin))
			}
		}
		long := 0.0
		for i := 1; i < len(at); i++ {
			long += distanceOf(p.hole(at[i-1]), p.hole(at[i]))
		}
		if number, is := strings.CutPrefix(row[2], "insulated "); is {
			link++
			n, err := strconv.Atoi(number)
			require.NoError(t, err)
			assert.Equal(t, p.Links[n-1], Link{row[1], at[0], at[1]})
			assert.GreaterOrEqual(t, cut, long+10-0.01)
			assert.Less(t, cut, long+15)
			continue
		}
		run++
		assert.GreaterOrEqual(t, cut, long+2-0.01)
		assert.Less(t, cut, long+3)
	}
	assert.Equal(t, []int{len(p.Links), len(p.Runs)}, []int{link, run})
	notes, rank := map[string]string{}, map[string]int{}
	places := records(t, Places([]*Plan{p}))
	assert.Len(t, places, len(b.Parts))
	for i, row := range places {
		if row[2] == "Q1" {
			assert.Regexp(t, `^1\(C\)=\d+,\d+ 2\(B\)=\d+,\d+ 3\(E\)=\d+,\d+$`, row[5])
		}
		notes[row[2]], rank[row[2]] = row[6], i
	}
	assert.Len(t, notes, len(b.Parts))
	assert.Equal(t, []string{"", "", "widen to 1.1", "widen to 1.3", "widen to 1.5"},
		[]string{notes["R1"], notes["D6"], notes["Q4"], notes["J2"], notes["D2"]})
	assert.Less(t, rank["R1"], rank["C1"], "flat parts first")
	assert.Less(t, rank["C1"], rank["J2"], "what takes leads last")
}

// At most four wires meet at a leg's pad, three insulated ones among them: more cannot be soldered well (common
// practice, no source).
func TestPadsCanBeSoldered(t *testing.T) {
	for _, b := range design(t).Boards {
		p := asDesigned(t, b.Name)
		leg, arms, links := map[Hole]bool{}, map[Hole]int{}, map[Hole]int{}
		for _, l := range p.Legs {
			leg[l.At] = true
		}
		for _, r := range p.Runs {
			for i, h := range r.holes() {
				arms[h] += 2
				if i == 0 || i == r.Steps() {
					arms[h]--
				}
			}
		}
		for _, l := range p.Links {
			links[l.From]++
			links[l.To]++
		}
		for h := range leg {
			assert.LessOrEqual(t, arms[h]+links[h], 4, "%s: %v", b.Name, h)
			assert.LessOrEqual(t, links[h], 3, "%s: %v", b.Name, h)
		}
	}
}

// The distance of two groups, by hand: columns 10 and 15 are 12.7 mm apart, less two pads of 2 mm; 10 and 12 are 5.08.
func TestDistanceOfTwoGroups(t *testing.T) {
	for column, want := range map[int]string{15: "", 12: "3.1 mm from"} {
		p := small(t, "part R1 resistor 1k hole=6,10 : 1=A 2=A",
			fmt.Sprintf("part R2 resistor 1k hole=%d,10 : 1=B 2=B", column))
		assert.Empty(t, checkDistance(p), "one group")
		p.Board.Groups = append(p.Board.Groups, &circuit.Group{Name: "CAM"})
		p.Board.Net("B").Group = "CAM"
		found := strings.Join(checkDistance(p), "\n")
		if want == "" {
			assert.Empty(t, found)
		} else {
			assert.Contains(t, found, want)
		}
	}
}

// The printed board's thick sides say the same as the plan's marks, and each part that has a way round has one.
func TestThePrintSaysWhatThePlanSays(t *testing.T) {
	for _, b := range []*circuit.Board{design(t).Board("first"), turnedParts(t)} {
		p, err := Place(b)
		require.NoError(t, err)
		printed(t, p)
	}
}

func printed(t *testing.T, p *Plan) {
	t.Helper()
	d := p.partsSide()
	_, prints, _ := strings.Cut(p.KiCad(), "(footprint \"stillwater:pillar")
	for _, part := range p.Board.Parts {
		r := d.on(d.body(part))
		sides := []point{middle(r.low, point{r.high.x, r.low.y}), middle(point{r.high.x, r.low.y}, r.high),
			middle(point{r.low.x, r.high.y}, r.high), middle(r.low, point{r.low.x, r.high.y})}
		var mark point
		switch part.Type.Kind {
		case circuit.Diode, circuit.Zener, circuit.TVS, circuit.NPN, circuit.PNP, circuit.Thyristor,
			circuit.NMOS, circuit.PMOS:
			mark = within(t, d, part, "mark")
		case circuit.Comparator, circuit.OpAmp, circuit.Timer, circuit.Opto:
			mark = within(t, d, part, "notch")
		case circuit.LED, circuit.Electrolytic, circuit.Battery:
			if part.TakesLeads() {
				break
			}
			mark = d.at(d.hole(d.Plan.leg(part.Ref, "1")))
		}
		_, print, _ := strings.Cut(prints, fmt.Sprintf("(property \"Reference\" %q", part.Ref))
		print, _, _ = strings.Cut(print, "(footprint ")
		thick := strings.Contains(print, fmt.Sprintf("(width %g)", silkBold))
		if mark == (point{}) {
			assert.False(t, thick, part.Ref)
			continue
		}
		require.True(t, thick, part.Ref)
		for i, side := range sides {
			assert.True(t, i == thickSide(part) || distanceOf(sides[thickSide(part)], mark) < distanceOf(side, mark),
				"%s: side %d", part.Ref, i)
		}
	}
}

// The shortest way from one part to the other is under a pillar: no wire takes it.
func TestWiresKeepOffPillars(t *testing.T) {
	p := small(t, "part R1 resistor 1k hole=4,1,0 : 1=A 2=A", "part R2 resistor 1k hole=1,4,90 : 1=A 2=A",
		"part R3 resistor 1k hole=4,4,0 : 1=B 2=B")
	require.NoError(t, p.Wire())
	assert.Empty(t, p.Check())
}

// The print of a board that is begun has every value, the net of every lead, plus and cathode, none on another or on a
// pad, and the barriers on both sides.
func TestThePrintNamesEverything(t *testing.T) {
	for _, b := range design(t).Boards {
		if b.Name != "first" {
			continue // the quickest one; the others are held to it as they are in KiCad
		}
		p, err := Place(b)
		require.NoError(t, err)
		k := p.start()
		assert.Empty(t, k.lost, b.Name)
		print := k.out.String()
		for _, l := range k.c.labels() {
			assert.Contains(t, print, fmt.Sprintf("(gr_text %q", l.words), "%s: %s", b.Name, l.of)
		}
		for i, one := range k.taken {
			for _, other := range k.taken[:i] {
				pads := i < len(k.c.Legs)
				assert.True(t, pads || !one.touches(other), "%s: print at %v lies on %v", b.Name, one, other)
			}
		}
		assert.Equal(t, len(b.Groups) > 1, strings.Contains(print, "(gr_line "), b.Name)
	}
}
