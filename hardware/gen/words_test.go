package main

import (
	"encoding/csv"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/hardware/circuit"
	"stillwater/hardware/head"
)

// rowOf is a simulated value.
func rowOf(t *testing.T, deck, measure string) circuit.Row {
	t.Helper()
	all := rows(t)
	i := slices.IndexFunc(all, func(r circuit.Row) bool { return r.Deck == deck && r.Measure == measure })
	require.GreaterOrEqual(t, i, 0, "%s %s", deck, measure)
	return all[i]
}

// submatch is what a page says where a pattern has its groups, line ends being blanks.
func submatch(t *testing.T, page, pattern string) []string {
	t.Helper()
	m := regexp.MustCompile(pattern).FindStringSubmatch(strings.Join(strings.Fields(page), " "))
	require.NotNil(t, m, pattern)
	return m[1:]
}

func number(t *testing.T, text string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(text, 64)
	require.NoError(t, err)
	return x
}

// The first build is simulated with the light that its guide states: that of usual parts behind their tape, and the
// least and most that one may set, as the voltage across R904; its limits are for the same light.
func TestFirstBuildsLightIsTheGuides(t *testing.T) {
	lit := map[string]float64{} // mA
	for _, m := range regexp.MustCompile(`(?m)^\*vary (\w+) LIT=(\S+)$`).FindAllStringSubmatch(
		read(t, "sim", "first_beam.cir"), -1) {
		lit[m[1]] = number(t, m[2])
	}
	assert.InDelta(t, head.First().Light(head.TapeSlit)[1], lit["usual"], 0.005, "usual parts, as in the guide's table")
	ohms, err := circuit.Quantity(design(t).Board("first").Part("R904").Value)
	require.NoError(t, err)
	said := submatch(t, read(t, "FIRST.md"), `a tip on each of its legs: (\S+) to (\S+) V\.`)
	for i, name := range []string{"weak", "strong"} {
		assert.InDelta(t, lit[name]*1e-3*ohms, number(t, said[i]), 0.051, name)
	}
	for name, mA := range lit {
		limit := rowOf(t, "first_beam", "set_card_"+name).Limit
		assert.InDelta(t, 0.3*mA*1e-3*ohms, limit.Low, 0.001, name)
		assert.InDelta(t, 0.7*mA*1e-3*ohms, limit.High, 0.006, name)
	}
}

// Words that state a simulated value state the one that is in the table.
func TestWordsAgreeWithTheDecks(t *testing.T) {
	emitters := design(t).Board("modulated").Section("emitters").Title
	kilohertz := number(t, submatch(t, emitters, `about (\d+) kHz`)[0])
	assert.InDelta(t, 10/rowOf(t, "modulated", "ten_periods").Typical/1e3, kilohertz, 0.5)
	delay := rowOf(t, "piezo", "delay")
	for i, said := range submatch(t, read(t, "README.md"), `In all, from contact, (\S+) to (\S+) ms`) {
		assert.Equal(t, fmt.Sprintf("%.2f", 1e3*[]float64{delay.Least, delay.Most}[i]), said)
	}
	typical := submatch(t, read(t, "README.md"), "`delay = \"(\\d+) us\"`")[0]
	assert.InDelta(t, delay.Typical*1e6, number(t, typical), 5)
}

