package tuning

import (
	"fmt"
	"math"
	"stillwater/internal/phys"
	"stillwater/internal/record"
	"time"
)

// A hand warms up and tires, a nozzle drips slower, a valve gets warm: then tries made with the same trim come later,
// or earlier, or are good more or less often, as the evening goes on. Whether they do is Kendall's test of a trend
// among tries with the same trim, summed over the trims (R. M. Hirsch, J. R. Slack, R. A. Smith, Water Resour. Res. 18
// (1982) 107, who sum over seasons; from memory): so a trim that was changed in between is no trend.

// trendZ is how many standard deviations the sum must be from none: 1 in 1000 by chance, since it is looked at again
// after each try. Own choice.
const trendZ = 3.29

// trend is the test's z over tries, the newest first, by what a try is worth and among which it counts; positive: that
// grows as the evening goes on.
func trend(tries []Try, worth func(Try) (among time.Duration, value float64)) float64 {
	groups := map[time.Duration][]float64{}
	for i := len(tries) - 1; i >= 0; i-- {
		if tries[i].says() {
			among, value := worth(tries[i])
			groups[among] = append(groups[among], value)
		}
	}
	sum, variance := 0.0, 0.0
	for _, values := range groups {
		s, v := kendall(values)
		sum, variance = sum+s, variance+v
	}
	if math.Abs(sum) <= 1 || variance == 0 {
		return 0
	}
	return (sum - math.Copysign(1, sum)) / math.Sqrt(variance)
}

// kendall is the sum over all pairs of +1 if the later one is larger and -1 if it is smaller, and the variance of that
// if there is no order in them, with ties (M. G. Kendall, Rank Correlation Methods; from memory).
func kendall(values []float64) (sum, variance float64) {
	ties := map[float64]float64{}
	for i, v := range values {
		ties[v]++
		for _, before := range values[:i] {
			switch {
			case v > before:
				sum++
			case v < before:
				sum--
			}
		}
	}
	all := func(n float64) float64 { return n * (n - 1) * (2*n + 5) }
	variance = all(float64(len(values)))
	for _, n := range ties {
		variance -= all(n)
	}
	return sum, variance / 18
}

// drift says how tries with the same trim change as the evening goes on, "" if they do not clearly.
func drift(plan Plan, tries []Try, unit time.Duration) string {
	late := trend(tries, func(t Try) (time.Duration, float64) {
		switch {
		case t.Off != nil: // the trim that it needed is known, whatever it was made with
			return math.MaxInt64, phys.Milliseconds(t.Off.By - t.At)
		case t.Verdict == record.Late:
			return t.At.Round(unit), 1
		case t.Verdict == record.Early:
			return t.At.Round(unit), -1
		}
		return t.At.Round(unit), 0
	})
	good := trend(tries, func(t Try) (time.Duration, float64) {
		if t.good(plan) {
			return t.At.Round(unit), 1
		}
		return t.At.Round(unit), 0
	})
	switch {
	case late > trendZ:
		return drifts("come later and later")
	case late < -trendZ:
		return drifts("come earlier and earlier")
	case good > trendZ:
		return "more and more are good with the same trim: the hand warms up, or the set settles"
	case good < -trendZ:
		return "fewer and fewer are good with the same trim: take a rest, and check what has changed in the set"
	}
	return ""
}

func drifts(how string) string {
	return fmt.Sprintf("with the same trim they %s: the hand or the set-up is changing, and the trim found earlier may "+
		"no longer fit", how)
}
