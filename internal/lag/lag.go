// Package lag says what repeated measurements of a camera's lag show: how long it is, how much it scatters, and which
// measurements do not belong to the others.
package lag

import (
	"math"
	"slices"
	"stillwater/internal/outliers"
	"time"
)

// Summary is what measurements show. Mean and SD are without the outliers.
type Summary struct {
	Mean     time.Duration
	SD       time.Duration // of a sample: divided by n-1; 0 for less than two
	Min      time.Duration // of all
	Max      time.Duration
	Outliers []int // indices, ascending
	Bins     []Bin // of all, from the shortest up, without gaps between them
}

// Bin is one bar of a histogram: how many were at least From and less than To.
type Bin struct {
	From, To time.Duration
	Count    int
}

const (
	// minDeviation stands in for the median absolute deviation of values that hardly scatter, where a few ticks would make
	// an outlier. Common practice, no source.
	minDeviation = 20 * time.Microsecond
	maxBins      = 12
)

// Summarize summarizes measurements; of none it is all zero.
func Summarize(samples []time.Duration) Summary {
	if len(samples) == 0 {
		return Summary{}
	}
	s := Summary{Min: slices.Min(samples), Max: slices.Max(samples), Outliers: outliers.Of(samples, minDeviation)}
	var kept []time.Duration
	for i, x := range samples {
		if _, out := slices.BinarySearch(s.Outliers, i); !out {
			kept = append(kept, x)
		}
	}
	s.Mean, s.SD = meanSD(kept)
	s.Bins = bins(samples, s.Min, s.Max)
	return s
}

// meanSD computes both in two passes: a sum of squares would lose the scatter of large values to rounding. There is at
// least one.
func meanSD(samples []time.Duration) (mean, sd time.Duration) {
	var sum, squares float64
	for _, x := range samples {
		sum += float64(x)
	}
	m := sum / float64(len(samples))
	for _, x := range samples {
		squares += (float64(x) - m) * (float64(x) - m)
	}
	if len(samples) > 1 {
		sd = time.Duration(math.Round(math.Sqrt(squares / float64(len(samples)-1))))
	}
	return time.Duration(math.Round(m)), sd
}

// widths are the widths that a bin may have, in each power of ten.
var widths = []time.Duration{1, 2, 5}

// bins divides the range into bars of a round width, at most maxBins.
func bins(samples []time.Duration, low, high time.Duration) []Bin {
	width := binWidth(high - low)
	first := low / width * width
	list := make([]Bin, (high-first)/width+1)
	for i := range list {
		list[i].From = first + time.Duration(i)*width
		list[i].To = list[i].From + width
	}
	for _, x := range samples {
		list[(x-first)/width].Count++
	}
	return list
}

// binWidth is the least round width that needs no more than maxBins for a range, wherever that begins.
func binWidth(span time.Duration) time.Duration {
	for decade := 10 * time.Microsecond; ; decade *= 10 {
		for _, w := range widths {
			if width := w * decade; span/width+2 <= maxBins {
				return width
			}
		}
	}
}
