package journal

import (
	"encoding/json"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stillwater/internal/record"
)

// Each entry of a list is read or counted as lost, and what was read is written and read again as it was.
func FuzzReadCues(f *testing.F) {
	for _, seed := range []string{`[]`, `[{"name":"flash","planned_ns":0,"on_ns":1500,"off_ns":3}]`, `null`, `[null]`,
		`[{"name":5},{}]`, `[1e400]`, `{"name":"flash"}`, `[{"planned_ns":9223372036854775808}]`, `[{}`, `[{"NAME":"a"}]`,
		"[{\"name\":\"\xff\"}]"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		cues, lost := readCues(text)
		require.NotNil(t, cues)
		var list []any
		if err := json.Unmarshal([]byte(text), &list); lost < 0 {
			require.Empty(t, cues)
			require.True(t, err != nil || list == nil, "%q is a list", text)
			return
		}
		var raw []json.RawMessage
		require.NoError(t, json.Unmarshal([]byte(text), &raw))
		require.Len(t, raw, len(cues)+lost)
		objects := 0
		for _, one := range raw {
			if one[0] == '{' {
				objects++
			}
		}
		require.LessOrEqual(t, len(cues), objects, "a cue is an object")
		again, err := json.Marshal(cues)
		require.NoError(t, err)
		back, lost := readCues(string(again))
		require.Zero(t, lost)
		require.Equal(t, cues, back)
	})
}

// smallJournal is the bytes of a journal with a few shots, and the shots by their id.
func smallJournal(f *testing.F) (whole []byte, all map[int64]record.Shot) {
	f.Helper()
	r := rand.New(rand.NewPCG(1, 2))
	path := newPath(f)
	j, err := Open(f.Context(), path)
	require.NoError(f, err)
	s := session(f, j)
	all = map[int64]record.Shot{}
	for i := range 8 {
		made := someShot(r, s.ID)
		made.When = record.When{Boot: "boot", SinceBoot: time.Duration(i) * time.Second}
		made.Note = strings.Repeat("note ", i*300) // one runs over several pages
		made, err := j.Add(f.Context(), made)
		require.NoError(f, err)
		all[made.ID] = made
	}
	require.NoError(f, j.KeepFrame(f.Context(), record.Frame{Session: s.ID, Name: "PICT0001", Facts: "{}"}))
	require.NoError(f, j.Close())
	whole, err = os.ReadFile(path)
	require.NoError(f, err)
	return whole, all
}

// Whatever a few bytes of the file became, or where it was cut off: it is read to an end, without a panic; errors name
// the file; each shot is read once; and after one change what is read as intact is what was written.
func FuzzDamagedFile(f *testing.F) {
	whole, all := smallJournal(f)
	f.Add([]byte{0, 0, 16, 'X'}, uint32(0))
	f.Add([]byte{0, 0, 100, 5}, uint32(0))
	f.Add([]byte{0, 32, 0, 0xff, 0, 48, 0, 0xff, 0, 64, 5, 1}, uint32(0))
	f.Add([]byte{}, uint32(5000))
	f.Add([]byte{}, uint32(1))
	folder := f.TempDir()
	f.Fuzz(func(t *testing.T, edits []byte, cut uint32) {
		if len(edits) > 4*64 {
			return
		}
		text, changes := slices.Clone(whole), 0
		for ; len(edits) >= 4; edits = edits[4:] {
			at := int(edits[0])<<16 | int(edits[1])<<8 | int(edits[2])
			text[at%len(text)] = edits[3]
			changes++
		}
		if cut > 0 {
			text = text[:int(cut)%len(text)]
			changes++
		}
		path := filepath.Join(folder, "journal.db")
		require.NoError(t, os.WriteFile(path, text, 0o600))
		j, err := OpenReadOnly(t.Context(), path)
		if err != nil {
			require.ErrorContains(t, err, path)
			return
		}
		defer j.Close()
		_, errSessions := j.Sessions(t.Context())
		_, errShots := j.Shots(t.Context(), 0, 100)
		_, errFrames := j.Frames(t.Context(), 1)
		for _, err := range []error{errSessions, errShots, errFrames} {
			require.True(t, err == nil || strings.Contains(err.Error(), path), "%v", err)
		}
		seen := map[int64]bool{}
		for s, err := range j.AllShots(t.Context(), 0) {
			if err != nil {
				require.ErrorContains(t, err, path)
				break
			}
			require.False(t, seen[s.ID] && s.ID != 0, "shot %d twice", s.ID)
			seen[s.ID] = true
			if s.Damaged == "" && !s.Lost && changes == 1 {
				was, ok := all[s.ID]
				require.True(t, ok, "shot %d was never made", s.ID)
				require.Equal(t, []any{was.Note, was.Set, was.Cues, was.Verdict, was.ClockNs},
					[]any{s.Note, s.Set, s.Cues, s.Verdict, s.ClockNs})
			}
		}
		require.LessOrEqual(t, len(seen), 1000)
	})
}