// The range that the guide states is worked out of the emitter's simulated current, and so is the light; where a
// builder chooses the distance the guide says what is not promised there.
func TestModulatedRangeIsWorkedOut(t *testing.T) {
	guide := read(t, "README.md")
	current := rowOf(t, "modulated", "i_peak")
	bare, err := bareRange(rows(t))
	require.NoError(t, err)
	slit := head.Usual()
	said := submatch(t, guide, `without slits is (\d+) to (\d+) cm .* through slits of (\d+) mm it is at most (\d+) cm`)
	assert.InDelta(t, bare/10, number(t, said[1]), 0.5)
	slit.Slit = number(t, said[2])
	assert.InDelta(t, slit.Range(bare)/10, number(t, said[3]), 0.5)
	parts := submatch(t, guide, `makes (\d+) to (\d+) mW/sr at (\d+) mA, and a photodiode of 7 mm2 gives (\d+) uA`)
	assert.InDelta(t, weakEmitter, number(t, parts[0]), 1e-9)
	assert.InDelta(t, ratedCurrent*1e3, number(t, parts[2]), 1e-9)
	assert.InDelta(t, photodiode*1e6, number(t, parts[3]), 1e-9)
	gets := submatch(t, guide, `the emitter gets (\d+) to (\d+) mA \(simulated\)\. That is (\d+) to (\d+) uA `+
		`at (\d+) cm, and (\d+) uA, `+
		`the least light of the table, at (\d+) cm with the weakest and at (\d+) cm with the strongest`)
	for i, amps := range []float64{current.Least, current.Most} {
		assert.InDelta(t, amps*1e3, number(t, gets[i]), 0.5)
		lit := number(t, parts[i]) * amps / ratedCurrent * photodiode // at 1 cm
		assert.InDelta(t, 1e6*lit/math.Pow(number(t, gets[4]), 2), number(t, gets[2+i]), 0.6)
		assert.InDelta(t, math.Sqrt(lit/minLight), number(t, gets[6+i]), 0.5)
	}
	assert.Equal(t, fmt.Sprint(minLight*1e6), gets[5])
	assert.Equal(t, said[0], gets[4], "as near as the decks' light goes")
	step := submatch(t, guide, `10\. The modulated board, .*? (\d+) cm apart from slit to slit with slits of (\d+) mm, `+
		`(\d+) cm from lens`)
	assert.Equal(t, []string{said[3], said[2], said[1]}, step)
	reported := regexp.MustCompile(`15 %\s+of\s+(?:it|the\s+light)\s+is\s+not\s+promised`)
	assert.Len(t, reported.FindAllString(guide, -1), 2)
}

// The safety figures of both guides' free text are those of the decks: what a flash contact bears, sinks and lets go
// at, and how soon everything is released.
func TestSafetyFiguresAreTheDecks(t *testing.T) {
	deck := read(t, "sim", "flash_limit.cir")
	volts := number(t, regexp.MustCompile(`(?m)^Va a 0 (\S+)$`).FindStringSubmatch(deck)[1])
	ohms, err := circuit.Quantity(regexp.MustCompile(`(?m)^Ra a fl1_hot (\S+)$`).FindStringSubmatch(deck)[1])
	require.NoError(t, err)
	second := read(t, "sim", "flash_second.cir")
	assert.Regexp(t, fmt.Sprintf(`(?m)^Va a fl2_com %g$`, volts), second)
	contact := fmt.Sprintf("%g", 1e3*volts/ohms)
	assert.InDelta(t, design(t).Board("outputs").Group("FLASH1").Limit, volts, 1e-9)
	for name, least := range map[string][2]int{"README.md": {3, 3}, "FIRST.md": {2, 4}} {
		guide := strings.Join(strings.Fields(read(t, name)), " ")
		bears := regexp.MustCompile(`([\d.]+) mA or less`).FindAllStringSubmatch(guide, -1)
		assert.GreaterOrEqual(t, len(bears), least[0], name)
		for _, m := range bears {
			assert.Equal(t, contact, m[1], "%s: %s", name, m[0])
		}
		shows := regexp.MustCompile(`(?i)more than ([\d.]+) V\b|([\d.]+) V or less`).FindAllStringSubmatch(guide, -1)
		assert.GreaterOrEqual(t, len(shows), least[1], name)
		for _, m := range shows {
			if m[0] != "more than 200 V" && m[0] != "more than 15.4 V" { // old units; the cut-off
				assert.Equal(t, fmt.Sprint(volts), m[1]+m[2], "%s: %s", name, m[0])
			}
		}
		released := regexp.MustCompile(`(?:within|in) (?:about )?0\.(\d+) s\b|within (\d+) ms\b`).
			FindAllStringSubmatch(guide, -1)
		assert.NotEmpty(t, released, name)
		for _, m := range released {
			assert.Contains(t, []string{"2", "200"}, m[1]+m[2], "%s: %s", name, m[0])
		}
	}
	for _, deck := range []string{"guard_high", "guard_low"} {
		for _, measure := range []string{"off_valve", "off_contact", "off_v5"} {
			assert.InDelta(t, 0.2, rowOf(t, deck, measure).Limit.High, 1e-9, "%s %s", deck, measure)
		}
	}
	guide := read(t, "README.md")
	sinks := submatch(t, guide, `An aged one sinks (\S+) mA at 1 V, simulated`)[0]
	assert.Equal(t, fmt.Sprintf("%.1f", 1e3*rowOf(t, "flash_limit", "sinks").Least), sinks)
	assert.Equal(t, contact, submatch(t, guide, `it lets go at (\S+) mA at every corner`)[0])
	limited := submatch(t, guide, `limited to about (\S+) A by (\d+) ohm`)
	assert.InDelta(t, rowOf(t, "flash_second", "peak").Typical, number(t, limited[0]), 0.1)
	assert.Equal(t, design(t).Board("outputs").Part("R322").Value, limited[1])
}

