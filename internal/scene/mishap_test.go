package scene

import (
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/shot"
)

// breaks are the times at which a sensor is broken, bounce left out.
func breaks(f Flight, s Sensor) (from []time.Duration) {
	var clear time.Duration = -time.Hour
	for _, e := range f.Edges {
		if e.Sensor != s {
			continue
		}
		if e.Active && e.At-clear > maxBounceGap {
			from = append(from, e.At)
		}
		if !e.Active {
			clear = e.At
		}
	}
	return from
}

// certain is a room in which one mishap comes each time.
func certain(seed uint64, m mishaps) *Room {
	s := calmSpreads()
	s.mishaps = m
	return newWith(seed, s)
}

// A satellite follows its drop through the beam, 20 to 40 ms later where that is 5 cm below the nozzle, and the drop is
// what it is without.
func TestSatellitesFollow(t *testing.T) {
	with, without := certain(7, mishaps{Satellite: 1}), calm(7)
	least, most := time.Hour, time.Duration(0)
	for range 100 {
		a, err := with.Release(dropSet(), 0)
		require.NoError(t, err)
		b, err := without.Release(dropSet(), 0)
		require.NoError(t, err)
		assert.Equal(t, []any{b.Best, b.Contact, b.Speed}, []any{a.Best, a.Contact, a.Speed})
		assert.Equal(t, first(t, b, Beam), first(t, a, Beam))
		seen := breaks(a, Beam)
		require.Len(t, seen, 2)
		require.Len(t, breaks(b, Beam), 1)
		least, most = min(least, seen[1]-seen[0]), max(most, seen[1]-seen[0])
	}
	t.Logf("satellites come %v to %v after their drops", least, most)
	assert.Greater(t, least, 20*time.Millisecond)
	assert.Less(t, most, 40*time.Millisecond)
}

// Without a hold-off longer than that a satellite counts as a drop of a train: the second edge that counts is then not
// the second drop's. With the compiled program's it is.
func TestHoldOffKeepsSatellitesOutOfATrain(t *testing.T) {
	set := dropSet()
	set.Drop.Nth = 2
	program, _, err := shot.Compile(set, bench())
	require.NoError(t, err)
	r := certain(8, mishaps{Satellite: 1})
	wrong := 0
	for _, f := range release(t, r, set, 50) {
		drop := first(t, f, Beam) + dripPeriod*8/10 // the second drop is not sooner
		assert.Greater(t, nth(f, 2, program.HoldOff), drop)
		if nth(f, 2, 5*time.Millisecond) < drop {
			wrong++
		}
	}
	assert.Equal(t, 50, wrong, "a hold-off for bounce alone takes every satellite for a drop")
}

// nth is the n-th edge of the beam that no hold-off swallows, as the board counts.
func nth(f Flight, n int, holdOff time.Duration) time.Duration {
	last := time.Duration(-time.Hour)
	for _, e := range f.Edges {
		if e.Sensor != Beam || !e.Active || e.At-last < holdOff {
			continue
		}
		if last, n = e.At, n-1; n == 0 {
			return e.At
		}
	}
	return math.MaxInt64
}

// A droplet breaks a beam before the sheet does, 2 to 8 cm ahead of it, and the sheet is where it is without.
func TestSprayComesAhead(t *testing.T) {
	with, without := certain(3, mishaps{Spray: 1}), calm(3)
	for range 50 {
		a, err := with.Release(throwSet(), 0)
		require.NoError(t, err)
		b, err := without.Release(throwSet(), 0)
		require.NoError(t, err)
		assert.Equal(t, b.Best, a.Best)
		for _, s := range []Sensor{Gate, Beam} {
			seen := breaks(a, s)
			require.Len(t, seen, 2)
			assert.Equal(t, first(t, b, s), seen[1])
			ahead := (seen[1] - seen[0]).Seconds() * float64(a.Passing)
			assert.True(t, ahead > 0.0199 && ahead < 0.0801, "%.3f m", ahead)
		}
	}
}

// A sheet with holes breaks a beam more than once, and within its own length.
func TestSheetsWithHoles(t *testing.T) {
	pieces := map[int]bool{}
	for _, f := range release(t, certain(4, mishaps{Hole: 1}), throwSet(), 50) {
		seen := breaks(f, Gate)
		pieces[len(seen)] = true
		assert.Less(t, (seen[len(seen)-1]-seen[0]).Seconds()*float64(f.Passing), f.passLength(f.Set.Throw, 0)+0.02)
	}
	assert.True(t, pieces[2] && pieces[3] && pieces[4], "%v", pieces)
}

// What a beam misses leaves no edge there and is named; chances are what they are said to be.
func TestMishapsComeAtTheirRates(t *testing.T) {
	const n = 2000
	satellites, spray, holes, missed := 0, 0, 0, 0
	for _, f := range release(t, New(6), dropSet(), n) {
		switch len(breaks(f, Beam)) {
		case 0:
			assert.Equal(t, []Sensor{Beam}, f.Missed)
			missed++
		case 2:
			satellites++
		}
	}
	for _, f := range release(t, New(6), throwSet(), n) {
		for _, s := range []Sensor{Gate, Beam} {
			seen := breaks(f, s)
			assert.Equal(t, len(seen) == 0, slices.Contains(f.Missed, s))
			if len(seen) == 0 {
				missed++
				continue
			}
			lead := f.Contact
			if s == Gate {
				lead = seen[0] // of the gate the room keeps no truth: what is ahead shows at the beam
			}
			if (lead-seen[0]).Seconds()*float64(f.Passing) > minAhead-4*float64(defaultSpreads().RaggedEdge) {
				spray++
			} else if s == Beam && len(seen) > 1 {
				holes++
			}
		}
	}
	m := usualMishaps()
	near := func(want float64, got, n int, what string) {
		sd := math.Sqrt(want * (1 - want) / float64(n))
		assert.InDelta(t, want, float64(got)/float64(n), 4*sd, what)
	}
	near(m.Satellite*(1-m.Missed), satellites, n, "satellites")
	near(m.Missed, missed, 3*n, "missed")
	near(m.Spray*(1-m.Missed), spray, n, "spray at the beam")
	near(m.Hole*(1-m.Missed)*(1-m.Spray), holes, n, "holes at the beam")
}
