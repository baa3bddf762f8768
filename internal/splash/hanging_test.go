package splash

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
)

// The table against the solver that it was made with, run again.
func TestMaxHangingTable(t *testing.T) {
	for _, i := range []int{0, 3, 5, 8, 12} {
		row := maxHangingTable[i]
		assert.InEpsilon(t, row.volume, largestHanging(row.radius).volume, 1e-3, "%v", row.radius)
	}
}

// What can hang is more than falls, by what Young and Laplace leave on the tip, and less than Tate's whole weight.
func TestHanging(t *testing.T) {
	water := waterAt(20)
	for tip := phys.Length(0.5e-3); tip < 10e-3; tip *= 1.2 {
		h, err := HangingFrom(tip, water)
		require.NoError(t, err)
		tate := math.Pi * float64(tip) * float64(water.SurfaceTension) / (float64(water.Density) * phys.Gravity)
		assert.Greater(t, h.Most, h.Falls)
		assert.Less(t, float64(h.Most), tate)
		assert.InEpsilon(t, float64(h.Most-h.Falls), float64(h.Stays()), 1e-9)
	}
	_, err := HangingFrom(0.1e-3, water)
	domain := new(phys.DomainError)
	assert.ErrorAs(t, err, &domain, "too narrow for the table")
	_, err = HangingFrom(20e-3, water)
	assert.ErrorAs(t, err, &domain)
}

// letsGo runs the solver: with a surplus from the beginning, and with an inflow.
func letsGo(t *testing.T, tip, surplus, inflow float64) (breaks, falls, gained, most float64) {
	t.Helper()
	hanging := largestHanging(tip)
	n := newNecking(hanging, tip, waterViscosity, surplus, coarse)
	n.inflow = inflow
	n.pull()
	for breaks < 30 {
		step := n.step()
		for j := 1; j < len(n.place); j++ {
			n.speed[j] += n.force[j] * step
			n.place[j] += n.speed[j] * step
		}
		breaks += step
		if n.volume[1] += n.inflow * step; n.volume[1] > 2*n.volume[2] {
			n.divide(1, 0.5)
		}
		n.pull()
		for j := 2; j < len(n.place)-1; j++ {
			if n.height[j] > 0.12*n.tip && n.radius[j] < 0.9*n.tip {
				n.divide(j, 0.5)
				break
			}
		}
		if neck := n.neck(); neck > 0 && n.radius[neck] < 0.03*n.tip {
			return breaks, breaks - n.below(neck).speed, surplus + inflow*breaks/hanging.volume, hanging.volume
		}
	}
	t.Fatalf("tip %v with %v hangs on", tip, surplus)
	return
}

// The fit against the solver: when the neck breaks, and from when it falls as if released at rest. In units of
// sqrt(length/g), 16.7 ms for water.
func TestLetsGo(t *testing.T) {
	water := waterAt(20)
	unit := capillaryLength(water)
	for _, c := range []struct{ tip, surplus, inflow float64 }{{0.55, 0.1, 0}, {0.55, 0.3, 0}, {0.734, 0.1, 0}, {0.55,
		0.002, 0.1}} {
		breaks, falls, gained, _ := letsGo(t, c.tip, c.surplus, c.inflow)
		h, err := HangingFrom(phys.Length(2*c.tip*unit), water)
		require.NoError(t, err)
		flows := phys.Time(0)
		if c.inflow > 0 {
			flows = phys.Time(breaks) * h.unit
			assert.InEpsilon(t, breaks, float64(h.Breaks(c.inflow/largestHanging(c.tip).volume/float64(h.unit))/h.unit), 0.15)
		}
		got := float64(h.LetsGo(gained, flows) / h.unit)
		t.Logf("tip %v, surplus %.3f, flow %v: breaks at %.2f, falls from %.2f; the fit has %.2f", c.tip, gained, c.inflow,
			breaks,
			falls, got)
		assert.InDelta(t, falls, got, NeckingSpread*breaks)
	}
}

// More surplus lets go sooner, less flow breaks later.
func TestLetsGoShape(t *testing.T) {
	h, err := HangingFrom(3e-3, waterAt(20))
	require.NoError(t, err)
	assert.Greater(t, h.LetsGo(0.05, 0), h.LetsGo(0.1, 0))
	assert.Equal(t, h.LetsGo(MinSurplus, 0), h.LetsGo(0, 0), "not beyond what the solver lets go")
	assert.Greater(t, h.Breaks(1), h.Breaks(10))
}
