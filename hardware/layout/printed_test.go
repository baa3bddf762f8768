package layout

import (
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/hardware/circuit"
)

// items are a board file's, as KiCad writes them: one begins with each line that is indented once.
func items(text string) []string {
	list := strings.Split(text, "\n\t(")
	for i := range list[1:] {
		list[i+1] = "\n\t(" + list[i+1]
	}
	return list
}

// edited changes the first item of a board that has some words.
func edited(t *testing.T, text string, change func(item string) string, words ...string) string {
	t.Helper()
	list := items(text)
	for i, item := range list {
		has := true
		for _, w := range words {
			has = has && strings.Contains(item, w)
		}
		if has {
			list[i] = change(item)
			require.NotEqual(t, item, list[i], "nothing changed")
			return strings.Join(list, "")
		}
	}
	t.Fatalf("no item with %q", words)
	return ""
}

func gone(string) string { return "" }

// to replaces something in an item once.
func to(old, new string) func(string) string {
	return func(item string) string { return strings.Replace(item, old, new, 1) }
}

// by replaces what a pattern finds in an item once.
func by(pattern, new string) func(string) string {
	re := regexp.MustCompile(pattern)
	return func(item string) string {
		found := re.FindStringSubmatchIndex(item)
		if found == nil {
			return item
		}
		return item[:found[0]] + string(re.ExpandString(nil, new, item, found)) + item[found[1]:]
	}
}

// more adds an item to a board.
func more(text, item string) string { return strings.TrimSuffix(text, ")\n") + item + ")\n" }

// slip is something that somebody could do to a board in KiCad: what finds it, and with which words; other rules may
// find it too.
type slip struct {
	rule, want string
	make       func(t *testing.T, text string) string
}

// on changes one item.
func on(change func(string) string, words ...string) func(*testing.T, string) string {
	return func(t *testing.T, text string) string { return edited(t, text, change, words...) }
}

// adding adds an item.
func adding(item string) func(*testing.T, string) string {
	return func(_ *testing.T, text string) string { return more(text, item) }
}

const (
	place  = `-?\d+\.\d\d, -?\d+\.\d\d mm`
	ref904 = `"Reference" "R904"`
	gnd    = `(net 1) (uuid "00000000-0000-4000-8000-000000000001"))` + "\n"
)

