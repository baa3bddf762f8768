package tuning

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
	"stillwater/internal/record"
)

const early, good, late, nothing = record.Early, record.Good, record.Late, record.Nothing

func judged(at float64, verdicts ...record.Verdict) (tries []Try) {
	for _, v := range verdicts {
		tries = append(tries, Try{At: fromMs(at), Verdict: v})
	}
	return tries
}

func TestNothingJudged(t *testing.T) {
	a := Learn(usual(), []Try{{At: 0}, {At: 0, Verdict: "too high"}}, fromMs(3))
	assert.Equal(t, Judge, a.Step)
	assert.Equal(t, fromMs(3), a.Trim, "the trim stays")
	assert.Zero(t, a.Counted)
	// The interval is that of the plan, but for the surprises that it allows for.
	assert.InDelta(t, -14, phys.Milliseconds(a.Low), 6)
	assert.InDelta(t, 16, phys.Milliseconds(a.High), 6)
}

func TestVerdictsMoveTheTrim(t *testing.T) {
	later := Learn(usual(), judged(0, early), 0)
	assert.Equal(t, Trim, later.Step)
	assert.Positive(t, later.Trim)
	earlier := Learn(usual(), judged(0, late), 0)
	assert.Negative(t, earlier.Trim)
	between := Learn(usual(), slices.Concat(judged(0, early, early), judged(20, late, late)), 0)
	assert.InDelta(t, 10, phys.Milliseconds(between.Trim), 3)
	assert.Contains(t, between.Line, "Try +")
	assert.Contains(t, between.Words, "a delay of ")
}

// Pictures that show nothing, one after the other, are answered with what to check; a picture that shows something ends
// that.
func TestNothingThereAgainAndAgain(t *testing.T) {
	empty := func(n int) []Try { return judged(0, slices.Repeat([]record.Verdict{nothing}, n)...) }
	for n := range 4 {
		assert.NotContains(t, Learn(usual(), empty(n), 0).Words, "in a row", n)
	}
	ten := Learn(usual(), empty(10), 0)
	assert.Equal(t, "Nothing there 10 times: what to check", ten.Line)
	for _, says := range []string{"10 times in a row", "the flash failed", "in focus", "sensor's meter", "distances"} {
		assert.Contains(t, ten.Words, says)
	}
	assert.NotContains(t, Learn(usual(), slices.Concat(judged(0, good), empty(10)), 0).Words, "in a row")
	assert.Contains(t, Learn(usual(), slices.Concat(empty(5), judged(0, good)), 0).Words, "5 times in a row")
}

// A shot counts at the delay that it had: one that the machine fired 12 ms late and that is late says nothing against
// the plan's delay.
func TestLateMachineCountsAtItsActualTime(t *testing.T) {
	planned := Learn(usual(), judged(0, late, late), 0)
	actual := Learn(usual(), judged(12, late, late), 0)
	assert.Negative(t, planned.Trim)
	assert.Less(t, planned.Trim, actual.Trim-fromMs(3))
	assert.Less(t, planned.High, actual.High-fromMs(4))
}

// One wrong verdict, or two, after eight right ones move the trim little, and it comes back.
func TestWrongVerdicts(t *testing.T) {
	right := slices.Concat(judged(0, early, early), judged(12, good, good, good, good), judged(22, late, late))
	before := Learn(usual(), right, fromMs(12))
	for _, slip := range [][]record.Verdict{{early}, {late}, {nothing}, {early, early}, {late, late}, {nothing, nothing}} {
		tries := slices.Concat(right, judged(12, slip...))
		after := Learn(usual(), tries, fromMs(12))
		assert.InDelta(t, phys.Milliseconds(before.Trim), phys.Milliseconds(after.Trim), 4, "%v", slip)
		again := Learn(usual(), slices.Concat(tries, judged(phys.Milliseconds(after.Trim), good, good)), after.Trim)
		assert.InDelta(t, phys.Milliseconds(before.Trim), phys.Milliseconds(again.Trim), 3, "%v", slip)
	}
	// Wrong ones come first: it finds the way all the same.
	e := evening{best: 10, scatter: 2.5, tolerance: 7, rng: rand.New(rand.NewPCG(7, 7))}
	tries := judged(0, late, late)
	now := Learn(usual(), tries, 0).Trim
	for range 10 {
		tries = append(tries, Try{At: now, Verdict: e.verdict(phys.Milliseconds(now), e.chance())})
		now = Learn(usual(), tries, now).Trim
	}
	assert.InDelta(t, 10, phys.Milliseconds(now), 4)
}

