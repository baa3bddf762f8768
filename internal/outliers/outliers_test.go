package outliers

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
)

func TestMedian(t *testing.T) {
	assert.Equal(t, 2.0, Median([]float64{3, 1, 2}))
	assert.Equal(t, 2.5, Median([]float64{4, 3, 1, 2}))
	assert.Equal(t, 5*time.Millisecond, Median([]time.Duration{6e6, 4e6}))
}

// Scores worked out by hand: of 1, 2, 3, 4 and x the median is 3 and the median deviation 1, so that x is an outlier
// from 3 + 3.5/0.6745 = 8.19 on.
func TestOf(t *testing.T) {
	for name, test := range map[string]struct {
		values []float64
		least  float64
		want   []int
	}{
		"none":             {nil, 0, nil},
		"one":              {[]float64{7}, 0, nil},
		"just inside":      {[]float64{1, 2, 3, 4, 8.18}, 0, nil},
		"just outside":     {[]float64{8.2, 1, 2, 3, 4}, 0, []int{0}},
		"all but one same": {[]float64{1, 1, 1, 1.1}, 0, []int{3}},
		"within the least": {[]float64{1, 1, 1, 1.1}, 0.1, nil},
		"half":             {[]float64{1, 1, 9, 9}, 0, nil},
	} {
		assert.Equal(t, test.want, Of(test.values, test.least), name)
	}
}
