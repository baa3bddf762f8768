package kicad

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const head = `(kicad_pcb (version 20241229) (layers (0 "F.Cu" signal) (2 "B.Cu" signal)) (net 0 "") (net 1 "/GND")` +
	"\n"

// board is a file with some items in it.
func board(items ...string) string { return head + strings.Join(items, "\n") + "\n)\n" }

func TestReadItems(t *testing.T) {
	b, err := Read("a.kicad_pcb", board(
		`(segment (start 1 2) (end 3 2) (width 0.4) (layer "B.Cu") (net 1))`,
		`(via (at 5 6) (size 0.8) (drill 0.4) (layers "F.Cu" "B.Cu") (net 1))`,
		`(gr_rect (start 0 0) (end 10 20) (stroke (width 0.1) (type solid)) (fill no) (layer "Edge.Cuts"))`,
		`(gr_text "a \"b\"" (at 7 8 90) (layer "B.SilkS"))`,
		`(gr_text "unseen" (at 7 8) (layer "F.Fab"))`,
		`(zone (net 1) (layers "F.Cu" "B.Cu") (fill yes) (polygon (pts (xy 1 1) (xy 9 1) (xy 9 9)))
			(filled_polygon (layer "F.Cu") (pts (xy 1.5 1.5) (xy 8 1.5) (xy 8 8))))`,
		`(zone (net 0) (layers "F.Cu") (keepout (tracks not_allowed) (copperpour not_allowed))
			(polygon (pts (xy 1 1) (xy 9 1) (xy 9 9))))`))
	require.NoError(t, err)
	assert.Equal(t, []Track{{"/GND", Back, Point{1, 2}, Point{3, 2}, 0.4}}, b.Tracks)
	assert.Equal(t, []Via{{"/GND", Point{5, 6}, 0.8, 0.4}}, b.Vias)
	assert.Equal(t, []Text{{`a "b"`, Point{7, 8}, true}}, b.Texts)
	outline := []Point{{1, 1}, {9, 1}, {9, 9}}
	assert.Equal(t, []Zone{{"/GND", Point{1, 1}, outline, []Layer{Front, Back}, []Fill{{Front,
		[]Point{{1.5, 1.5}, {8, 1.5}, {8, 8}}}}}}, b.Zones)
	assert.Equal(t, [][]Point{outline}, b.Bare)
	require.Len(t, b.Outline, 4)
	assert.Equal(t, Line{From: Point{10, 0}, To: Point{10, 20}, Wide: 0.1}, b.Outline[1])
}

// A footprint turned by 90 degrees, anticlockwise as one looks at it, has what was to its right above it.
func TestReadTurnedPart(t *testing.T) {
	b, err := Read("a.kicad_pcb", board(`(footprint "lib:r" (layer "F.Cu") (at 100 50 90)
		(property "Reference" "R1" (at 3 0 0) (layer "F.SilkS"))
		(property "Value" "1k" (at 0 0 0) (layer "F.Fab"))
		(fp_text user "${VALUE}" (at 0 1 0) (layer "F.SilkS"))
		(fp_line (start 2 0) (end 2 1) (stroke (width 0.3) (type solid)) (layer "F.SilkS"))
		(pad "1" thru_hole roundrect (at 5 0 90) (size 2 1) (drill 0.8) (layers "*.Cu" "*.Mask") (net 1 "/GND"))
		(pad "" np_thru_hole circle (at 0 0) (size 3.2 3.2) (drill 3.2) (layers "*.Cu" "*.Mask")))`))
	require.NoError(t, err)
	require.Len(t, b.Parts, 1)
	p := b.Parts[0]
	assert.Equal(t, []string{"R1", "1k", "lib:r"}, []string{p.Ref, p.Value, p.Footprint})
	near := func(want, got Point) { t.Helper(); assert.Less(t, math.Hypot(want.X-got.X, want.Y-got.Y), 1e-9, got) }
	require.Len(t, p.Pads, 2)
	near(Point{100, 45}, p.Pads[0].At)
	assert.Equal(t, []any{"1", "/GND", Rectangle, 2.0, 1.0, 90.0, 0.8, true},
		[]any{p.Pads[0].Number, p.Pads[0].Net, p.Pads[0].Shape, p.Pads[0].Wide, p.Pads[0].High, p.Pads[0].Turn,
			p.Pads[0].Drill, p.Pads[0].Plated})
	assert.False(t, p.Pads[1].Plated)
	require.Len(t, p.Texts, 2)
	near(Point{100, 47}, p.Texts[0].At)
	near(Point{101, 50}, p.Texts[1].At)
	assert.Equal(t, "1k", p.Texts[1].Words)
	require.Len(t, p.Print, 1)
	near(Point{101, 48}, p.Print[0].To)
}