func TestLeaveItAlone(t *testing.T) {
	plan := usual()
	plan.Tolerance, plan.Scatter, plan.Remedy = fromMs(4), fromMs(5), "Lower the nozzle."
	here := judged(19, good, late, good, early, good, good, late, good)
	tries := slices.Concat(judged(6, early, early), here, judged(32, late, late))
	a := Learn(plan, tries, fromMs(19))
	require.Equal(t, Leave, a.Step, a.Words)
	assert.Equal(t, []int{5, 8, 12}, []int{a.Good, a.Here, a.Counted})
	assert.Equal(t, "Leave it: good 5 of 8 at 306 ms", a.Line)
	assert.Contains(t, a.Words, "is the splash's own: more trimming will not help.")
	assert.Contains(t, a.Words, "Lower the nozzle.")
	plan.Delay = 0
	assert.Equal(t, "Leave it: good 5 of 8 at a trim of +19 ms", Learn(plan, tries, fromMs(19)).Line)
}

func TestNoDelayHelps(t *testing.T) {
	plan := Plan{Low: fromMs(-5), High: fromMs(5), Scatter: fromMs(11), Tolerance: fromMs(4), Whose: "the throws' own",
		Limits: []Limit{{"ragged edge at the second beam", fromMs(7.5)}}, Remedy: "Move the beams nearer."}
	a := Learn(plan, judged(0, early, late, late, early, good, late, early, nothing, early, late), 0)
	require.Equal(t, Reset, a.Step, a.Words)
	assert.Less(t, a.Limit, 0.5)
	assert.Contains(t, a.Line, "change the set")
	assert.Contains(t, a.Words, "ragged edge at the second beam, 7.5 ms. Move the beams nearer.")
	// Two tries do not condemn a set.
	assert.NotEqual(t, Reset, Learn(plan, judged(0, early, late), 0).Step)
}

func TestMeasured(t *testing.T) {
	off, ok := MeasuredAlong(12e-3, 4e-3, 4)
	require.True(t, ok)
	assert.Equal(t, Measured{3 * time.Millisecond, time.Millisecond}, off)
	_, ok = MeasuredAlong(12e-3, 4e-3, phys.Speed(0))
	assert.False(t, ok, "at a turning point a length says nothing")
	tries := []Try{{At: 0, Off: &off}, {At: 0, Off: &off}, {At: 0, Off: &off}, {At: 0, Off: &off}}
	a := Learn(usual(), tries, 0)
	assert.InDelta(t, -3, phys.Milliseconds(a.Low+a.High)/2, 0.7)
	by := Learn(usual(), judged(0, late, late, late, late), 0)
	assert.Less(t, a.High-a.Low, by.High-by.Low, "a measurement says more than a verdict")
	// One that is far off, as the wrong thing was measured, is not believed against four.
	far := Measured{By: 80 * time.Millisecond, SD: time.Millisecond}
	b := Learn(usual(), append(tries, Try{At: 0, Off: &far}), 0)
	assert.InDelta(t, phys.Milliseconds(a.Low+a.High)/2, phys.Milliseconds(b.Low+b.High)/2, 0.7)
}

// What a person judged and what was only measured are distinguished.
func TestJudgedAndMeasured(t *testing.T) {
	off := &Measured{SD: time.Millisecond}
	only := func(n int) (tries []Try) {
		for range n {
			tries = append(tries, Try{Off: off})
		}
		return tries
	}
	for want, tries := range map[string][]Try{
		"2 of 4 judged":                                      judged(0, good, good, early, late),
		"3 of 3 measured":                                    only(3),
		"4 of 5 (2 judged, 3 only measured)":                 append(judged(0, good, late), only(3)...),
		"1 of 1 judged":                                      {{Verdict: good, Off: off}},
		"0 of 2 (1 judged, 1 only measured)":                 {{Verdict: late, Off: off}, {Verdict: "too high", Off: off}},
		"3 of 4 (1 judged, 3 only measured)":                 append(only(3), judged(0, late)...),
		"9 of 9 measured: 4 of the first 4, 4 of the last 4": only(9),
	} {
		assert.Equal(t, Fact{"Good", want}, Learn(usual(), tries, 0).Facts[0])
	}
}

