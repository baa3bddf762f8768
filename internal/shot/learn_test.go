package shot

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/record"
	"stillwater/internal/tuning"
)

// made is a shot on record with a set's trim, of which the flash came late.
func made(t *testing.T, set Set, verdict record.Verdict, delay, late time.Duration) record.Shot {
	t.Helper()
	text, err := json.Marshal(set)
	require.NoError(t, err)
	return record.Shot{Status: record.StatusDone, Set: string(text), DelayNs: int64(delay), Verdict: verdict,
		Cues: []record.Cue{{Name: "flash", PlannedNs: int64(delay), OnNs: int64(delay + late)}}}
}

// What is known before the first try is the plan's: its band without what differs from shot to shot.
func TestTuningPlan(t *testing.T) {
	for _, kind := range []Kind{Drop, Throw, Sound} {
		set := DefaultSet()
		set.Kind, set.Light.Shutter = kind, ByHand
		p, err := TuningPlan(set, DefaultSpread(), defaultTick)
		require.NoError(t, err, kind)
		assert.Negative(t, p.Low, kind)
		assert.Positive(t, p.High, kind)
		assert.Positive(t, p.Scatter, kind)
		assert.Positive(t, p.Tolerance, kind)
		assert.NotEmpty(t, p.Limits, kind)
		assert.Equal(t, kind == Throw, p.Delay == 0, "a throw has a delay of its own")
		for i := 1; i < len(p.Limits); i++ {
			assert.LessOrEqual(t, p.Limits[i].SD, p.Limits[i-1].SD)
		}
		trimmed := set
		trimmed.Trim = TrimSet{Drop: 5 * ms, Throw: 5 * ms, Sound: 5 * ms}
		again, err := TuningPlan(trimmed, DefaultSpread(), defaultTick)
		require.NoError(t, err)
		assert.Equal(t, p, again, "the trim has no part in it")
	}
}

// Shots of another arrangement, that failed, or whose picture is black say nothing; one that the machine fired late is
// counted where it was.
func TestLearnFromShots(t *testing.T) {
	set := DefaultSet()
	other, opened, trimmed := set, set, set
	other.Drop.Height += 1 * cm
	opened.Light.OpenFor, opened.Throw.Gate = 3, 20*cm
	trimmed.Trim.Drop = 8 * ms
	const delay = 287 * time.Millisecond
	failed, black := made(t, set, "late", delay, 0), made(t, set, "late", delay, 0)
	failed.Status, black.Picture = record.StatusLate, record.PictureBlack
	shots := []record.Shot{made(t, set, "early", delay, 0), made(t, other, "late", delay, 0), failed, black,
		made(t, opened, "early", delay, 3*time.Millisecond), made(t, trimmed, "good", delay, 0),
		made(t, set, "", delay, 0), {Status: record.StatusDone, Set: "odd"}}
	l, err := Learn(trimmed, shots, new(Outcomes))
	require.NoError(t, err)
	at := func(ms int, v record.Verdict) tuning.Try { return tuning.Try{At: time.Duration(ms) * 1e6, Verdict: v} }
	assert.Equal(t, []tuning.Try{at(0, "early"), at(3, "early"), at(8, "good"), at(0, "")}, l.Tries)
	assert.Equal(t, 3, l.Advice.Counted)
	assert.Equal(t, []int{1, 1}, []int{l.Advice.Good, l.Advice.Here})
	assert.InDelta(t, 287, l.Plan.Delay.Seconds()*1e3, 2)
}

// A throw's trim is a factor of its delay, so that what the machine was late counts in the same proportion: a slow
// throw with twice the middle's delay that came 6 ms late was made with a trim of 3 ms more.
func TestThrowsLatenessInProportion(t *testing.T) {
	set := DefaultSet()
	set.Kind, set.Trim.Throw = Throw, 10*ms
	middle, err := set.Throw.middleDelay()
	require.NoError(t, err)
	slow := 2 * (middle + 10*ms).Duration()
	at, err := set.trimOf(made(t, set, "late", slow, 6*time.Millisecond))
	require.NoError(t, err)
	assert.InDelta(t, 13, at.Seconds()*1e3, 1e-3)
}

// A picture that is as far off as may be, by the tolerance in its shot, is just as far off on the axis of the trim.
func TestToleranceOfAShot(t *testing.T) {
	set := DefaultSet()
	set.Kind, set.Trim.Throw = Throw, 2*ms
	middle, err := set.Throw.middleDelay()
	require.NoError(t, err)
	for _, factor := range []float64{0.6, 1, 2.2} {
		s := made(t, set, "", scaled((middle+2*ms).Duration(), factor), 0)
		s.IntervalNs = int64(50e6 * factor)
		tolerance := set.ToleranceIn(s, 3*time.Millisecond)
		assert.InDelta(t, 3e6*factor, tolerance.Nanoseconds(), 10, "%g times the middle's delay", factor)
		speed, err := set.SpeedAt(s)
		require.NoError(t, err)
		s.PastUm, s.PastSDUm = int64(float64(speed)*tolerance.Seconds()*1e6), 1000
		assert.InDelta(t, 3, set.measured(s).By.Seconds()*1e3, 0.001)
	}
	drop := DefaultSet()
	assert.Equal(t, 3*time.Millisecond, drop.ToleranceIn(made(t, drop, "", time.Second, 0), 3*time.Millisecond))
}
