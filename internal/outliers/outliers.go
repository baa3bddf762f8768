// Package outliers finds outliers by their modified z-score: B. Iglewicz and D. C. Hoaglin, How to Detect and
// Handle Outliers, 1993, as the NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17, recommends it.
package outliers

import "slices"

// Number is what can be measured repeatedly. A time.Duration is one.
type Number interface{ ~int64 | ~float64 }

const (
	// maxScore is the modified z-score above which a value is an outlier.
	maxScore = 3.5
	// scoreScale makes a median absolute deviation of a normal distribution its standard deviation.
	scoreScale = 0.6745
)

// Of is the indices of the outliers, ascending. What the others differ by is taken to be least at least, so that small
// differences from values that are all alike count for nothing. Half of the values are never outliers.
func Of[T Number](values []T, least T) (indices []int) {
	if len(values) == 0 {
		return nil
	}
	middle := Median(values)
	deviations := make([]T, len(values))
	for i, x := range values {
		deviations[i] = max(x-middle, middle-x)
	}
	usual := max(Median(deviations), least)
	for i, d := range deviations {
		if scoreScale*float64(d) > maxScore*float64(usual) {
			indices = append(indices, i)
		}
	}
	return indices
}

// Median is the middle value, or the mean of the two in the middle. There is at least one value.
func Median[T Number](values []T) T {
	sorted := slices.Sorted(slices.Values(values))
	n := len(sorted)
	return (sorted[(n-1)/2] + sorted[n/2]) / 2
}
