package shot

import (
	"encoding/json"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
	"stillwater/internal/record"
	"stillwater/internal/tuning"
)

// judged is a shot of a set with that trim of the gap, and what was said of it.
func judged(t *testing.T, s Set, gap phys.Time, verdict record.Verdict) record.Shot {
	t.Helper()
	s.Drops.GapTrim = gap
	text, err := json.Marshal(s)
	require.NoError(t, err)
	return record.Shot{Status: record.StatusDone, Set: string(text), Verdict: verdict, DelayNs: 190e6}
}

// Too high asks for a shorter gap where the column rises, and for a longer one where it sinks; too low for the other.
// What was said of the time says nothing of the gap, and the gap's trim nothing against tries of the delay.
func TestLearnGap(t *testing.T) {
	for _, side := range []ColumnSide{ColumnRising, ColumnSinking} {
		s := dropsSet()
		s.Drops.Column = side
		longer := 1.
		if side == ColumnRising {
			longer = -1
		}
		for verdict, way := range map[record.Verdict]float64{record.TooHigh: longer, record.TooLow: -longer} {
			a, ok := LearnGap(s, []record.Shot{judged(t, s, 0, verdict), judged(t, s, 0, "late")}, new(Outcomes))
			require.True(t, ok)
			assert.Equal(t, tuning.Trim, a.Step, "%s, %s", side, verdict)
			assert.Positive(t, way*float64(a.Trim), "%s, %s: %s", side, verdict, a.Trim)
			assert.Equal(t, 1, a.Counted)
		}
		at := s
		at.Drops.GapTrim = 3 * ms
		a, ok := LearnGap(at, []record.Shot{judged(t, s, 3*ms, "good"), judged(t, s, 3*ms, "good"),
			judged(t, s, 3*ms, "good"), judged(t, s, 3*ms, "good")}, new(Outcomes))
		require.True(t, ok)
		assert.Equal(t, tuning.Leave, a.Step)
		l, err := Learn(at, []record.Shot{judged(t, s, 0, "late"), judged(t, s, 5*ms, "early")}, new(Outcomes))
		require.NoError(t, err)
		assert.Len(t, l.Tries, 2)
	}
	s := dropsSet()
	s.Drops.Second.Gap = 80 * ms
	_, ok := LearnGap(s, nil, new(Outcomes))
	assert.False(t, ok, "the gap is given")
	_, ok = LearnGap(DefaultSet(), nil, new(Outcomes))
	assert.False(t, ok, "no drops on command")
	assert.True(t, dropsSet().Aims())
	assert.False(t, DefaultSet().Aims())
}

// An evening judged by words alone: the gap is found within some tries, in a room whose column comes later by 6 ms.
func TestGapIsFound(t *testing.T) {
	const late = 6 * ms
	s := dropsSet()
	plan, slope, err := gapPlan(s, DefaultSpread())
	require.NoError(t, err)
	assert.InDelta(t, 0.5, float64(slope), 0.25, "a column rises that fast at half its height")
	var shots []record.Shot
	for range 10 {
		off := s.Drops.GapTrim - late // longer than best: too high
		verdict := record.Good
		switch tolerance := phys.Seconds(plan.Tolerance) / 2; {
		case off > tolerance:
			verdict = record.TooHigh
		case off < -tolerance:
			verdict = record.TooLow
		}
		shots = append([]record.Shot{judged(t, s, s.Drops.GapTrim, verdict)}, shots...)
		a, ok := LearnGap(s, shots, new(Outcomes))
		require.True(t, ok)
		s.Drops.GapTrim = phys.Seconds(a.Trim)
	}
	assert.InDelta(t, float64(late), float64(s.Drops.GapTrim), plan.Tolerance.Seconds())
}
