package export

import (
	"context"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/record"
)

func TestHarmless(t *testing.T) {
	for text, want := range map[string]string{"": "", "wet": "wet", "a=b": "a=b", "=1+1": "'=1+1", "+x": "'+x",
		"-x": "'-x", "@SUM(A1)": "'@SUM(A1)", "\tx": "'\tx", "\rx": "'\rx", "\n=x": "'\n=x", "＝x": "'＝x", "'=x": "'=x"} {
		assert.Equal(t, want, Harmless(text))
	}
}

func TestLostWords(t *testing.T) {
	lost := []record.Shot{{Session: 2, Number: 9}, {Session: 1, Number: 3}, {Session: 2, Number: 7},
		{Session: 2, Number: 8}, {ID: 5}}
	assert.Equal(t, "session 1: shot 3; session 2: shots 7 to 9; 1 more, whose numbers cannot be read", lostWords(lost))
	assert.Equal(t, "no numbers of theirs can be read", lostWords([]record.Shot{{ID: 5}}))
	for n := range 200 {
		lost = append(lost, record.Shot{Session: 3, Number: 2 * n})
	}
	assert.Less(t, len(lostWords(lost)), 300)
}

// Nothing is called "others" where nothing was named before it.
func TestIncompleteSaysWhatIsDamaged(t *testing.T) {
	lost := []record.Shot{{Session: 2, Number: 9}}
	for want, r := range map[string]Result{
		"1 of its shots is there and marked as damaged":   {Shots: 3, Damaged: 1},
		"35 of its shots are there and marked as damaged": {Shots: 40, Damaged: 35},
		"1 of its shots cannot be read (session 2: shot 9), 2 of its shots are there and marked as damaged": {
			Shots: 3, Damaged: 2, Lost: lost},
	} {
		assert.EqualError(t, r.Incomplete(), "the record is damaged: "+want+"; everything else is whole")
	}
	assert.NoError(t, Result{Shots: 3}.Incomplete())
}

func TestToFileKeepsTheOldOneOnFailure(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "evening.csv")
	require.NoError(t, os.WriteFile(file, []byte("old"), 0o600))
	gone := errors.New("half way")
	err := ToFile(file, filepath.Join(dir, "journal.db"), func(w io.Writer) error {
		_, err := w.Write(make([]byte, 100_000))
		return errors.Join(err, gone)
	})
	assert.ErrorIs(t, err, gone)
	assert.ErrorContains(t, err, "name a file in a folder you may write to")
	stopped := ToFile(file, filepath.Join(dir, "journal.db"), func(io.Writer) error { return context.Canceled })
	assert.EqualError(t, stopped,
		"stopped before "+file+" was written; a file that was there is as it was: context canceled")
	got, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, "old", string(got))
	left, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Len(t, left, 1, "nothing left over")
}

// An export has the rights of the one that it replaces, or those of any new file: whoever runs this for somebody else
// leaves them a file that they can read.
func TestToFileRights(t *testing.T) {
	dir := t.TempDir()
	usual, old, made := filepath.Join(dir, "usual"), filepath.Join(dir, "old.csv"), filepath.Join(dir, "new.csv")
	rights := func(path string) fs.FileMode {
		info, err := os.Stat(path)
		require.NoError(t, err)
		return info.Mode()
	}
	require.NoError(t, os.WriteFile(usual, nil, 0o666))
	require.NoError(t, os.WriteFile(old, nil, 0o600))
	was := rights(old)
	for _, path := range []string{old, made} {
		require.NoError(t, ToFile(path, filepath.Join(dir, "journal.db"), func(io.Writer) error { return nil }))
	}
	assert.Equal(t, was, rights(old))
	assert.Equal(t, rights(usual), rights(made))
}
