package contactsheet

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/frames"
	"stillwater/internal/record"
)

// copyAs copies a file of a folder to another name in it.
func copyAs(t *testing.T, folder *frames.Folder, name, to string) {
	t.Helper()
	content, err := os.ReadFile(filepath.Join(folder.Path(), name))
	require.NoError(t, err)
	path := filepath.Join(folder.Path(), to)
	require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o700))
	require.NoError(t, os.WriteFile(path, content, 0o600))
}

// A frame that is in the folder again under another name counts once, and leaves the matches as certain as they were.
func TestDuplicatesCountOnce(t *testing.T) {
	source, folder := evening(t)
	before := sheetOf(t, source, folder)
	certain, likely, open := before.Count()
	require.Positive(t, certain)
	copyAs(t, folder, "PICT0473.JPG", "PICT0473 (1).JPG")
	copyAs(t, folder, "PICT0473.JPG", "Copy of PICT0473.jpg")
	copyAs(t, folder, "PICT0475.JPG", "again/PICT0475.JPG")
	after := sheetOf(t, source, folder)
	got := [3]int{}
	got[0], got[1], got[2] = after.Count()
	assert.Equal(t, [3]int{certain, likely, open}, got)
	for i := range before.Rows {
		assert.Equal(t, before.Rows[i].name(), after.Rows[i].name())
	}
	assert.Equal(t, []Duplicate{{"Copy of PICT0473", "PICT0473"}, {"PICT0473 (1)", "PICT0473"},
		{"again/PICT0475", "PICT0475"}}, after.Duplicates)
	assert.Equal(t, after.Duplicates, after.Entry().Same)
	assert.Len(t, after.FrameEntries(), len(before.FrameEntries()))
	var text bytes.Buffer
	require.NoError(t, after.Write(&text))
	assert.Contains(t, text.String(), "Frames with the content of another, which count once: 3 (Copy of PICT0473 of "+
		"PICT0473, PICT0473 (1) of PICT0473, again/PICT0475 of PICT0475).\n")
}

// Two frames of one second that differ are two, though their files are of the same size.
func TestFramesOfOneSecondAreTwo(t *testing.T) {
	source, folder := evening(t)
	path := filepath.Join(folder.Path(), "PICT0473.JPG")
	content, err := os.ReadFile(path)
	require.NoError(t, err)
	content[len(content)-3]++
	require.NoError(t, os.WriteFile(filepath.Join(folder.Path(), "PICT0490.JPG"), content, 0o600))
	assert.Empty(t, sheetOf(t, source, folder).Duplicates)
}

// A frame with a raw file beside it is the one that counts, and has all of what was copied.
func TestDuplicateOfOneFile(t *testing.T) {
	source, folder := evening(t)
	copyAs(t, folder, "PICT0473.JPG", "P/PICT0473.JPG")
	copyAs(t, folder, "PICT0473.JPG", "P/PICT0473.DNG") // what is in it does not matter here
	s := sheetOf(t, source, folder)
	assert.Equal(t, []Duplicate{{"PICT0473", "P/PICT0473"}}, s.Duplicates)
	require.NoError(t, os.WriteFile(filepath.Join(folder.Path(), "PICT0473.DNG"), []byte("another"), 0o600))
	assert.Empty(t, sheetOf(t, source, folder).Duplicates)
}

// What a person says of a duplicate, or said before, is said of the frame that counts; which one stays may change.
func TestSaidOfADuplicate(t *testing.T) {
	source, folder := evening(t)
	copyAs(t, folder, "PICT0473.JPG", "A longer name.JPG")
	for _, name := range []string{"A longer name", "A longer name.JPG"} {
		s := sheetOf(t, source, folder, "5="+name)
		assert.Equal(t, "PICT0473", s.Rows[4].name())
		assert.True(t, s.Rows[4].Settled)
	}
	var empty Options
	empty.Measure = Measure{Look: true, Loose: true, Empty: "A longer name"}
	s, err := Make(t.Context(), source, record.Summary{}, folder, empty)
	require.NoError(t, err)
	assert.NotContains(t, fmt.Sprint(s.Problems), "empty")
	assert.Equal(t, "PICT0473", s.Original("A longer name"))

	store := newMemory(nil)
	run := func(said ...string) Sheet {
		t.Helper()
		o := Options{FrameStore: store}
		for _, one := range said {
			require.NoError(t, o.Assign(one))
		}
		s, err := Make(t.Context(), source, record.Summary{}, folder, o)
		require.NoError(t, err)
		return s
	}
	require.NoError(t, os.Rename(filepath.Join(folder.Path(), "PICT0473.JPG"), filepath.Join(t.TempDir(), "away.JPG")))
	require.Equal(t, "A longer name", run("5=A longer name").Rows[4].name())
	copyAs(t, folder, "A longer name.JPG", "PICT0473.JPG")
	for range 2 {
		s := run()
		assert.Equal(t, []string{"A longer name", "A longer name"}, []string{s.Rows[4].name(), s.Duplicates[0].Of})
		assert.True(t, s.Rows[4].Settled)
	}
	require.NoError(t, os.Remove(filepath.Join(folder.Path(), "A longer name.JPG")))
	for range 2 {
		s := run()
		assert.Equal(t, "PICT0473", s.Rows[4].name())
		assert.True(t, s.Rows[4].Settled, "the other one takes its place")
		assert.Empty(t, s.Duplicates)
	}
}

