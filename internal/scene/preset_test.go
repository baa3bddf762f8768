package scene

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/shot"
)

// From easy to hard fewer throws are good when their delay is the one that was right on average, and the usual room is
// the one that New gives.
func TestPresetsGetHarder(t *testing.T) {
	set := throwSet()
	set.Throw.ToFocus = 8e-2
	last := 2.0
	for _, p := range Presets() {
		good, n := 0, 0
		for seed := range uint64(8) {
			var offs []float64
			for _, f := range release(t, NewIn(seed, p), set, 60) {
				if f.Arrives && len(f.Missed) == 0 {
					offs = append(offs, (first(t, f, Beam)-f.Best).Seconds()*float64(f.Speed))
				}
			}
			mean, _ := meanSD(offs)
			for _, x := range offs {
				n++
				if math.Abs(x-mean)*1e3 <= goodThrowMm/2 {
					good++
				}
			}
		}
		share := float64(good) / float64(n)
		t.Logf("%s: %.2f of %d within %.0f mm", p.Name, share, n, goodThrowMm/2)
		assert.Less(t, share, last-0.05, p.Name)
		last = share
		named, err := PresetNamed(p.Name)
		require.NoError(t, err)
		assert.Equal(t, p, named)
	}
	usual, err := PresetNamed(UsualPreset)
	require.NoError(t, err)
	assert.Equal(t, release(t, New(3), set, 5), release(t, NewIn(3, usual), set, 5))
	_, err = PresetNamed("attic")
	assert.EqualError(t, err, `there is no room "attic": use one of still, kitchen, squall`)
}

// The first throws vary more than later ones, and the last are slower than the first.
func TestTheHandWarmsUpAndTires(t *testing.T) {
	s := calmSpreads()
	s.handDrift = handDrift{WarmUp: 1, Tires: 0.2}
	const rooms, throws = 60, 120
	speeds := make([][]float64, throws)
	for seed := range uint64(rooms) {
		r := newWith(seed, s)
		for i, f := range release(t, r, throwSet(), throws) {
			speeds[i] = append(speeds[i], float64(f.Passing/r.handSpeed(throwSet().Throw)))
		}
	}
	first, last := stats(speeds[:4]), stats(speeds[throws-20:])
	assert.InDelta(t, 1, first[0], 0.06)
	assert.InDelta(t, 0.8+0.2*math.Exp(-110/tireThrows), last[0], 0.02)
	assert.Greater(t, first[1]/first[0], 1.4*last[1]/last[0])
}

// stats are the mean and the standard deviation of all.
func stats(lists [][]float64) [2]float64 {
	var all []float64
	for _, l := range lists {
		all = append(all, l...)
	}
	mean, sd := meanSD(all)
	return [2]float64{mean, sd}
}

// A camera that hesitates is late by 20 to 120 ms in some releases; the others are what they are without that.
func TestTheCameraHesitates(t *testing.T) {
	s := calmSpreads()
	with := s
	with.LagOutlier = 0.1
	calm, odd := newWith(5, s), newWith(5, with)
	const n = 1000
	late := 0
	for i := range n {
		at := time.Duration(i) * 10 * time.Second
		a, b := calm.Drive(Shutter, true, at), odd.Drive(Shutter, true, at)
		calm.Drive(Shutter, false, at+time.Second)
		odd.Drive(Shutter, false, at+time.Second)
		if by := b[0].At - a[0].At; by != 0 {
			late++
			assert.True(t, by >= minHesitates && by <= maxHesitates, by)
		}
	}
	assert.InDelta(t, 0.1*n, late, 4*math.Sqrt(n*0.1*0.9))
}

// A door that opens while the shutter is open veils the picture, and says so; one that is open while the shutter is
// shut does not.
func TestADoorLetsLightIn(t *testing.T) {
	s := calmSpreads()
	s.Door = 1
	set := dropSet()
	set.Light.Shutter = shot.ByHand
	veiled := 0
	const n = 50
	for i := range n {
		r := newWith(uint64(i), s)
		f := release(t, r, set, 1)[0]
		r.Drive(Flash, true, f.Best-FlashDelay)
		frame := r.Look(f)
		if p, ok := r.Picture(f); frame.Veiled {
			veiled++
			assert.True(t, ok && p.Door >= veilAfter)
			assert.Contains(t, frame.Seen, "a door was open")
		}
	}
	assert.Greater(t, veiled, n/3, "of doors that all opened about that time")

	set.Light.Shutter = shot.ByEdge
	r := newWith(1, s)
	f := release(t, r, set, 1)[0]
	f.door = span{f.Released - time.Hour, f.Released - time.Minute}
	r.Drive(Shutter, true, f.Best-100*time.Millisecond)
	r.Drive(Flash, true, f.Best-FlashDelay)
	assert.False(t, r.Look(f).Veiled)
}

// A flash that fires soon after another has not all of its light.
func TestTheFlashChargesUp(t *testing.T) {
	c := newCamera(1, 1, 0)
	c.light.Recycle = 2
	c.fire(0)
	c.fire(1900 * time.Millisecond)
	c.fire(20 * time.Second)
	assert.Equal(t, 1.0, c.chargeAt(0))
	assert.InDelta(t, 1-math.Exp(-3.8), c.chargeAt(1900*time.Millisecond), 1e-9)
	assert.InDelta(t, 1, c.chargeAt(20*time.Second), 1e-6)
}

// A beam that has sagged says up to 1.5 ms too late that it is broken, and nothing else is different.
func TestASaggingBeamIsLate(t *testing.T) {
	with, without := certain(7, mishaps{Sag: 1}), calm(7)
	for _, set := range []shot.Set{dropSet(), throwSet()} {
		a, b := release(t, with, set, 20), release(t, without, set, 20)
		for i := range a {
			late := first(t, a[i], Beam) - first(t, b[i], Beam)
			assert.True(t, late >= minSagLate && late <= maxSagLate, late)
			assert.Equal(t, b[i].Best, a[i].Best)
			assert.Contains(t, a[i].Sagged, Beam)
		}
	}
}

// Light that is high across the path is broken by few droplets, and by the sheet all the same.
func TestHighBeamsAreNotBrokenByDroplets(t *testing.T) {
	last := math.MaxInt
	for _, high := range []float64{0, 6, 12} {
		set := throwSet()
		if high > 0 {
			require.NoError(t, set.Put("throw.beam_height", fmt.Sprintf("%g mm", high)))
		}
		sprayed := 0
		for _, f := range release(t, certain(4, mishaps{Spray: 1}), set, 500) {
			sprayed += len(f.Sprayed)
			first(t, f, Gate)
			first(t, f, Beam)
		}
		t.Logf("light %v mm high: %d of 1000 passes", high, sprayed)
		assert.Less(t, sprayed, last)
		last = sprayed
	}
	assert.Less(t, last, 30)
}
