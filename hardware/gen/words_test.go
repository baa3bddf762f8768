package main

import (
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

// Nothing passes for a limit that a value has not: only these two are reported and promised by nobody.
func TestWhatIsReportedOnly(t *testing.T) {
	var reported []string
	for _, r := range rows(t) {
		if math.IsInf(r.Low, -1) && math.IsInf(r.High, 1) {
			reported = append(reported, r.Deck+" "+r.Measure)
		}
	}
	assert.Equal(t, []string{"modulated_range seen15_5", "piezo disc_drop"}, reported)
	assert.Contains(t, read(t, "README.md"), "| 5 uA | seen at the typical corner, not at all |")
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
		"jumper wire, solid, 0.6 mm":       "1 wire, solid, 0.6 mm",
		"black insulating tape":            "1 black insulating tape",
		"six leads from the controller's":  fmt.Sprint(len(b.Part("J901").Pins), " lead from the controller's header"),
		"sync lead for the flash unit":     "1 sync lead",
		"leads to switch, emitter and rec": "2 lead to a head of the beam",
		"a plastic box":                    "1 plastic enclosure",
	} {
		assert.Contains(t, guide, ask)
		assert.Contains(t, list, item)
	}
	assert.Contains(t, list, "1 6-way 2.54 mm plug for J901")
	only := regexp.MustCompile(`\| (\w+) \|[^|]*\|[^|]*; for hole board and printed board only \|`).
		FindAllStringSubmatch(guide, -1)
	require.Len(t, only, 2)
	assert.Equal(t, []string{"J901", "J902"}, []string{only[0][1], only[1][1]})
}

// Guides are for those who build: whatever takes watts is said to get hot, and no test is named.
func TestGuidesAreForBuilders(t *testing.T) {
	for _, name := range []string{"README.md", "FIRST.md"} {
		assert.NotRegexp(t, `\bTest[A-Z]`, read(t, name), name)
		for line := range strings.Lines(read(t, name)) {
			if regexp.MustCompile(`\d ohm, \d+ W`).MatchString(line) {
				assert.Regexp(t, `hot`, line)
			}
		}
	}
}