// Nothing passes for a limit that a value has not: only these two are reported and promised by nobody.
func TestWhatIsReportedOnly(t *testing.T) {
	var reported []string
	for _, r := range rows(t) {
		if math.IsInf(r.Low, -1) && math.IsInf(r.High, 1) {
			reported = append(reported, r.Deck+" "+r.Measure)
		}
	}
	assert.Equal(t, []string{"modulated_range seen15_5", "piezo disc_drop"}, reported)
	assert.Contains(t, read(t, "README.md"), "| 5 uA | seen at the typical corner, not at every one |")
}

// What the first build's guide asks for beside its parts is on the shopping list, and the boards have the holes that
// the layouts use.
func TestFirstBuildsShopping(t *testing.T) {
	b, guide := design(t).Board("first"), strings.Join(strings.Fields(read(t, "FIRST.md")), " ")
	var bought []string
	for _, e := range b.Extras {
		bought = append(bought, fmt.Sprint(e.Count, " ", e.What))
	}
	list := strings.Join(bought, "\n")
	for _, s := range b.Strips {
		holes := fmt.Sprintf("strip board of at least %d by %d holes", s.Cols, s.Rows)
		sold := fmt.Sprintf("strip board, %d x %d holes", s.Cols, s.Rows)
		if s.Kind == circuit.Solderless {
			holes = fmt.Sprintf("solderless board with %d columns (400 holes)", s.Cols)
			sold = fmt.Sprintf("solderless board, %d columns (400 holes)", s.Cols)
		}
		assert.Contains(t, guide, holes)
		assert.Contains(t, list, sold)
	}
	for ask, item := range map[string]string{
		"jumper wire, solid, 0.6 mm":      "1 wire, solid, 0.6 mm",
		"black insulating tape":           "1 black insulating tape",
		"six leads from the controller's": fmt.Sprint(len(b.Part("J901").Pins), " lead from the controller's header"),
		"sync lead for the flash unit":    "1 sync lead",
		"stranded, so join each of their": "2 lead to a head of the beam, two cores, stranded",
		"way of the terminal strip":       "1 insulated terminal strip, 12 ways",
		"The switch has screws for solid": "leads to the kill switch",
		"a plastic box":                   "1 plastic enclosure",
	} {
		assert.Contains(t, guide, ask)
		assert.Contains(t, list, item)
	}
	assert.Contains(t, list, "1 6-way 2.54 mm plug for J901")
	require.Equal(t, []string{"22k", "1k"}, []string{b.Part("R901").Value, b.Part("R902").Value})
	assert.Contains(t, guide, fmt.Sprintf("second contact carries %.2f mA", 3.3/(22+1)))
	only := regexp.MustCompile(`\| (\w+) \|[^|]*\|[^|]*; for hole board and printed board only \|`).
		FindAllStringSubmatch(guide, -1)
	require.Len(t, only, 2)
	assert.Equal(t, []string{"J901", "J902"}, []string{only[0][1], only[1][1]})
}

