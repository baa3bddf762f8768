package scene

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/ballistics"
	"stillwater/internal/phys"
	"stillwater/internal/shot"
	"stillwater/internal/splash"
)

// The drop is where package ballistics has it: between two instants it falls as far as a fall from its speed says.
func TestTheFallingDropIsWhereBallisticsHasIt(t *testing.T) {
	f := release(t, New(3), dropSet(), 1)[0]
	for _, before := range []time.Duration{5 * time.Millisecond, 15 * time.Millisecond} {
		w := f.WaterAt(f.Contact - before)
		require.Len(t, w.Balls, 1)
		b := w.Balls[0]
		lowest := b.At.Y - f.Diameter/2*phys.Length(1+b.Stretch)
		arrival, err := ballistics.Fall(f.Diameter, lowest, -b.Velocity.Y)
		require.NoError(t, err)
		assert.InDelta(t, before.Seconds(), float64(arrival.Time), 0.2e-3)
		assert.InDelta(t, float64(f.Speed), float64(arrival.Speed), 0.05)
	}
}

// Rayleigh's frequency: a 4.4 mm drop of water swings about 37 times a second (8 sigma/(rho r³), by hand).
func TestTheDropSwingsAtRayleighsFrequency(t *testing.T) {
	f := release(t, New(3), dropSet(), 1)[0]
	f.Diameter = 4.4e-3
	crossings, last := 0, f.swing(0)
	const span = 1.0
	for s := 0.0; s < span; s += 1e-4 {
		now := f.swing(s)
		if now*last < 0 {
			crossings++
		}
		last = now
	}
	assert.InDelta(t, 37.3, float64(crossings)/2/span, 1.5)
	assert.Less(t, math.Abs(f.swing(3)), 0.02, "it has come to rest")
}

// The crater opens fast and ever slower: after a tenth of its time it has almost half of its radius, as R ~ t^(2/5) at
// first.
func TestTheCraterOpensByItsEnergy(t *testing.T) {
	assert.InDelta(t, 0.4, math.Log(craterOpening(0.04)/craterOpening(0.01))/math.Log(4), 0.05)
	assert.InDelta(t, 1, craterOpening(1), 1e-3)
	for s := 0.05; s < 1; s += 0.05 {
		assert.Greater(t, craterOpening(s), craterOpening(s-0.05))
	}
}

// Each phase shows what it is called.
func TestTheSplashIsInItsPhase(t *testing.T) {
	for seed := range uint64(20) {
		f := release(t, New(seed), dropSet(), 1)[0]
		at := map[splash.Phase]time.Duration{}
		for _, p := range f.Phases {
			at[p.Phase] = p.At
		}
		ms := time.Millisecond
		highest := f.WaterAt(at[splash.CrownHighest])
		require.NotNil(t, highest.Crown)
		assert.InDelta(t, 0, float64(highest.Crown.Rising), 1e-2)
		for _, off := range []time.Duration{-2 * ms, 2 * ms} {
			if w := f.WaterAt(at[splash.CrownHighest] + off); w.Crown != nil {
				assert.Less(t, w.Crown.Height, highest.Crown.Height)
			}
		}
		deepest := f.WaterAt(at[splash.CraterDeepest]).Crater
		require.NotNil(t, deepest)
		assert.Less(t, f.WaterAt(at[splash.CraterDeepest]+5*ms).Crater.Depth, deepest.Depth)
		assert.Less(t, f.WaterAt(at[splash.CraterDeepest]-5*ms).Crater.Depth, deepest.Depth)
		assert.Nil(t, f.WaterAt(at[splash.ColumnEmerges]-ms).Column)
		require.NotNil(t, f.WaterAt(at[splash.ColumnEmerges]+ms).Column)
		top := f.WaterAt(at[splash.ColumnHighest]).Column
		require.NotNil(t, top)
		assert.InDelta(t, 0, float64(top.Rising), 1e-2)
		assert.Nil(t, f.WaterAt(at[splash.ColumnGone]+ms).Column)
		assert.Equal(t, Water{Liquid: "water", Detail: f.Detail, Pool: true}, f.WaterAt(f.Ends))
	}
}

// A column's tip comes down by gravity alone on its way up: between any three instants it loses g per second.
func TestTheColumnRisesAgainstGravity(t *testing.T) {
	f := release(t, New(1), dropSet(), 1)[0]
	from, _ := f.phase(splash.ColumnEmerges)
	to, _ := f.phase(splash.ColumnHighest)
	at := func(share float64) time.Duration {
		return f.Contact + time.Duration((from+(to-from)*share)*1e9)
	}
	a, b := f.WaterAt(at(0.3)).Column, f.WaterAt(at(0.8)).Column
	assert.InDelta(t, phys.Gravity*(at(0.8)-at(0.3)).Seconds(), float64(a.Rising-b.Rising), 1e-3)
	assert.InDelta(t, float64(a.Rising+b.Rising)/2*(at(0.8)-at(0.3)).Seconds(), float64(b.Height-a.Height), 1e-5)
}

// A thrown sheet is as far past the focus spot as the frame's words say, and falls on its way.
func TestTheSheetIsWhereTheWordsSay(t *testing.T) {
	set := throwSet()
	f := release(t, New(5), set, 1)[0]
	require.True(t, f.Arrives)
	w := f.WaterAt(f.Best)
	require.NotNil(t, w.Sheet)
	assert.Equal(t, Point{Y: f.Above, Z: f.Aside}, w.Sheet.At)
	assert.InDelta(t, float64(f.Speed), math.Hypot(float64(w.Sheet.Velocity.X), float64(w.Sheet.Velocity.Y)), 1e-9)
	later := f.WaterAt(f.Best + 10*time.Millisecond).Sheet
	assert.InDelta(t, 0.01*float64(f.Through.X), float64(later.At.X), 1e-9)
	assert.InDelta(t, -phys.Gravity*0.01, float64(later.Velocity.Y-w.Sheet.Velocity.Y), 1e-9)
}

// A hand is as uneven sideways as up and down: what passes aside is out of the plane in focus.
func TestThrowsPassAside(t *testing.T) {
	var aside []float64
	r, set := New(9), throwSet()
	for _, f := range release(t, r, set, 400) {
		if f.Arrives {
			aside = append(aside, float64(f.Aside)/(float64(f.Passing)*(f.Best-f.Contact).Seconds()))
		}
	}
	mean, sd := meanAndSD(aside)
	assert.InDelta(t, 0, mean, 0.01)
	assert.InDelta(t, float64(defaultSpreads().ThrowAngle), sd, 0.006)
}

// The picture's liquid is that at the flash's peak; without light it is black, and a sound has none.
func TestTheRoomsPicture(t *testing.T) {
	r := New(2)
	set := dropSet()
	set.Light.Shutter = shot.ByHand
	f := release(t, r, set, 1)[0]
	p, ok := r.Picture(f)
	require.True(t, ok)
	assert.False(t, p.Exposed)
	r.Drive(Flash, true, f.Best-FlashDelay)
	p, ok = r.Picture(f)
	require.True(t, ok)
	assert.True(t, p.Exposed)
	assert.Equal(t, f.WaterAt(f.Best), p.Water)
	_, ok = r.Picture(release(t, r, soundSet(), 1)[0])
	assert.False(t, ok)
}
