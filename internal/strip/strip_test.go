package strip

import (
	"encoding/xml"
	"io"
	"math/rand/v2"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/tuning"
)

const ms = time.Millisecond

func usual() (tuning.Plan, []tuning.Try) {
	plan := tuning.Plan{Low: -14 * ms, High: 16 * ms, Scatter: 2 * ms, Tolerance: 6 * ms, Delay: 287 * ms,
		Whose: "the splash's own"}
	tries := []tuning.Try{{At: 0, Verdict: "early"}, {At: 12 * ms, Verdict: "good"}, {At: 24 * ms, Verdict: "late"},
		{At: 12 * ms, Verdict: "nothing there"}, {At: 12 * ms}, {At: 12 * ms, Verdict: "too high"},
		{At: 12 * ms, Off: &tuning.Measured{By: ms, SD: 9 * ms}}}
	return plan, tries
}

func wellFormed(t *testing.T, svg string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		_, err := d.Token()
		if err == io.EOF {
			return
		}
		require.NoError(t, err, svg)
	}
}

// Each verdict has a lane and a shape of its own, the best delay a band, the next one an arrow, and all of it words.
func TestDraw(t *testing.T) {
	plan, tries := usual()
	a := tuning.Learn(plan, tries, 0)
	d := Draw(FromTries(plan, tries, a), Options{ForPage: true})
	wellFormed(t, d.SVG)
	shapes := map[string]bool{}
	mark := regexp.MustCompile(`<path class="try ([a-z-]+)" transform="[^"]+" d="([^"]+)"`)
	marks := mark.FindAllStringSubmatch(d.SVG, -1)
	require.Len(t, marks, len(tries))
	for _, m := range marks {
		if m[1] != "unjudged" && m[1] != "good" { // the one is filled, the other dashed
			assert.False(t, shapes[m[2]], "two verdicts have the shape of %s", m[1])
			shapes[m[2]] = true
		}
	}
	for _, part := range []string{`class="density"`, `class="interval"`, `class="arrow"`, ">Good<", ">Nothing there<",
		">Measured<", ">Not judged<", ">delay in ms<"} {
		assert.Contains(t, d.SVG, part)
	}
	assert.NotContains(t, d.SVG, "<style>", "the page has its own colours")
	assert.Contains(t, d.Words, "7 tries with a delay from 287.0\u00a0ms to 311.0\u00a0ms: 1 good, 1 early, 1 late, "+
		"1 too high, 1 nothing there, 1 measured, 1 not judged.")
	assert.Contains(t, d.Words, a.Words)

	file := Draw(FromTries(plan, tries, a), Options{})
	wellFormed(t, file.SVG)
	assert.Contains(t, file.SVG, "<style>")
	plan.Delay = 0
	assert.Contains(t, Draw(FromTries(plan, tries, a), Options{}).SVG, ">trim in ms<")
}

func TestNothingToDraw(t *testing.T) {
	d := Draw(Strip{Axis: ByDelay}, Options{})
	wellFormed(t, d.SVG)
	assert.Equal(t, "There are no tries to draw.", d.Words)
}

// Two evenings on one axis: a try at one delay is at one place in both.
func TestSameRange(t *testing.T) {
	one := Strip{Axis: ByTrim, Tries: []Mark{{At: 0, Verdict: "good"}, {At: 10 * ms, Verdict: "good"}}}
	other := Strip{Axis: ByTrim, Tries: []Mark{{At: 10 * ms, Verdict: "good"}, {At: 60 * ms, Verdict: "good"}}}
	both := one.Needs().Join(other.Needs())
	one.Range, other.Range = both, both
	place := regexp.MustCompile(`class="try good" transform="translate\(([0-9.]+) `)
	at := func(s Strip, i int) string { return place.FindAllStringSubmatch(Draw(s, Options{}).SVG, -1)[i][1] }
	assert.Equal(t, at(one, 1), at(other, 0))
	assert.NotEqual(t, at(one, 0), at(one, 1))
}

// Whatever was tried, it is well formed, and all marks and words are within the drawing.
func TestAnythingFits(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	plan, _ := usual()
	place := regexp.MustCompile(` x="(-?[0-9.]+)"|translate\((-?[0-9.]+) `)
	for range 200 {
		var tries []tuning.Try
		for range rng.IntN(40) {
			at := time.Duration(rng.NormFloat64() * float64(rng.IntN(3000)) * 1e6)
			tries = append(tries, tuning.Try{At: at, Verdict: lanes()[rng.IntN(7)]})
		}
		s := FromTries(plan, tries, tuning.Learn(plan, tries, 0))
		if rng.IntN(2) == 0 && len(tries) > 0 {
			s.Best = &Best{At: s.Tries[0].At, Good: 1, Tries: 2}
		}
		d := Draw(s, Options{ForPage: rng.IntN(2) == 0})
		wellFormed(t, d.SVG)
		assert.NotContains(t, d.SVG, "NaN")
		for _, m := range place.FindAllStringSubmatch(d.SVG, -1) {
			x, err := strconv.ParseFloat(m[1]+m[2], 64)
			require.NoError(t, err)
			assert.True(t, x >= 0 && x <= width, "at %v", x)
		}
	}
}
