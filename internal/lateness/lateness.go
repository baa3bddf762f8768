// Package lateness says how late a board switches: quantiles and a histogram of what was measured, what that is in
// millimetres, and whether it is good enough for a plan. Times are from the planned moment to when it happened.
package lateness

import (
	"fmt"
	"slices"
	"time"

	"stillwater/internal/phys"
)

// Summary is the distribution of many samples in a few numbers. The quantiles are samples that occurred: P99 is the
// smallest that at least 99 % of all do not exceed (nearest rank).
type Summary struct {
	Count                    int
	P50, P90, P99, P999, Max time.Duration
}

// Summarize sums up samples, in any order. It sorts them.
func Summarize(samples []time.Duration) Summary {
	slices.Sort(samples)
	counts := make([]Count, len(samples))
	for i, s := range samples {
		counts[i] = Count{s, 1}
	}
	return SummarizeCounts(counts)
}

// Count is how often a value occurred.
type Count struct {
	Value time.Duration
	N     int
}

// SummarizeCounts sums up values, each with how often it occurred, in ascending order.
func SummarizeCounts(counts []Count) Summary {
	var s Summary
	for _, c := range counts {
		s.Count += c.N
	}
	if s.Count == 0 {
		return s
	}
	s.P50, s.P90 = quantile(counts, s.Count, 500), quantile(counts, s.Count, 900)
	s.P99, s.P999 = quantile(counts, s.Count, 990), quantile(counts, s.Count, 999)
	s.Max = counts[len(counts)-1].Value
	return s
}

// quantile is the smallest value that at least perMille of n do not exceed.
func quantile(counts []Count, n int, perMille int) time.Duration {
	rank := (n*perMille + 999) / 1000
	for _, c := range counts {
		if rank -= c.N; rank <= 0 {
			return c.Value
		}
	}
	return counts[len(counts)-1].Value
}

// Bin is one bar of a histogram: N samples above the bar before it and not above To.
type Bin struct {
	To time.Duration
	N  int
}

// Bars makes a histogram with ends at 1, 2 and 5 of each power of ten, from 100 ns on: what matters is how many times
// as late, not how much. It begins and ends with a bar that is not empty.
func Bars(samples []time.Duration) []Bin {
	var bars []Bin
	for _, end := range ends() {
		bars = append(bars, Bin{To: end})
	}
	for _, s := range samples {
		i, _ := slices.BinarySearchFunc(bars, s, func(b Bin, s time.Duration) int { return int(b.To - s) })
		bars[min(i, len(bars)-1)].N++
	}
	empty := func(b Bin) bool { return b.N == 0 }
	first := slices.IndexFunc(bars, func(b Bin) bool { return !empty(b) })
	if first < 0 {
		return nil
	}
	last := len(bars) - 1
	for empty(bars[last]) {
		last--
	}
	return bars[first : last+1]
}

// ends lists the bars' upper ends, up to more than any sample takes.
func ends() (all []time.Duration) {
	for power := 100 * time.Nanosecond; power <= 100*time.Second; power *= 10 {
		all = append(all, power, 2*power, 5*power)
	}
	return all
}

// Distance is how far something at speed v moves in that time.
func Distance(v phys.Speed, late time.Duration) phys.Length {
	return phys.Length(float64(v) * late.Seconds())
}

// Plan is what lateness is compared with.
type Plan struct {
	Name   string
	Repeat time.Duration // the plan's own scatter from shot to shot, standard deviation
	Limit  time.Duration // a cue later than this is not fired, and the shot given up
}

// Negligible is a lateness that no picture shows: the fastest throw moves 0.3 mm in that time, a tenth of the assumed
// raggedness of a thrown edge. Common practice, no source.
const Negligible = 50 * time.Microsecond

// share is the part of the plan's own scatter that lateness may be: a third adds 5 % to it.
const share = 3

// Verdict reports whether lateness is good enough, and why.
type Verdict struct {
	Good  bool
	Words string
}

// Assess compares lateness with a plan: 99 in 100 pulses may be late by a third of the plan's own scatter or by
// Negligible, whichever is more, and none by more than the plan's limit.
func Assess(s Summary, p Plan) Verdict {
	allowed := max(p.Repeat/share, Negligible)
	late := fmt.Sprintf("99 in 100 pulses are at most %v late", Round(s.P99))
	switch {
	case s.Count == 0:
		return Verdict{Words: "nothing was measured"}
	case s.Max > p.Limit:
		return Verdict{Words: fmt.Sprintf("not good enough for %s: the latest pulse was %v late, and one that is more than "+
			"%v late is not fired", p.Name, Round(s.Max), p.Limit)}
	case s.P99 > allowed:
		return Verdict{Words: fmt.Sprintf("not good enough for %s: %s, and %v would be", p.Name, late, Round(allowed))}
	case allowed == Negligible:
		return Verdict{true, fmt.Sprintf("good enough for %s: %s, too little for a picture to show", p.Name, late)}
	}
	return Verdict{true, fmt.Sprintf("good enough for %s: %s, and the plan itself varies by %v from shot to shot", p.Name,
		late, Round(p.Repeat))}
}

// Round leaves two or three digits of a time, for people.
func Round(d time.Duration) time.Duration {
	unit := time.Nanosecond
	for d >= 1000*unit {
		unit *= 10
	}
	return d.Round(unit)
}