// An arc is chords that stay within a hundredth of a millimetre of it: here three quarters of a circle of 10 mm.
func TestReadArc(t *testing.T) {
	b, err := Read("a.kicad_pcb",
		board(`(arc (start 10 0) (mid -7.0710678 7.0710678) (end 0 -10) (width 1) (layer "F.Cu") (net 1))`))
	require.NoError(t, err)
	long := 0.0
	for i, track := range b.Tracks {
		if i > 0 {
			assert.Equal(t, b.Tracks[i-1].To, track.From)
		}
		long += math.Hypot(track.To.X-track.From.X, track.To.Y-track.From.Y)
		middle := math.Hypot((track.From.X+track.To.X)/2, (track.From.Y+track.To.Y)/2)
		assert.InDelta(t, 10-arcError/2, middle, arcError/2+1e-6)
	}
	assert.InDelta(t, 1.5*math.Pi*10, long, 0.1)
}

// An error names the file, the line and the item, and says what to do.
func TestReadErrors(t *testing.T) {
	part := func(item string) string {
		return board(`(footprint "lib:r" (layer "F.Cu") (at 100 50)` + "\n" +
			`(property "Reference" "R1" (at 0 0) (layer "F.Fab"))` +
			"\n" + item + `)`)
	}
	for name, c := range map[string]struct{ text, want string }{
		"empty":        {"", "line 1: no list in parentheses: this is not a file of KiCad's"},
		"cut off":      {head, "line 1: a parenthesis is opened and never closed: the file is not whole"},
		"open quotes":  {head + `(net 2 "/A`, "line 2: quotes are opened and never closed"},
		"one too many": {board() + ")", "closing parenthesis too many"},
		"two boards":   {board() + board(), "line 4: there is more after the end of the board"},
		"deep":         {strings.Repeat("(", 99), "lists in lists, deeper than 40"},
		"a schematic":  {`(kicad_sch (version 20241229))`, "this is not a printed board"},
		"another version": {`(kicad_pcb (version 20221018))`,
			`version "20221018" of the file format, only 20241229 is known: save the board in KiCad 9`},
		"four layers": {strings.Replace(board(), `(2 "B.Cu" signal)`, `(4 "In1.Cu" signal) (2 "B.Cu" signal)`, 1),
			`is on layer "In1.Cu"; copper is on F.Cu and B.Cu only`},
		"one layer": {strings.Replace(board(), `(2 "B.Cu" signal)`, ``, 1), "1 layers of copper"},
		"no place": {board(`(via (size 1) (drill 1) (net 1))`),
			"line 2: (via ...) has no place (at X Y): open and save the board in KiCad"},
		"no number": {board(`(segment (start x 1) (end 1 1) (width 1) (layer "F.Cu") (net 1))`),
			"line 2: (segment ...) has no place"},
		"not a number": {board(`(via (at NaN 1) (size 1) (drill 1) (net 1))`), "no place"},
		"no width": {board(`(segment (start 1 1) (end 2 1) (width 0) (layer "F.Cu") (net 1))`),
			"has no (width MM) above 0"},
		"unknown net": {board(`(via (at 1 1) (size 1) (drill 1) (net 9))`), "has net 9, which the file does not name"},
		"a blind via": {board(`(via blind (at 1 1) (size 1) (drill 1) (net 1))`), "a via at 1.00, 1.00 mm is blind"},
		"drawn copper": {board(`(gr_line (start 1 1) (end 2 2) (stroke (width 1)) (layer "F.Cu"))`),
			"is a drawing of copper"},
		"copper text": {board(`(gr_text "a" (at 1 1) (layer "B.Cu"))`),
			`the text "a" is copper: put it on F.SilkS or B.SilkS`},
		"other copper": {board(`(image (at 1 1) (layer "F.Cu"))`), "(image ...) is copper that the checks do not know"},
		"an SMD pad": {part(`(pad "1" smd rect (at 0 0) (size 1 1) (layers "F.Cu"))`),
			"part R1 at 100.00, 50.00 mm: line 4: pad 1 is of kind smd"},
		"an oval hole": {part(`(pad "1" thru_hole oval (at 0 0) (size 2 1) (drill oval 1 0.5) (layers "*.Cu"))`),
			"pad 1 needs a round hole"},
		"a strange pad": {part(`(pad "1" thru_hole custom (at 0 0) (size 2 1) (drill 1) (layers "*.Cu"))`),
			"make it a circle, an oval or a rectangle"},
		"a piece of edge": {part(`(fp_line (start 0 0) (end 1 1) (stroke (width 1)) (layer "Edge.Cuts"))`),
			"a piece of the board's outline: draw that on the board"},
		"no outline of a zone": {board(`(zone (net 1) (layers "F.Cu"))`), "a zone of /GND has no outline"},
	} {
		t.Run(strings.ReplaceAll(name, " ", "-"), func(t *testing.T) {
			_, err := Read("a.kicad_pcb", c.text)
			require.ErrorContains(t, err, c.want)
			assert.True(t, strings.HasPrefix(err.Error(), "a.kicad_pcb: "), err)
		})
	}
}

