package export

import (
	"encoding/json"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"stillwater/internal/record"
	"stillwater/internal/shot"
)

// Whatever texts and times a shot has, it is one JSON object of valid text from which they can be read, and a row with
// a cell for each column, none of which a spreadsheet takes for a formula.
func FuzzShot(f *testing.F) {
	f.Add("crown, a little late", "flash", "valve 1", `{"kind":"drop"}`, "done", int64(1.8e18), int64(1500))
	f.Add("=1+1", "a", "a", `{"kind":`, "\xff", int64(-1<<63), int64(1<<63-1))
	f.Add("\x00", "a_2", "a-2", "{\"\xff\":1}", "@", int64(0), int64(-1<<63))
	f.Fuzz(func(t *testing.T, note, first, second, set, status string, at, ns int64) {
		outcome := shot.Outcome{Late: time.Duration(ns), Problem: note}
		s := shotOf(record.Session{Name: note, Board: status}, record.Shot{
			At: time.Unix(0, at), Note: note, Set: set, Program: set, Status: status, IntervalNs: ns, GateNs: ns, DelayNs: ns,
			Cues: []record.Cue{{Name: first, PlannedNs: ns, OnNs: at, OffNs: ns}, {Name: second, OnNs: ns}, {Name: first}},
		}, outcome, planOf(new(shot.Outcomes), record.Shot{Set: set, IntervalNs: ns}))
		text, err := json.Marshal(s)
		require.NoError(t, err)
		require.True(t, utf8.Valid(text), "%q", text)
		var back ShotEntry
		require.NoError(t, json.Unmarshal(text, &back))
		require.Equal(t, strings.ToValidUTF8(note, "\ufffd") == note, back.Note == note)
		require.Equal(t, s.DelayMs, back.DelayMs)
		when, err := time.Parse(time.RFC3339Nano, back.At)
		require.NoError(t, err)
		require.True(t, when.Equal(time.Unix(0, at)))

		names := columnNames(s.Cues, func(c CueEntry) string { return c.Name })
		row, err := csvLine(s, names)
		require.NoError(t, err)
		columns := header(names)
		require.Len(t, row, len(columns))
		seen := map[string]bool{}
		for i, column := range columns {
			require.False(t, seen[column], "%q is there twice", column)
			seen[column] = true
			switch column {
			case "session_name", "board", "status", "problem", "seen", "verdict", "note":
				require.False(t, strings.HasPrefix(row[i], "=") || strings.HasPrefix(row[i], "@"), "%q", row[i])
			}
		}
	})
}