// Duplicates count once when the folder is empty, too, and what was said of either holds.
func TestDuplicatesThatAreGone(t *testing.T) {
	source, folder := evening(t)
	copyAs(t, folder, "PICT0473.JPG", "PICT0473 (1).JPG")
	copyAs(t, folder, "PICT0475.JPG", "PICT0475 (1).JPG")
	store := newMemory(nil)
	run := func(said ...string) Sheet {
		o := Options{FrameStore: store}
		for _, one := range said {
			require.NoError(t, o.Assign(one))
		}
		s, err := Make(t.Context(), source, record.Summary{}, folder, o)
		require.NoError(t, err)
		return s
	}
	before := run()
	settled := run("6=PICT0475 (1)")
	require.True(t, settled.Rows[5].Settled)
	for name := range map[string]bool{"PICT0473.JPG": true, "PICT0475 (1).JPG": true} { // one of each stays
		require.NoError(t, os.Remove(filepath.Join(folder.Path(), name)))
	}
	half := run()
	assert.Len(t, half.FrameEntries(), len(before.FrameEntries()))
	require.NoError(t, os.Rename(folder.Path(), folder.Path()+"-away"))
	require.NoError(t, os.Mkdir(folder.Path(), 0o700))
	empty, err := frames.Open(folder.Path())
	require.NoError(t, err)
	defer empty.Close()
	folder = empty
	for range 2 {
		s := run()
		certain, _, _ := s.Count()
		want, _, _ := before.Count()
		assert.GreaterOrEqual(t, certain, want)
		assert.True(t, s.Rows[5].Settled)
		assert.Len(t, s.FrameEntries(), len(before.FrameEntries()))
	}
}

// Once two files were compared that is not done again until one changes.
func TestDuplicatesAreComparedOnce(t *testing.T) {
	source, folder := evening(t)
	copyAs(t, folder, "PICT0473.JPG", "PICT0473 (1).JPG")
	store, opened := newMemory(nil), 0
	run := func() Sheet {
		opened = 0
		s, err := Make(t.Context(), source, record.Summary{}, folder, Options{FrameStore: store,
			Open: func(string) (func(), error) { opened++; return func() {}, nil }})
		require.NoError(t, err)
		return s
	}
	require.Len(t, run().Duplicates, 1)
	damaged := 1 // PICT0999 cannot be read, and is tried each time
	require.Len(t, run().Duplicates, 1)
	assert.Equal(t, damaged, opened)
	copyAs(t, folder, "PICT0474.JPG", "PICT0473 (1).JPG")
	s := run()
	assert.Equal(t, []Duplicate{{"PICT0473 (1)", "PICT0474"}}, s.Duplicates)
}

// A frame whose picture cannot be read is matched by its time all the same, and counted as one that cannot be seen.
func TestUnreadablePictureIsCounted(t *testing.T) {
	source, folder := evening(t)
	path := filepath.Join(folder.Path(), "PICT0473.JPG")
	whole, err := os.ReadFile(path)
	require.NoError(t, err)
	var o Options
	o.Measure = Measure{Look: true, Loose: true}
	write := func() (Sheet, string, string) {
		s, err := Make(t.Context(), source, record.Summary{}, folder, o)
		require.NoError(t, err)
		var text, table bytes.Buffer
		require.NoError(t, s.Write(&text))
		require.NoError(t, s.WriteCSV(&table))
		return s, text.String(), table.String()
	}
	s, text, table := write()
	certain, _, _ := s.Count()
	assert.NotContains(t, text+table, "cannot be")
	assert.Zero(t, s.Entry().NotSeen)
	require.NoError(t, os.WriteFile(path, whole[:len(whole)-len(whole)/4], 0o600))
	s, text, table = write()
	now, _, _ := s.Count()
	assert.Equal(t, certain, now)
	assert.Equal(t, 1, s.Entry().NotSeen)
	assert.Contains(t, text, "Of these frames 1 cannot be seen: its picture cannot be read.\n")
	assert.Regexp(t, `(?m)PICT0473 .*certain.*its picture cannot be read`, text)
	assert.Regexp(t, `(?m)PICT0473.*certain.*its picture cannot be read`, table)
}
