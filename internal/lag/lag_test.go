package lag

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Michelson's hundred measurements of the speed of light in air, 1879, in thousands of km/s: the set "Michelso" of the
// NIST Statistical Reference Datasets, with its certified mean and standard deviation. From memory: that the hundred
// numbers have that mean and that deviation to the last digit is what says that they are remembered right.
const michelson = `
299.85 299.74 299.90 300.07 299.93 299.85 299.95 299.98 299.98 299.88 300.00 299.98 299.93 299.65 299.76 299.81 300.00
300.00 299.96 299.96 299.96 299.94 299.96 299.94 299.88 299.80 299.85 299.88 299.90 299.84 299.83 299.79 299.81 299.88
299.88 299.83 299.80 299.79 299.76 299.80 299.88 299.88 299.88 299.86 299.72 299.72 299.62 299.86 299.97 299.95 299.88
299.91 299.85 299.87 299.84 299.84 299.85 299.84 299.84 299.84 299.89 299.81 299.81 299.82 299.80 299.77 299.76 299.74
299.75 299.76 299.91 299.92 299.89 299.86 299.88 299.72 299.84 299.85 299.85 299.78 299.89 299.84 299.78 299.81 299.76
299.81 299.79 299.81 299.82 299.85 299.87 299.87 299.81 299.74 299.81 299.94 299.95 299.80 299.81 299.87`

const (
	certifiedMean = 299.852400000000
	certifiedSD   = 0.0790105478190518
)

// A thousand km/s stands for 1 s here.
func TestCertifiedValues(t *testing.T) {
	var samples []time.Duration
	for _, field := range strings.Fields(michelson) {
		var x float64
		_, err := fmt.Sscan(field, &x)
		require.NoError(t, err)
		samples = append(samples, time.Duration(math.Round(x*1e9)))
	}
	require.Len(t, samples, 100)
	mean, sd := meanSD(samples)
	assert.Equal(t, time.Duration(math.Round(certifiedMean*1e9)), mean)
	assert.Equal(t, time.Duration(math.Round(certifiedSD*1e9)), sd)
	s := Summarize(samples)
	assert.Equal(t, 299_620_000_000*time.Nanosecond, s.Min)
	assert.Equal(t, 300_070_000_000*time.Nanosecond, s.Max)
}

// "NumAcc1" of the same sets: three numbers, certified mean 10000002 and standard deviation 1.
func TestLargeNumbers(t *testing.T) {
	mean, sd := meanSD([]time.Duration{10000001, 10000003, 10000002})
	assert.Equal(t, time.Duration(10000002), mean)
	assert.Equal(t, time.Duration(1), sd)
}

// Of a normal distribution few are called outliers, and what is planted far outside is found and left out.
func TestOutliers(t *testing.T) {
	const seed = 4
	r := rand.New(rand.NewPCG(seed, 1))
	called, drawn := 0, 0
	for range 200 {
		var samples []time.Duration
		for range 20 {
			samples = append(samples, 80*time.Millisecond+time.Duration(r.NormFloat64()*float64(time.Millisecond)))
		}
		before := Summarize(samples)
		called, drawn = called+len(before.Outliers), drawn+20
		at := r.IntN(len(samples))
		samples[at] += 30 * time.Millisecond
		s := Summarize(samples)
		assert.Contains(t, s.Outliers, at)
		assert.InDelta(t, 80, s.Mean.Seconds()*1e3, 1.2, "seed %d: five standard errors", seed)
	}
	t.Logf("seed %d: %d of %d drawn from a normal distribution are called outliers", seed, called, drawn)
	assert.Less(t, called, drawn/20)
}

func TestFewAndSteadyMeasurements(t *testing.T) {
	assert.Equal(t, Summary{}, Summarize(nil))
	one := Summarize([]time.Duration{80 * time.Millisecond})
	assert.Equal(t, 80*time.Millisecond, one.Mean)
	assert.Zero(t, one.SD)
	assert.Equal(t, []Bin{{80 * time.Millisecond, 80*time.Millisecond + 10*time.Microsecond, 1}}, one.Bins)

	steady := Summarize([]time.Duration{80e6, 80e6, 80e6, 80e6, 80e6 + 500}) // one tick of half a microsecond
	assert.Empty(t, steady.Outliers)
	assert.Equal(t, []int{4}, Summarize([]time.Duration{80e6, 80e6, 80e6, 80e6, 81e6}).Outliers)
}

// Whatever is measured, each is in one bin, the bins touch, and they are few.
func TestBins(t *testing.T) {
	const seed = 5
	r := rand.New(rand.NewPCG(seed, 1))
	for range 2000 {
		samples := make([]time.Duration, 1+r.IntN(50))
		span := 1 + r.Int64N(1<<r.IntN(31))
		for i := range samples {
			samples[i] = time.Duration(r.Int64N(span))
		}
		s := Summarize(samples)
		require.LessOrEqual(t, len(s.Bins), maxBins, "seed %d: %v", seed, samples)
		count := 0
		for i, b := range s.Bins {
			count += b.Count
			require.Less(t, b.From, b.To)
			if i > 0 {
				require.Equal(t, s.Bins[i-1].To, b.From)
			}
		}
		require.Equal(t, len(samples), count)
		require.NotZero(t, s.Bins[0].Count)
		require.NotZero(t, s.Bins[len(s.Bins)-1].Count)
		require.LessOrEqual(t, s.Bins[0].From, s.Min)
	}
}
