package tuning

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"stillwater/internal/record"
)

// driftingEvening is an evening of tries, the newest first: the moment goes later by so much from the first to the
// last, and the scatter from wide to narrow.
func driftingEvening(rng *rand.Rand, tries int, measured bool, trim func(i int) float64, goes, first,
	last float64) (list []Try) {
	for i := range tries {
		share := float64(i) / float64(tries-1)
		off := trim(i) + goes*share + rng.NormFloat64()*(first+(last-first)*share)
		t := Try{At: fromMs(trim(i))}
		switch {
		case measured:
			t.Off = &Measured{By: fromMs(off), SD: time.Millisecond}
		case off < -5:
			t.Verdict = record.Early
		case off > 5:
			t.Verdict = record.Late
		default:
			t.Verdict = record.Good
		}
		list = append([]Try{t}, list...)
	}
	return list
}

// Kendall's sum and its variance by hand: 1 2 3 has all three pairs in order, variance 3*2*11/18; ties count for none.
func TestKendall(t *testing.T) {
	sum, variance := kendall([]float64{1, 2, 3})
	assert.Equal(t, 3., sum)
	assert.InDelta(t, 66./18, variance, 1e-12)
	sum, variance = kendall([]float64{3, 1, 1})
	assert.Equal(t, -2., sum)
	assert.InDelta(t, (66.-18)/18, variance, 1e-12)
	sum, variance = kendall([]float64{2, 2, 2})
	assert.Zero(t, sum)
	assert.InDelta(t, 0, variance, 1e-12)
}

// Evenings that drift are said to, and in which way; one without a drift hardly ever is, though it is looked at after
// each try and its trim is changed in between.
func TestDrift(t *testing.T) {
	const evenings, seed = 300, 71
	fixed := func(int) float64 { return 0 }
	steps := func(i int) float64 { return []float64{-12, -6, -6, 2, 2, 2}[min(i/4, 5)] }
	for _, c := range []struct {
		name              string
		measured          bool
		trim              func(int) float64
		goes, first, last float64
		says              string
		least, most       float64 // share of evenings in which it is said at the end, and at any time
	}{
		{"nothing changes", false, fixed, 0, 4, 4, "", 0, 0.05},
		{"nothing changes, measured", true, fixed, 0, 4, 4, "", 0, 0.05},
		{"only the trim changes", false, steps, 0, 4, 4, "", 0, 0.05},
		{"only the trim changes, measured", true, steps, 0, 4, 4, "", 0, 0.05},
		{"later", false, fixed, 12, 4, 4, "later and later", 0.5, 1},
		{"later, measured", true, steps, 12, 4, 4, "later and later", 0.5, 1},
		{"earlier", true, fixed, -12, 4, 4, "earlier and earlier", 0.5, 1},
		{"warms up", false, fixed, 0, 12, 2, "more and more are good", 0.3, 1},
		{"tires", false, fixed, 0, 2, 12, "fewer and fewer are good", 0.3, 1},
	} {
		rng, said, so, ever := rand.New(rand.NewPCG(seed, 1)), 0., 0., 0.
		for range evenings {
			list := driftingEvening(rng, 60, c.measured, c.trim, c.goes, c.first, c.last)
			says := func(list []Try) string { return drift(usual(), list, time.Millisecond) }
			if says(list) != "" {
				said++
			}
			if c.says != "" && strings.Contains(says(list), c.says) {
				so++
			}
			for n := range list {
				if says(list[n:]) != "" {
					ever++
					break
				}
			}
		}
		t.Logf("%s: said at the end of %.3f of %d evenings, at any time in %.3f (seed %d)", c.name, said/evenings, evenings,
			ever/evenings, seed)
		assert.GreaterOrEqual(t, said/evenings, c.least, c.name)
		if c.says != "" {
			assert.Greater(t, so, 0.9*said, c.name)
		}
		assert.LessOrEqual(t, ever/evenings, c.most, c.name)
	}
}

// What is said stands among what came of the tries, and in the sentences.
func TestDriftIsAFact(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 1))
	a := Learn(usual(), driftingEvening(rng, 40, true, func(int) float64 { return 0 }, 25, 4, 4), 0)
	assert.Equal(t, "Drift", a.Facts[len(a.Facts)-1].Name)
	assert.Contains(t, a.Words, "The tries drift: with the same trim they come later and later")
	still := Learn(usual(), judged(0, record.Good, record.Late, record.Good, record.Early, record.Good), 0)
	assert.NotContains(t, still.Words, "drift")
	assert.Len(t, still.Facts, 4)
}
