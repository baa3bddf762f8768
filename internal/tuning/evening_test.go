package tuning

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"stillwater/internal/phys"
	"stillwater/internal/record"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// An evening of the test's own laws, none of which the package knows: the moment scatters by Laplace's law, which has
// more outliers than a normal one; what the person calls good differs from picture to picture by a fifth; one frame in
// 30 is misread as anything; a frame is empty from six tolerances on.
type evening struct {
	best, scatter, tolerance float64 // ms
	rng                      *rand.Rand
}

const misread = 1. / 30

// chance is what happens in one try, whatever its trim: methods are compared with the same ones.
type chance struct {
	off, taste float64
	misread    bool
	as         record.Verdict
}

func (e evening) chance() chance {
	u := e.rng.Float64() - 0.5
	laplace := -math.Copysign(math.Log(1-2*math.Abs(u)), u) * e.scatter / math.Sqrt2
	return chance{off: laplace, taste: e.tolerance * (0.8 + 0.4*e.rng.Float64()), misread: e.rng.Float64() < misread,
		as: []record.Verdict{record.Early, record.Good, record.Late, record.Nothing}[e.rng.IntN(4)]}
}

// verdict is what the person says of a try. The trim is later than the best: the picture is late.
func (e evening) verdict(trim float64, c chance) record.Verdict {
	off := trim - e.best + c.off
	switch {
	case c.misread:
		return c.as
	case math.Abs(off) > 6*e.tolerance:
		return record.Nothing
	case off < -c.taste:
		return record.Early
	case off > c.taste:
		return record.Late
	}
	return record.Good
}

// rate is the share of good pictures with a trim: the law integrated over the taste, without misreading.
func (e evening) rate(trim float64) (sum float64) {
	const steps = 40
	cum := func(x float64) float64 { // Laplace's
		tail := math.Exp(-math.Abs(x)*math.Sqrt2/e.scatter) / 2
		if x < 0 {
			return tail
		}
		return 1 - tail
	}
	for i := range steps {
		taste := e.tolerance * (0.8 + 0.4*(float64(i)+0.5)/steps)
		d := trim - e.best
		sum += (cum(taste-d) - cum(-taste-d)) / steps
	}
	return sum
}

// method gives the trim of the next try, and after each the one it would stay with, which for most is the same.
type method interface {
	next(tries []Try) float64
	keeps(tries []Try) float64
}

// learner asks the package once a try: it stays with what it would try.
type learner struct {
	plan  Plan
	asked int
	trim  time.Duration
}

func (l *learner) next(tries []Try) float64 {
	if l.asked != len(tries) || len(tries) == 0 {
		now := time.Duration(0)
		if len(tries) > 0 {
			now = tries[len(tries)-1].At
		}
		l.asked, l.trim = len(tries), Learn(l.plan, tries, now).Trim
	}
	return phys.Milliseconds(l.trim)
}
func (l *learner) keeps(tries []Try) float64 { return l.next(tries) }

// sweeper sweeps what it takes to find a start up to 50 ms off, 10 ms apart, and stays with the mean of the good ones;
// as long as none was good, with what the plan says.
type sweeper struct{ trims []time.Duration }

func (s sweeper) next(tries []Try) float64 {
	if len(tries) < len(s.trims) {
		return phys.Milliseconds(s.trims[len(tries)])
	}
	return s.keeps(tries[:len(s.trims)])
}

func (s sweeper) keeps(tries []Try) float64 {
	sum, n := 0.0, 0.0
	for _, t := range tries {
		if t.Verdict == record.Good {
			sum, n = sum+phys.Milliseconds(t.At), n+1
		}
	}
	return sum / max(n, 1)
}

// halver goes 20 ms, and half as far as the last time after each turn, not under 1 ms; after an empty frame as before.
type halver struct{}

func (halver) next(tries []Try) float64 {
	at, step, way := 0.0, 20.0, 0.0
	for _, t := range tries {
		to := wayOf(t.Verdict, way)
		if to == 0 {
			continue
		}
		if to == -way {
			step = max(step/2, 1)
		}
		at, way = at+to*step, to
	}
	return at
}
func (h halver) keeps(tries []Try) float64 { return h.next(tries) }

// trimmer goes 5 ms after each verdict that asks for it.
type trimmer struct{}

func (trimmer) next(tries []Try) float64 {
	at, way := 0.0, 0.0
	for _, t := range tries {
		way = wayOf(t.Verdict, way)
		if t.Verdict != record.Good {
			at += 5 * way
		}
	}
	return at
}
func (h trimmer) keeps(tries []Try) float64 { return h.next(tries) }

// wayOf is where a person goes after a verdict: nowhere after a good one, on after an empty frame, and later at first.
func wayOf(v record.Verdict, before float64) float64 {
	switch v {
	case record.Early:
		return 1
	case record.Late:
		return -1
	case record.Nothing:
		if before == 0 {
			return 1
		}
		return before
	}
	return 0
}

// result is what a method made of one evening.
type result struct {
	tries int     // until it keeps within a tenth of the best rate, to the end; eveningTries+1: it never does
	good  float64 // expected good shots of the whole evening
	held  bool    // after eight tries it is within a tenth
}

const eveningTries = 16

