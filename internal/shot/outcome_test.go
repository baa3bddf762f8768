package shot

import (
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/record"
)

// onRecord is a shot as it is on record whose pulse of that name was so late.
func onRecord(t *testing.T, set Set, cue string, late time.Duration) record.Shot {
	t.Helper()
	text, err := json.Marshal(set)
	require.NoError(t, err)
	const planned = int64(130e6)
	return record.Shot{Status: record.StatusDone, Set: string(text), Cues: []record.Cue{
		{Name: "shutter", Opening: true, PlannedNs: planned, OnNs: planned + int64(time.Second)},
		{Name: cue, PlannedNs: planned, OnNs: planned + int64(late)},
		{Name: "flash 2", PlannedNs: planned, OnNs: planned},
	}}
}

// scatterOf sums up, in squares, the terms of a budget that differ from shot to shot.
func scatterOf(t *testing.T, set Set) time.Duration {
	t.Helper()
	e, err := set.Estimate()
	require.NoError(t, err)
	b, err := Errors(set, e, DefaultSpread(), 0)
	require.NoError(t, err)
	var squares float64
	for _, term := range b.Terms {
		if !term.Systematic {
			squares += float64(term.Mistiming) * float64(term.Mistiming)
		}
	}
	return time.Duration(math.Sqrt(squares) * 1e9)
}

// A shot counts until the machine is later than the plan's own scatter, or than half a millisecond where that is less.
func TestOutcomeAtTheLimit(t *testing.T) {
	for _, kind := range Kinds() {
		for expose, cue := range map[Exposure]string{FlashInDark: "flash", LagLed: "shutter"} {
			set := farSet()
			set.Kind, set.Light.Expose = kind, expose
			limit := max(scatterOf(t, set), 500*time.Microsecond)
			got, err := MaxLateness(set)
			require.NoError(t, err)
			if kind == Drops { // of those that meet
				require.InEpsilon(t, limit, got, 0.02, expose)
				limit = got
			}
			require.InDelta(t, limit, got, 10, "%s %s", kind, expose)
			var outcomes Outcomes
			for _, sign := range []time.Duration{1, -1} {
				within := outcomes.Of(onRecord(t, set, cue, sign*(limit-time.Microsecond)))
				assert.Equal(t, Outcome{}, within, "%s %s", kind, expose)
				assert.True(t, within.Conclusive())
				by := sign * (limit + time.Microsecond)
				beyond := outcomes.Of(onRecord(t, set, cue, by))
				assert.Equal(t, by, beyond.Late, "%s %s", kind, expose)
				assert.False(t, beyond.Failed)
				assert.False(t, beyond.Conclusive())
				assert.Contains(t, beyond.Problem, map[bool]string{true: " late", false: " early"}[sign > 0])
			}
		}
	}
}

// The limits that the comment names, and that only a sound has none of its own.
func TestMaxLatenessOfUsualSets(t *testing.T) {
	for kind, want := range map[Kind]float64{Drop: 2.04, Throw: 9.72, Sound: 0.5} {
		set := farSet()
		set.Kind = kind
		got, err := MaxLateness(set)
		require.NoError(t, err)
		assert.InDelta(t, want, got.Seconds()*1e3, 0.05, kind)
	}
}

func TestOutcomeWords(t *testing.T) {
	var outcomes Outcomes
	o := outcomes.Of(onRecord(t, farSet(), "flash", 17906400))
	assert.Equal(t, 17906400*time.Nanosecond, o.Late)
	assert.Equal(t, "The machine, not the delay, was late: the flash came 17.9 ms late, more than shots of this set "+
		"differ by anyway, 2.0 ms. Leave the trim as it is and shoot again; this shot is not counted.", o.Problem)
	// The shutter that was opened beforehand makes no picture.
	assert.Equal(t, Outcome{}, outcomes.Of(onRecord(t, farSet(), "shutter", 17906400)))
	// The trim has no part in the scatter.
	trimmed := farSet()
	trimmed.Trim.Drop = 0.25
	assert.Equal(t, o, outcomes.Of(onRecord(t, trimmed, "flash", 17906400)))
	assert.Len(t, outcomes.allowed, 1)
}

// Of a shot whose record cannot be relied on, no lateness is said; whether it ended is.
func TestOutcomeOfDamagedRecord(t *testing.T) {
	var outcomes Outcomes
	s := onRecord(t, farSet(), "flash", time.Second)
	s.Damaged = "its checksum does not match"
	assert.Equal(t, Outcome{}, outcomes.Of(s))
	s.Damaged, s.Set = "", `{"kind":`
	assert.Equal(t, Outcome{}, outcomes.Of(s))
	s.Status = "\x00"
	assert.True(t, outcomes.Of(s).Failed)
	assert.Equal(t, Outcome{}, outcomes.Of(record.Shot{Status: record.StatusDone}), "without cues")
}

// Each way to fail says why and what to do, in sentences of its own.
func TestOutcomeOfFailures(t *testing.T) {
	var outcomes Outcomes
	seen := map[string]bool{}
	for _, status := range []string{record.StatusLate, record.StatusDisarmed, record.StatusKilled, record.StatusUnlinked,
		record.StatusBroken, "something new"} {
		o := outcomes.Of(record.Shot{Status: status})
		assert.True(t, o.Failed, status)
		assert.Zero(t, o.Late)
		assert.False(t, o.Conclusive(), status)
		assert.Contains(t, o.Problem, "leave the trim as it is, and ", status)
		assert.True(t, strings.HasSuffix(o.Problem, "."), status)
		assert.False(t, seen[o.Problem], status)
		seen[o.Problem] = true
	}
}

// What is kept of the sets is bounded, and what is let go is worked out again.
func TestOutcomesAreBounded(t *testing.T) {
	var outcomes Outcomes
	for i := range 3 * maxSets / 2 {
		set := farSet()
		set.Kind, set.Drop.Nth = Sound, i+1
		assert.Equal(t, 2*time.Millisecond, outcomes.Of(onRecord(t, set, "flash", 2*time.Millisecond)).Late)
		assert.LessOrEqual(t, len(outcomes.allowed), maxSets)
	}
}

// The set kept from one shot is not another shot's.
func TestOutcomesParseEachSet(t *testing.T) {
	var outcomes Outcomes
	for _, text := range []string{"", `{"kind":"throw"}`, `{"kind":"throw"}`, "odd", `{"kind":"sound"}`} {
		want, wantErr := ParseSet(text)
		got, err := outcomes.ParseSet(text)
		assert.Equal(t, want, got)
		assert.Equal(t, wantErr, err)
	}
}