// Whatever was tried, and wherever: probabilities are such, the density has its highest at 1, and the same tries in
// another order say the same.
func TestAnyTries(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	plans := []Plan{usual(), {}, {Scatter: fromMs(0.2), Tolerance: fromMs(2)}, {Low: -time.Second, High: time.Second}}
	verdicts := []record.Verdict{early, good, late, nothing, "", "too low"}
	for n := range 40 {
		var tries []Try
		for range rng.IntN(30) {
			tries = append(tries, Try{At: fromMs(rng.NormFloat64() * 300), Verdict: verdicts[rng.IntN(len(verdicts))]})
		}
		now := fromMs(rng.NormFloat64() * 100)
		a := Learn(plans[n%len(plans)], tries, now)
		for name, p := range map[string]float64{"sure": a.Sure, "rate": a.Rate, "limit": a.Limit} {
			assert.True(t, p >= 0 && p <= 1+1e-9, "%s %v", name, p)
		}
		assert.LessOrEqual(t, a.Low, a.High)
		top := slices.MaxFunc(a.Density, func(x, y Weight) int { return int(1e6 * (x.Weight - y.Weight)) })
		assert.InDelta(t, 1, top.Weight, 0.2)
		rng.Shuffle(len(tries), func(i, k int) { tries[i], tries[k] = tries[k], tries[i] })
		again := Learn(plans[n%len(plans)], tries, now)
		assert.Equal(t, a.Trim, again.Trim)
		assert.Equal(t, a.Words, again.Words)
	}
}

func TestSweep(t *testing.T) {
	s := Sweep{From: -2 * time.Millisecond, To: 3 * time.Millisecond, Step: 2 * time.Millisecond, Each: 2}
	list, err := s.Trims(nil)
	require.NoError(t, err)
	in := func(v ...float64) (all []time.Duration) {
		for _, x := range v {
			all = append(all, fromMs(x))
		}
		return all
	}
	assert.Equal(t, in(-2, -2, 0, 0, 2, 2), list)
	shuffled := func(seed uint64) []time.Duration {
		list, err := s.Trims(rand.New(rand.NewPCG(seed, 0)).Shuffle)
		require.NoError(t, err)
		return list
	}
	assert.Equal(t, shuffled(4), shuffled(4))
	assert.NotEqual(t, list, shuffled(4))
	assert.ElementsMatch(t, list, shuffled(4))
	last := Sweep{From: math.MaxInt64 - 1, To: math.MaxInt64, Step: 1, Each: 1}
	list, err = last.Trims(nil)
	require.NoError(t, err)
	assert.Equal(t, []time.Duration{math.MaxInt64 - 1, math.MaxInt64}, list, "nothing comes after the last time there is")
	for want, wrong := range map[string]Sweep{
		"it has more than 999 tries: use a longer step": {From: math.MinInt64, To: math.MaxInt64, Step: time.Hour, Each: 1},
		"a step of 0s does not advance":                 {To: 1, Each: 1},
		"before it begins":                              {From: 1, Step: 1, Each: 1},
		"0 tries of each":                               {Step: 1},
		"it has more than 999 tries":                    {To: time.Hour, Step: 1, Each: 1},
		"it has more than 999 tries: use a lon":         {To: 1, Step: 1, Each: math.MaxInt},
	} {
		_, err := wrong.Trims(nil)
		assert.ErrorContains(t, err, want)
	}
}

// Verdicts that contradict each other are called that, and nobody is to leave what has not been good once.
func TestContradictions(t *testing.T) {
	twice := Learn(usual(), judged(0, early, late), 0)
	assert.Equal(t, "Keep 287 ms for now: not sure yet", twice.Line)
	assert.Contains(t, twice.Words, "Of the others 1 came early and 1 late")
	six := Learn(usual(), judged(0, early, late, early, late, early, late), 0)
	assert.Equal(t, "Leave it: no other than 287 ms is likely to be better", six.Line)
	assert.Contains(t, six.Words, "Of the others 3 came early and 3 late")
	mixed := Learn(usual(), slices.Concat(judged(0, late, late), judged(10, early, early)), 0)
	assert.Contains(t, mixed.Words, "check whether the two were mixed up")
	right := Learn(usual(), slices.Concat(judged(0, early, early), judged(10, late, late)), 0)
	assert.NotContains(t, right.Words, "mixed up")
	assert.NotContains(t, right.Words, "came early and")
}