// Each board that is wired by hand has as much wire on its shopping list as its list of wires cuts off.
func TestThereIsWireForEachBoard(t *testing.T) {
	lists := csv.NewReader(strings.NewReader(read(t, "generated", "wires.csv")))
	lists.Comment = '#'
	rows, err := lists.ReadAll()
	require.NoError(t, err)
	bought := regexp.MustCompile(`insulated wire of 0.25 mm2, (\d+) m, and bare tinned wire of 0.6 mm, (\d+) m`)
	for _, b := range design(t).Boards {
		if len(b.Strips) > 0 {
			continue // its solid wire serves all its ways
		}
		cut := map[string]float64{}
		for _, row := range rows[1:] {
			if kind, _, _ := strings.Cut(row[2], " "); row[0] == b.Name {
				cut[kind] += number(t, row[6]) / 1e3
			}
		}
		found := 0
		for _, e := range b.Extras {
			if m := bought.FindStringSubmatch(e.What); m != nil {
				found++
				assert.Greater(t, number(t, m[1]), cut["insulated"], b.Name)
				assert.Greater(t, number(t, m[2]), cut["bare"], b.Name)
			}
		}
		assert.Equal(t, 1, found, "%s: wire on its list", b.Name)
	}
}

// Guides are for those who build: whatever takes watts is said to get hot, and no test is named.
func TestGuidesAreForBuilders(t *testing.T) {
	for _, name := range []string{"README.md", "FIRST.md"} {
		assert.NotRegexp(t, `\bTest[A-Z]`, read(t, name), name)
		text := strings.Join(strings.Fields(read(t, name)), " ")
		for _, words := range regexp.MustCompile(`\d ohm, \d+ W.{0,60}`).FindAllString(text, -1) {
			assert.Regexp(t, `hot`, words)
		}
	}
}

// A flash unit's contact is measured where there is something to measure: at the ends of its lead, the unit on. A
// reading of nothing passes no unit.
func TestFlashContactIsMeasuredLive(t *testing.T) {
	for guide, picture := range map[string]string{"FIRST.md": "first-step-8.svg", "README.md": "step-12.svg"} {
		words := strings.Join(strings.Fields(read(t, guide)), " ")
		begins := strings.Index(words, "contact measured first, at ")
		require.Positive(t, begins, guide)
		at := begins
		for _, next := range []string{
			"own batteries, or", "isolated from the mains", "The unit off, the lead out of it", "terminal strip",
			"head away from every face", "the lead into the unit, the unit on", "ready lamp",
			"1000 V class", "sockets for volts", "The sign says only which core is which", "More than 24 V",
			"Less than 1 V: nothing was measured", "tips off the screws", "mA socket", "the tips on again",
			"The unit has to fire; if it does not, nothing was measured: stop", "lit again",
			"the highest steady reading counts", "Tips off", "red lead back to volts at once",
			"nit off, its plug out",
		} {
			i := strings.Index(strings.ToLower(words[at:]), strings.ToLower(next))
			require.NotEqual(t, -1, i, "%s: %s, in this order", guide, next)
			at += i
		}
		drawn := read(t, "generated/"+picture)
		for _, says := range []string{"on, ready", "More than 24 V, + or -: stop", "Less than 1 V: nothing measured, stop",
			"No flash: ", "Head turned away", "ready again", "red lead back to volts at once", "red tip", "black tip"} {
			assert.Contains(t, drawn, says, picture)
		}
	}
}

// When the power entry cuts off and when the sync return's cells are changed is what the decks show.
func TestGuideHasTheDecksVolts(t *testing.T) {
	guide, value := strings.Join(strings.Fields(read(t, "README.md")), " "), map[string]circuit.Row{}
	for _, r := range rows(t) {
		value[r.Deck+" "+r.Measure] = r
	}
	starts, cut := value["cutoff starts"], value["cutoff cut"]
	assert.Contains(t, guide, fmt.Sprintf("Q3 begins to cut off at %.1f V at the earliest", starts.Least))
	assert.Contains(t, guide, fmt.Sprintf("and has cut off at %.1f V at the latest", cut.Most))
	assert.Contains(t, guide, fmt.Sprintf("| more than %.1f V or the wrong way round at J2", starts.Least))
	change := regexp.MustCompile(`Change the cells below ([\d.]+) V`).FindStringSubmatch(guide)
	tired := regexp.MustCompile(`(?m)^\.param VBAT=([\d.]+)`).FindStringSubmatch(read(t, "sim/sync_low.cir"))
	require.Len(t, change, 2)
	require.Len(t, tired, 2)
	assert.Greater(t, number(t, change[1]), number(t, tired[1]), "changed before they are as tired as in the deck")
	assert.Contains(t, guide, "| SYNC never comes | cells below "+change[1]+" V")
}