// written is a list as a text that is read as the same.
func (n *node) written(out *strings.Builder) {
	if n.list == nil {
		out.WriteString(`"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\n", `\n`, "\t", `\t`).Replace(n.word) + `" `)
		return
	}
	out.WriteString("(")
	for _, o := range n.list {
		o.written(out)
	}
	out.WriteString(")\n")
}

// What is read can be written and is read as the same board; its numbers are numbers, and its copper is on two layers.
func FuzzRead(f *testing.F) {
	f.Add(board(`(segment (start 1 2) (end 3 2) (width 0.4) (layer "B.Cu") (net 1))`,
		`(arc (start 10 0) (mid 7 7) (end 0 10) (width 1) (layer "F.Cu") (net 1))`,
		`(zone (net 1) (layers "F.Cu") (polygon (pts (xy 1 1) (xy 9 1)))
			(filled_polygon (layer "F.Cu") (pts (xy 1 1) (xy 8 1) (xy 8 8))))`,
		`(footprint "lib:r" (layer "B.Cu") (at 100 50 30) (property "Reference" "R1\n" (at 3 0 0) (layer "F.SilkS"))
			(pad "1" thru_hole oval (at 5 0 90) (size 2 1) (drill 0.8) (net 1 "/GND")))`))
	f.Fuzz(func(t *testing.T, text string) {
		b, err := Read("a.kicad_pcb", text)
		if err != nil {
			assert.True(t, strings.HasPrefix(err.Error(), "a.kicad_pcb: "), err)
			return
		}
		for _, track := range b.Tracks {
			for _, x := range []float64{track.From.X, track.From.Y, track.To.X, track.To.Y, track.Wide} {
				assert.False(t, math.IsNaN(x) || math.IsInf(x, 0), track)
			}
			assert.Contains(t, []Layer{Front, Back}, track.Layer)
		}
		root, err := parse(text)
		require.NoError(t, err)
		var out strings.Builder
		root.written(&out)
		again, err := Read("a.kicad_pcb", out.String())
		require.NoError(t, err, out.String())
		assert.Equal(t, b, again)
	})
}