func slips() map[string]slip {
	segment := "\t(segment\n"
	return map[string]slip{
		"a part missing": {"parts", `part R904 \(4.7k\) is missing`, on(gone, ref904)},
		"a value changed": {"parts", `part R904 at 58.57, 63.97 mm has the value "47k", in circuits.txt it is "4.7k"`,
			on(to(`"Value" "4.7k"`, `"Value" "47k"`), ref904)},
		"another footprint": {"parts", `part R904 at 58.57, 63.97 mm has the footprint "stillwater:fuse5"`,
			on(to("stillwater:resistor", "stillwater:fuse5"), ref904)},
		"a part added": {"parts", `part R999 at 58.57, 63.97 mm is not in circuits.txt`,
			on(to(ref904, `"Reference" "R999"`), ref904)},
		"a part twice": {"parts", `part R904 is there twice, at 58.57, 63.97 mm and at ` + place, on(to(`"R901"`,
			`"R904"`), `"Reference" "R901"`)},
		"a part on the other side": {"parts", `part R904 at 58.57, 63.97 mm stands on the solder side`,
			on(to(`(layer "F.Cu")`, `(layer "B.Cu")`), ref904)},
		"a pad on the wrong net": {"pads", `pad R904.1 at ` + place + ` is on net "KILL", in circuits.txt on "[A-Z0-9_]+"`,
			on(by(`(\(pad "1"[^$]*?)\(net \d+ "[^"]*"\)`, `$1(net 7 "/KILL")`), ref904)},
		"a pad of another number": {"pads", `pad R904.3 at ` + place + ` is not a pin`, on(to(`(pad "2"`, `(pad "3"`),
			ref904)},
		"a moved hole": {"pads", `pad Q903.2 at ` + place + ` is 0.\d\d mm from where its leg is, ` + place,
			func(t *testing.T, text string) string {
				return edited(t, text, by(`(\(pad "2" thru_hole circle\s+\(at )(-?[\d.]+)`, "${1}0.7"), `"Reference" "Q903"`)
			}},
		"a hole too small": {"pads", `pad R904.1 at ` + place + ` has a hole of 0.5 mm: its leg needs 0.8`,
			on(by(`\(drill [\d.]+\)`, "(drill 0.5)"), ref904)},
		"a track of no net": {"nets", `the track at 60.00, 60.00 mm is of net "GONE", which circuits.txt does not have`,
			func(_ *testing.T, text string) string {
				return more(strings.Replace(text, "\t(net 1 ", "\t(net 99 \"/GONE\")\n\t(net 1 ", 1),
					`(segment (start 60 60) (end 60 60) (width 0.4) (layer "F.Cu") (net 99))`)
			}},
		"a board too short": {"outline", `the board is \d+.00 x 58.00 mm, in circuits.txt 100 x 60`,
			on(by(`\(end ([\d.]+) 80\)`, `(end $1 78)`), "(gr_rect", "Edge.Cuts")},
		"an edge that is open": {"outline", `the board's edge is not closed at 20.00, 20.00 mm`,
			func(t *testing.T, text string) string {
				return edited(t, text, func(string) string {
					return "\n\t" + `(gr_line (start 20 20) (end 120 80) (stroke (width 0.1) (type solid)) (layer "Edge.Cuts"))`
				}, "(gr_rect", "Edge.Cuts")
			}},
		"a track at the edge": {"outline", `the track of GND at 65.00, 20.30 mm on F.Cu is 0.05 mm from the board's edge`,
			adding(`(segment (start 60 20.3) (end 70 20.3) (width 0.5) (layer "F.Cu") ` + gnd)},
		"a pillar's hole moved": {"pillars", `no hole of 3.2 mm for the pillar at 25.00, 25.00 mm`, on(to("(at 25 25)",
			"(at 26 25)"), `"H1"`)},
		"a track under a pillar": {"pillars",
			`the track of GND at 25.00, 27.50 mm on F.Cu is 2.25 mm from the middle of the bare hole at 25.00, 25.00 mm`,
			adding(`(segment (start 24 27.5) (end 26 27.5) (width 0.5) (layer "F.Cu") ` + gnd)},
		"vias side by side": {"holes",
			`the holes of the via of GND at 60.00, 22.00 mm and the via of GND at 60.50, 22.00 mm are 0.10 mm apart|` +
				`the holes of the via of GND at 60.50, 22.00 mm and the via of GND at 60.00, 22.00 mm are 0.10 mm apart`,
			adding(`(via (at 60 22) (size 0.8) (drill 0.4) (layers "F.Cu" "B.Cu") ` + gnd +
				`(via (at 60.5 22) (size 0.8) (drill 0.4) (layers "F.Cu" "B.Cu") ` + gnd)},
		"a via without a ring": {"holes", `the via of GND at 60.00, 22.00 mm has a ring of 0.10 mm around a hole of 0.6`,
			adding(`(via (at 60 22) (size 0.8) (drill 0.6) (layers "F.Cu" "B.Cu") ` + gnd)},
		"a thin track": {"width", `the track of [A-Z0-9_]+ at ` + place + ` on .\.Cu is 0.1 mm wide: 0.4 mm at least`,
			on(by(`\(width [\d.]+\)`, "(width 0.1)"), segment)},
		"a track too near": {"distance",
			`the track of KILL at 60.00, 22.00 mm on F.Cu \(KILL\) is 0.00 mm from the zone of GND on F.Cu`,
			adding(`(segment (start 59 22) (end 61 22) (width 0.4) (layer "F.Cu") (net 7))`)},
		"a track too near across the barrier": {"barrier",
			`(the track of KILL at 100.00, 46.00 mm on B.Cu \(KILL\)|\(FL1_[A-Z]+\)) is [0-5].\d\d mm from ` +
				`(the track of KILL at 100.00, 46.00 mm on B.Cu|(pad|the track) [^(]*\(FL1_[A-Z]+)\b.*, 6 mm at least`,
			adding(`(segment (start 99 46) (end 101 46) (width 0.4) (layer "B.Cu") (net 7))`)},
		"a cut track": {"joints", `net FLASH1_A: no copper from pad [A-Z0-9]+\.\d at ` + place +
			` to pad [A-Z0-9]+\.\d at ` + place,
			on(gone, segment, "(net 14)")},
		"a track to nowhere": {"joints", `the track of KILL at 70.00, 22.00 mm on F.Cu is joined to no pad of KILL`,
			adding(`(segment (start 69 22) (end 71 22) (width 0.4) (layer "F.Cu") (net 7))`)},
		"a zone that is not filled": {"ground", `the zone of GND at ` + place +
			` is not filled: open the board in KiCad, press B`,
			on(func(item string) string {
				return item[:strings.Index(item, "\n\t\t(filled_polygon")] + "\n\t)"
			}, "(filled_polygon")},
		"a piece of a zone lost": {"fill", `the zone of GND on F.Cu lacks \d+\.\d mm2 of its copper, at ` + place,
			on(by(`(?s)(\(filled_polygon\s+\(layer "F.Cu"\)\s+\(pts\s+(?:\(xy [^)]*\)\s*){40})((?:\(xy [^)]*\)\s*){200})`, "$1"),
				"(filled_polygon")},
		"no zone at all": {"ground", `GND has \d+\.\d mohm from [A-Z0-9]+\.\d to [A-Z0-9]+\.\d, 8 at most`, on(gone,
			"(filled_polygon")},
		"a name gone": {"print", `lead J902.1 at ` + place + `: no "FL1_HOT" is printed within 12 mm`, on(gone,
			`(gr_text "FL1_HOT"`)},
		"another value printed": {"print", `the value of R90[45] at ` + place + `: no "4.7k" is printed`,
			on(to(`"4.7k"`, `"47k"`), `(gr_text "4.7k"`)},
		"a name at another lead": {"print", `lead J902.1 at ` + place + `: no "FL1_HOT"`, on(by(`\(at [^)]*\)`,
			"(at 30 60)"), `(gr_text "FL1_HOT"`)},
		"a name that names nothing": {"print", `"FL1_HOT" is printed at 60.00, 78.00 mm and names nothing there`,
			adding(`(gr_text "FL1_HOT" (at 60 78) (layer "F.SilkS"))`)},
		"a hidden reference": {"print", `part R904 at 58.57, 63.97 mm: no "R904" is printed`,
			on(to(`(layer "F.SilkS")`, `(layer "F.SilkS") (hide yes)`), ref904)},
		"a cathode's mark elsewhere": {"print", `pad D90\d.1 at ` + place + `: no "K" is printed`,
			on(by(`\(at [^)]*\)`, "(at 60 78)"), `(gr_text "K"`)},
		"no dashes around a contact": {"barrier print",
			`the barrier around FLASH1 is not printed on F.SilkS along \d+\.\d mm at ` + place + `: draw a dashed line there`,
			func(t *testing.T, text string) string {
				for strings.Contains(text, "(gr_line") {
					text = edited(t, text, gone, "(gr_line")
				}
				return text
			}},
		"a barrier of another contact": {"barrier print",
			`the barrier around FLASH1 is not printed on B.SilkS along \d+\.\d mm at ` + place,
			on(by(`\(end [^)]*\)`, "(end 60 60)"), "(gr_rect", `"B.SilkS"`)},
		"a barrier without its name": {"barrier print",
			`no "FLASH1: 6 mm to all else" is printed on B.SilkS: write it at ` + place,
			on(to("6 mm to all", "6 mm to"), `(gr_text "FLASH1: `)},
		"no thick side": {"polarity", `part [A-Z0-9]+ at ` + place +
			`: a line 0.3 mm thick stands at its (notch|plus|cathode|flat face|tab)`,
			on(to("(width 0.3)", "(width 0.12)"), "(footprint", "(width 0.3)")},
		"a thick side more": {"polarity", `part R904 at 58.57, 63.97 mm has a thick side and no way round`,
			on(to("(width 0.12)", "(width 0.3)"), ref904)},
	}
}