func play(e evening, m method) result {
	var chances []chance
	for range eveningTries {
		chances = append(chances, e.chance())
	}
	r := result{}
	var tries []Try
	for i := range eveningTries + 1 {
		near := e.rate(m.keeps(tries)) >= 0.9*e.rate(e.best)
		if !near {
			r.tries = i + 1
		}
		if i == 8 {
			r.held = near
		}
		if i < eveningTries {
			at := m.next(tries)
			r.good += e.rate(at)
			tries = append(tries, Try{At: fromMs(at), Verdict: e.verdict(at, chances[i])})
		}
	}
	return r
}

// usual is about the plan of the usual drop.
func usual() Plan {
	return Plan{Low: fromMs(-14), High: fromMs(16), Scatter: fromMs(2.5), Tolerance: fromMs(7), Delay: fromMs(287),
		Whose: "the splash's own"}
}

// methods are the methods that are compared.
func methods(t *testing.T) map[string]method {
	trims, err := Sweep{From: fromMs(-50), To: fromMs(50), Step: fromMs(10), Each: 1}.Trims(nil)
	require.NoError(t, err)
	return map[string]method{"tuning": &learner{plan: usual()}, "plain sweep": sweeper{trims}, "halving": halver{},
		"trimming": trimmer{}}
}

// kindsOfEvening are the scatters and tolerances that are tried: less and more than the plan's, by factors of two.
var kindsOfEvening = []struct{ scatter, tolerance float64 }{{1.25, 7}, {2.5, 3.5}, {2.5, 7}, {2.5, 14}, {5, 7}}

func evenings(t *testing.T, perKind int, off func(*rand.Rand) float64, m method) (list []result) {
	t.Helper()
	for k, kind := range kindsOfEvening {
		for n := range perKind {
			rng := rand.New(rand.NewPCG(15, uint64(k*perKind+n)))
			list = append(list, play(evening{off(rng), kind.scatter, kind.tolerance, rng}, m))
		}
	}
	return list
}

func fortyOff(rng *rand.Rand) float64 { return []float64{-40, 40}[rng.IntN(2)] }

func ofPlan(rng *rand.Rand) float64 { return rng.NormFloat64() * 15 / normalTenth }

// The table of the README: how many tries each method needs, from 40 ms off and from where the plan's band has it.
func TestEvenings(t *testing.T) {
	const perKind = 20
	for _, start := range []struct {
		name string
		off  func(*rand.Rand) float64
	}{{"40 ms off", fortyOff}, {"as the plan's band", ofPlan}} {
		medians := map[string]int{}
		var table strings.Builder
		for _, name := range []string{"tuning", "halving", "trimming", "plain sweep"} {
			all := evenings(t, perKind, start.off, methods(t)[name])
			medians[name] = median(all)
			table.WriteString(summary(name, all))
		}
		t.Logf("start %s, %d evenings of %d tries, seed 15:\n%s", start.name, perKind*len(kindsOfEvening), eveningTries,
			&table)
		assert.LessOrEqual(t, medians["tuning"], 8, start.name)
		for name, tries := range medians {
			assert.LessOrEqual(t, medians["tuning"], tries, "%s, %s", start.name, name)
		}
	}
}

func median(all []result) int {
	tries := make([]int, len(all))
	for i, r := range all {
		tries[i] = r.tries
	}
	slices.Sort(tries)
	return tries[len(tries)/2]
}

func summary(name string, all []result) string {
	tries := make([]int, len(all))
	held, good := 0, 0.0
	for i, r := range all {
		tries[i] = r.tries
		good += r.good
		if r.held {
			held++
		}
	}
	slices.Sort(tries)
	return fmt.Sprintf("%-12s tries until within a tenth: median %d, 9 of 10 evenings %d; within it after 8: %d of %d; "+
		"good of %d: %.1f\n", name, median(all), tries[len(tries)*9/10], held, len(all), eveningTries, good/float64(len(all)))
}

// Of evenings as they are expected before the first try, surprises among them, eight in ten have their best trim in the
// interval that is said, after any number of tries. The bounds are those of the binomial: with 200 evenings and 0.8
// there are fewer than 143 once in 300 times, and more than 175 as seldom.
func TestIntervalCovers(t *testing.T) {
	const n, most = 200, 8
	var covered [most + 1]int
	var width [most + 1]float64
	for i := range n {
		rng := rand.New(rand.NewPCG(16, uint64(i)))
		kind := kindsOfEvening[i%len(kindsOfEvening)]
		best := ofPlan(rng)
		if rng.Float64() < surprise {
			best = rng.NormFloat64() * surpriseSD(usual())
		}
		e := evening{best, kind.scatter, kind.tolerance, rng}
		var tries []Try
		now := time.Duration(0)
		for count := range most + 1 {
			a := Learn(usual(), tries, now)
			if at := fromMs(best); a.Low <= at && at <= a.High {
				covered[count]++
			}
			width[count] += phys.Milliseconds(a.High-a.Low) / n
			now = a.Trim
			tries = append(tries, Try{At: now, Verdict: e.verdict(phys.Milliseconds(now), e.chance())})
		}
	}
	for _, count := range []int{1, 2, 4, most} {
		t.Logf("after %d tries: %d of %d in the interval of 80 %%, %.1f ms wide on average", count, covered[count], n,
			width[count])
		assert.GreaterOrEqual(t, covered[count], 143, "after %d tries", count)
		assert.LessOrEqual(t, covered[count], 175, "after %d tries: wider than it need be", count)
	}
	assert.Less(t, width[most], width[0]/2, "what was judged has taught something")
}
