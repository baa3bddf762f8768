package control

import (
	"strings"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/record"
	"stillwater/internal/tuning"
)

// Verdicts teach the trim: what they say is in the snapshot, changes with the set, and is there again after a restart.
func TestVerdictsTeachTheTrim(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		set, err := encodeJSON(setUp(t).Snapshot().Set)
		require.NoError(t, err)
		b := &fakeJournal{sessions: []record.Session{{ID: 1, Set: set, Care: "[]"}}}
		for i := range 4 {
			b.shots = append(b.shots, record.Shot{ID: int64(i + 1), Session: 1, Number: i + 1, Status: record.StatusDone,
				Set: set, DelayNs: 287e6, Cues: []record.Cue{{Name: "flash", PlannedNs: 287e6, OnNs: 287e6}}})
		}
		x := setUpWith(t, b)
		x.ready()
		learned := func() *Tuning {
			synctest.Wait()
			return x.Snapshot().Tuning
		}
		require.NotNil(t, learned())
		assert.Equal(t, "judge", learned().Step)
		assert.Empty(t, learned().Facts)
		x.must(me, Command{Type: "verdict", Shot: 4, Verdict: record.Early})
		x.must(me, Command{Type: "verdict", Shot: 3, Verdict: record.Early})
		l := learned()
		assert.Equal(t, "trim", l.Step)
		assert.Positive(t, l.TrimMs)
		assert.True(t, strings.HasPrefix(l.Line, "Try +"), l.Line)
		assert.Contains(t, l.Strip, "<svg")
		assert.Equal(t, tuning.Fact{Name: "Good", Text: "0 of 2 judged"}, l.Facts[0])

		x.must(me, Command{Type: "set", Field: "trim.drop", Value: "3 ms"})
		assert.Equal(t, l.TrimMs, learned().TrimMs, "another trim changes nothing of what was seen")
		x.must(me, Command{Type: "picture", Shot: 4, Picture: Black})
		assert.Equal(t, tuning.Fact{Name: "Good", Text: "0 of 1 judged"}, learned().Facts[0], "a black picture shows nothing")
		x.must(me, Command{Type: "set", Field: "drop.height", Value: "45 cm"})
		assert.Equal(t, "judge", learned().Step, "of another set nothing is known")
		x.must(me, Command{Type: "set", Field: "drop.height", Value: "40 cm"})
		assert.Equal(t, "trim", learned().Step, "it is known again")
		x.must(me, Command{Type: "session", Name: "another"})
		assert.Equal(t, "judge", learned().Step)
	})
}