// Whatever somebody does to a board is found by its rule and named with its place in millimetres, as KiCad shows it.
func TestSlipsOnABoardAreFound(t *testing.T) {
	t.Parallel()
	text := boardText(t, "first")
	good, err := ReadPrinted(design(t).Board("first"), "first.kicad_pcb", text)
	require.NoError(t, err)
	require.Empty(t, good.Check())
	seeded := map[string]bool{}
	for name, s := range slips() {
		seeded[s.rule] = true
		t.Run(strings.ReplaceAll(name, " ", "-"), func(t *testing.T) {
			spoiled := s.make(t, text)
			p, err := ReadPrinted(design(t).Board("first"), "first.kicad_pcb", spoiled)
			require.NoError(t, err)
			if s.rule != "ground" {
				p.conducts = good.conducts // its ground is another matter, and takes most of the time
			}
			var said []string
			for _, f := range p.Check() {
				if f.Rule == s.rule {
					said = append(said, f.What)
				}
			}
			require.NotEmpty(t, said, "not found")
			assert.Regexp(t, s.want, strings.Join(said, "\n"))
			for _, what := range said {
				assert.Less(t, len(what), 330, what)
			}
		})
	}
	for _, r := range printedRules {
		assert.True(t, seeded[r.name], "no slip for rule %s", r.name)
	}
}

