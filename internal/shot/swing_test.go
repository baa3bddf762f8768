package shot

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
	"stillwater/internal/splash"
)

// swung are dice for how often a water drop of about 4.5 mm has swung when it lands: by Rayleigh's formula (1879), and
// a fall without air.
func swung(t *testing.T, height float64) (swings []float64) {
	t.Helper()
	set, r := DefaultSet(), seeded(t)
	d, err := set.DropDiameter()
	require.NoError(t, err)
	start, err := set.Drop.start()
	require.NoError(t, err)
	since := math.Sqrt(2*(height-float64(start.Release))/phys.Gravity) - float64(start.Speed)/phys.Gravity
	for range 4000 {
		size := float64(d) * (1 + DefaultSpread().DropKnown*r.NormFloat64())
		period := math.Pi / 4 * math.Sqrt(998.2*size*size*size/0.07274) * (1.03 + 0.02*r.NormFloat64())
		swings = append(swings, since/period+0.1*r.NormFloat64())
	}
	return swings
}

// After the ten swings of a fall of 40 cm it is not known within a quarter of one how a drop lands, and the advice says
// so, and by how much; from 12 cm it is, and the advice says from which heights it lands longest and flattest.
func TestHeightsAtWhichDropsLandAlike(t *testing.T) {
	advice := func(height phys.Length) string {
		set := DefaultSet()
		set.Drop.Height, set.Drop.Phase = height, splash.CraterDeepest
		e, err := set.Estimate()
		require.NoError(t, err)
		all, err := Advice(set, e, DefaultSpread(), defaultTick)
		require.NoError(t, err)
		for _, a := range all {
			if strings.HasPrefix(a, "The drop swings") {
				t.Log(a)
				return a
			}
		}
		return ""
	}
	number := func(text, pattern string) float64 {
		said := regexp.MustCompile(pattern).FindStringSubmatch(text)
		require.NotNil(t, said, text)
		x, err := strconv.ParseFloat(said[1], 64)
		require.NoError(t, err)
		return x
	}
	high := advice(40 * cm)
	unsure := sd(swung(t, 0.4))
	assert.Greater(t, unsure, maxSwingError)
	assert.InDelta(t, unsure, number(high, `but only to (\d\.\d+) of one`), 0.03)
	upTo := number(high, `up to (\d+) mm it is`) / 1e3
	assert.InDelta(t, maxSwingError, sd(swung(t, upTo)), 0.02)

	low := advice(12 * cm)
	longest, flattest := number(low, `stretched, about (\d+) mm`)/1e3, number(low, `flat, about (\d+) mm`)/1e3
	off := func(height, from float64) (within float64) {
		sum := 0.
		for _, n := range swung(t, height) {
			x := math.Remainder(n-from, 1)
			sum += x * x
		}
		return math.Sqrt(sum / 4000)
	}
	assert.Less(t, off(longest, 0), maxSwingError)
	assert.Less(t, off(flattest, 0.5), maxSwingError)
	assert.InDelta(t, 0.02, math.Abs(longest-flattest), 0.012, "half a swing apart")
}
