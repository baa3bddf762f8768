package scene

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The sheet spreads and thins as it flies, its volume stays, and it goes from film to threads to drops.
func TestASheetThinsAndBreaks(t *testing.T) {
	f := release(t, calm(2), throwSet(), 1)[0]
	require.True(t, f.Arrives)
	last := *f.sheetAt(f.Contact)
	assert.Len(t, last.Parcels, parcels)
	seen := map[Form]bool{}
	for at := f.Contact + 20*time.Millisecond; at < f.Contact+900*time.Millisecond; at += 20 * time.Millisecond {
		s := *f.sheetAt(at)
		assert.Greater(t, s.Length, last.Length)
		assert.Greater(t, s.Width, last.Width)
		assert.Less(t, s.Thickness, last.Thickness)
		assert.GreaterOrEqual(t, s.Breakup, last.Breakup-1e-9)
		area := math.Pi / 4 * float64(s.Length*s.Width)
		assert.InEpsilon(t, volumeOf(f.Set.Throw.Mass), area*float64(s.Thickness), 1e-9)
		for i, p := range s.Parcels {
			assert.GreaterOrEqual(t, p.Form, last.Parcels[i].Form, "it does not mend")
			seen[p.Form] = true
		}
		last = s
	}
	assert.Equal(t, map[Form]bool{Film: true, Thread: true, Drop: true}, seen)
}

// Parcels fly on as their velocities say.
func TestParcelsGoTheirOwnWays(t *testing.T) {
	f := release(t, calm(2), throwSet(), 1)[0]
	at, dt := f.Best-20*time.Millisecond, 100*time.Microsecond
	a, b := f.sheetAt(at), f.sheetAt(at+dt)
	different := map[float64]bool{}
	for i, p := range a.Parcels {
		q := b.Parcels[i]
		assert.InDelta(t, float64(p.Velocity.Z)*dt.Seconds(), float64(q.At.Z-p.At.Z), 1e-9)
		assert.InDelta(t, float64(p.Velocity.X)*dt.Seconds(), float64(q.At.X-p.At.X), 1e-9)
		assert.InDelta(t, float64(p.Velocity.Y+q.Velocity.Y)/2*dt.Seconds(), float64(q.At.Y-p.At.Y), 1e-9)
		different[float64(p.Velocity.X)] = true
	}
	assert.Greater(t, len(different), parcels/2)
}

// A thread a millimetre across breaks within some hundredths of a second, one twice as thick in 2.8 times that
// (Rayleigh: r to the power of 3/2); a film half a millimetre thick draws back at 0.54 m/s (Culick; by hand with 72.75
// mN/m).
func TestThreadsLastAsLongAsRayleighSays(t *testing.T) {
	lasts := func(volume float64) (float64, float64) {
		piece := film{volume: volume}
		side := math.Sqrt(volume / tearsAt)
		sides := func(age float64) (float64, float64) { return side * (0.5 + age), side * (0.5 + age) } // tears at 0.5
		from, to := 0.0, 0.0
		var width float64
		for age := 0.5; age < 2; age += 1e-4 {
			form, size := piece.at(sides, age)
			if form == Thread && from == 0 {
				from, width = age, float64(size)
			}
			if form == Drop {
				to = age
				break
			}
		}
		require.NotZero(t, to)
		assert.InDelta(t, side/2/0.539, from-0.5, 2e-3)
		return to - from, width
	}
	thin, d := lasts(3e-8)
	thick, d2 := lasts(3e-7)
	assert.InEpsilon(t, 13.5*math.Sqrt(d*d*d/8/72.9e-6), thin, 0.02)
	assert.InEpsilon(t, math.Pow(d2/d, 1.5), thick/thin, 0.02)
}