// A transistor put in back to front has its nets and its flat face wrong.
func TestAPartTurnedRoundIsFound(t *testing.T) {
	board := design(t).Board("first")
	require.Equal(t, circuit.NPN, board.Part("Q903").Type.Kind)
	spoiled := edited(t, boardText(t, "first"), func(item string) string {
		return strings.NewReplacer(`(pad "1"`, `(pad "3"`, `(pad "3"`, `(pad "1"`).Replace(item)
	}, `"Reference" "Q903"`)
	p, err := ReadPrinted(board, "first.kicad_pcb", spoiled)
	require.NoError(t, err)
	nets, flat := p.checkPads(), p.checkPolarity()
	require.Len(t, nets, 2)
	assert.Regexp(t, `^pad Q903.[13] at .* mm is on net`, nets[0])
	require.Len(t, flat, 1)
	assert.Contains(t, flat[0], "a line 0.3 mm thick stands at its flat face")
}

// A part may be turned and moved: its pads, print and way round go with it.
func TestAPartMayBeTurned(t *testing.T) {
	p, err := Place(design(t).Board("first"))
	require.NoError(t, err)
	for _, b := range append(design(t).Boards[:0:0], p.Board, turnedParts(t)) {
		plan, err := Place(b)
		require.NoError(t, err)
		board := begun(t, plan)
		for _, rule := range []func(*Printed) []string{(*Printed).checkParts, (*Printed).checkPads,
			(*Printed).checkPolarity} {
			assert.Empty(t, rule(board), b.Name)
		}
	}
}

// A ground track of the outputs board carries what comes back from both supplies: one that is as thin as one supply's
// current allows is found.
func TestAThinGroundTrackIsFound(t *testing.T) {
	text := boardText(t, "outputs")
	thin := edited(t, text, by(`\(width [\d.]+\)`, "(width 0.6)"), "(segment", "(net 1)")
	p, err := ReadPrinted(design(t).Board("outputs"), "outputs.kicad_pcb", thin)
	require.NoError(t, err)
	found := p.checkWidth()
	require.Len(t, found, 1)
	assert.Regexp(t, `the track of GND at [\d., ]+ mm on .\.Cu is 0.6 mm wide and carries 1.9 A`, found[0])
}
