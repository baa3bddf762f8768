package shot

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
)

func throwAsUsual(t *testing.T) (Set, Estimate) {
	t.Helper()
	set := farSet()
	set.Kind = Throw
	e, err := set.Estimate()
	require.NoError(t, err)
	return set, e
}

// From a beginner's set it finds places of which 95 % are in place, says them, and leaves such a set alone.
func TestBetterPlaces(t *testing.T) {
	set, e := throwAsUsual(t)
	before, err := InPlaceShare(set, e, DefaultSpread(), defaultTick)
	require.NoError(t, err)
	assert.Less(t, before, 0.35)
	better, share, err := BetterPlaces(set, e, DefaultSpread(), defaultTick)
	require.NoError(t, err)
	assert.GreaterOrEqual(t, share, goodShare)
	t.Logf("before %.2f; gate %v, to focus %v, shutter %v: %.3f", before, better.Throw.Gate, better.Throw.ToFocus,
		better.Light.Shutter, share)
	assert.Less(t, better.Throw.ToFocus, set.Throw.ToFocus)
	assert.NotEqual(t, ByEdge, better.Light.Shutter, "there is no time for the camera's lag")
	better.Throw.SpeedLow = 2
	_, _, err = Compile(better, testBench())
	require.NoError(t, err, "and it works")

	interval, err := better.Throw.interval(e.Speed)
	require.NoError(t, err)
	at, err := better.estimateInterval(interval)
	require.NoError(t, err)
	same, _, err := BetterPlaces(better, at, DefaultSpread(), defaultTick)
	require.NoError(t, err)
	assert.Equal(t, better, same)
	says, err := Advice(set, e, DefaultSpread(), defaultTick)
	require.NoError(t, err)
	assert.Contains(t, says[1], "before the focus spot, and the flash firing in the dark, the shutter opened "+
		"beforehand, about ")
}

// The usual throw is one that works: its beams stand where BetterPlaces has them.
func TestTheUsualThrowIsWellPlaced(t *testing.T) {
	set := DefaultSet()
	set.Kind = Throw
	e, err := set.Estimate()
	require.NoError(t, err)
	same, share, err := BetterPlaces(set, e, DefaultSpread(), defaultTick)
	require.NoError(t, err)
	assert.Equal(t, set, same)
	assert.GreaterOrEqual(t, share, goodShare)
	says, err := Advice(set, e, DefaultSpread(), defaultTick)
	require.NoError(t, err)
	assert.NotContains(t, strings.Join(says, " "), "before the focus spot, about", "there is nothing better to say")
}

// Better places ask for an earlier shutter of throws only: other kinds with their time keep the edge.
func TestBetterPlacesLeaveOtherKindsTheirShutter(t *testing.T) {
	set, e := throwAsUsual(t)
	better, _, err := BetterPlaces(set, e, DefaultSpread(), defaultTick)
	require.NoError(t, err)
	assert.Equal(t, ByGo, better.ShutterBy())
	for _, kind := range []Kind{Drop, Sound, Drops} {
		better.Kind = kind
		assert.Equal(t, ByEdge, better.ShutterBy(), kind)
	}
}

// Left to itself the shutter opens after the edge wherever a plan with it is possible, and at Go elsewhere, so that no
// set that works by one of the two is refused; with the board's own delays counted.
func TestShutterOpensAsThereIsTime(t *testing.T) {
	r := seeded(t)
	by := map[ShutterBy]int{}
	for range 200 {
		set, bench := DefaultSet(), testBench()
		set.Kind = []Kind{Drop, Throw, Sound}[r.IntN(3)]
		set.Light.Lag = phys.Time(r.Float64() * 0.2)
		set.Throw.ToFocus = phys.Length(0.01 + r.Float64())
		set.Sound.After = phys.Time(r.Float64() * 0.3)
		set.Drop.Beam = phys.Length(0.05 + 0.34*r.Float64())
		bench.Shutter.Delay = time.Duration(r.Float64() * float64(30*time.Millisecond))
		auto, _, err := Compile(set, bench)
		set.Light.Shutter = ByEdge
		edge, _, edgeErr := Compile(set, bench)
		set.Light.Shutter = ByGo
		atGo, _, goErr := Compile(set, bench)
		switch {
		case edgeErr == nil:
			require.NoError(t, err)
			assert.Equal(t, edge, auto)
			by[ByEdge]++
		case goErr == nil:
			require.NoError(t, err)
			assert.Equal(t, atGo, auto)
			by[ByGo]++
		default:
			require.Error(t, err)
		}
	}
	t.Log(by)
	assert.Greater(t, by[ByEdge], 40)
	assert.Greater(t, by[ByGo], 40)
}
