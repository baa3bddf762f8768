package journal

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/record"
)

// The journal's files are deleted, moved away or replaced under a running daemon, in every way a person might do it.
// Nothing that was acknowledged is lost, it is reported, and the journal goes on.
func TestFilesDeletedOrReplacedInUse(t *testing.T) {
	for name, c := range map[string]struct {
		take func(t *testing.T, path string)
		says string
		at   func(t *testing.T, path string) string // where the record is afterwards
	}{
		"the database": {func(t *testing.T, path string) { require.NoError(t, os.Remove(path)) },
			"was deleted while in use: it was written again", nil},
		"all files": {func(t *testing.T, path string) {
			for _, suffix := range []string{"", "-wal", "-shm", ".lock"} {
				require.NoError(t, os.RemoveAll(path+suffix)) // the lock is a file of its own on some systems
			}
		}, "was deleted while in use", nil},
		"the whole folder": {func(t *testing.T, path string) { require.NoError(t, os.RemoveAll(filepath.Dir(path))) },
			"was deleted while in use", nil},
		"moved to another name": {func(t *testing.T, path string) { require.NoError(t, os.Rename(path, path+".old")) },
			"was deleted while in use", nil},
		"-wal": {func(t *testing.T, path string) { require.NoError(t, os.Remove(path+"-wal")) },
			"a part of the journal", nil},
		"-shm": {func(t *testing.T, path string) { require.NoError(t, os.Remove(path+"-shm")) },
			"a part of the journal", nil},
		"-wal and -shm": {func(t *testing.T, path string) {
			require.NoError(t, os.Remove(path+"-wal"))
			require.NoError(t, os.Remove(path+"-shm"))
		}, "a part of the journal", nil},
		"replaced by another file": {func(t *testing.T, path string) {
			require.NoError(t, os.WriteFile(path+".new", []byte("Dear photographer"), 0o600))
			require.NoError(t, os.Rename(path+".new", path))
		}, "was replaced by another file while in use", func(t *testing.T, path string) string {
			text, err := os.ReadFile(path)
			require.NoError(t, err)
			assert.Equal(t, "Dear photographer", string(text), "what is there now is not touched")
			found, err := filepath.Glob(path + ".rescued-*[0-9]")
			require.NoError(t, err)
			require.Len(t, found, 1)
			return found[0]
		}},
	} {
		t.Run(name, func(t *testing.T) {
			path, ctx := newPath(t), t.Context()
			j := open(t, path)
			var said []string
			j.OnRescue(func(words string) { said = append(said, words) })
			s := session(t, j)
			for range 3 {
				_, err := j.Add(ctx, record.Shot{Session: s.ID, At: time.Unix(1, 0)})
				require.NoError(t, err)
			}
			c.take(t, path)
			fourth, err := j.Add(ctx, record.Shot{Session: s.ID, At: time.Unix(2, 0)})
			require.NoError(t, err)
			assert.Equal(t, 4, fourth.Number)
			require.NoError(t, j.SetVerdict(ctx, fourth.ID, "good"))
			require.Len(t, said, 1)
			assert.Contains(t, said[0], c.says)
			if c.at != nil {
				path = c.at(t, path)
			}
			assert.Equal(t, path, j.Path())
			look, err := OpenReadOnly(ctx, path)
			require.NoError(t, err)
			n, err := look.Count(ctx, s.ID)
			require.NoError(t, err)
			assert.Equal(t, 4, n, "seen from outside")
			require.NoError(t, look.Close())
			_, err = Open(ctx, path)
			assert.ErrorIs(t, err, record.ErrBusy, "the lock goes with the file")
			require.NoError(t, j.Close())

			j = open(t, path)
			shots := newestFirst(t, j, s.ID)
			require.Len(t, shots, 4)
			assert.Equal(t, record.Good, shots[0].Verdict)
			info, err := os.Stat(path)
			require.NoError(t, err)
			assert.Equal(t, os.FileMode(0o600), info.Mode().Perm())
			left, err := filepath.Glob(filepath.Join(filepath.Dir(path), "*.rescued-*"))
			require.NoError(t, err)
			if c.at == nil {
				assert.Empty(t, left)
			}
		})
	}
}

// A journal that was deleted after its last write is written anew when it is closed.
func TestDeletedBeforeTheEnd(t *testing.T) {
	path, ctx := newPath(t), t.Context()
	j := open(t, path)
	s := session(t, j)
	_, err := j.Add(ctx, record.Shot{Session: s.ID, At: time.Unix(1, 0)})
	require.NoError(t, err)
	require.NoError(t, os.RemoveAll(filepath.Dir(path)))
	require.NoError(t, j.Close())
	n, err := open(t, path).Count(ctx, s.ID)
	require.NoError(t, err)
	assert.Equal(t, 1, n)
}

// Where it cannot be written anew the shot is not acknowledged, the reason is said, and what is open still has all.
func TestDeletedWhereNothingCanBeWritten(t *testing.T) {
	path, ctx := newPath(t), t.Context()
	j := open(t, path)
	s := session(t, j)
	folder := filepath.Dir(path)
	require.NoError(t, os.RemoveAll(folder))
	require.NoError(t, os.WriteFile(folder, nil, 0o600)) // a file where the folder was
	_, err := j.Add(ctx, record.Shot{Session: s.ID, At: time.Unix(1, 0)})
	require.ErrorContains(t, err, "deleted while in use")
	_, ok, err := j.LatestSession(ctx)
	require.NoError(t, err)
	assert.True(t, ok)
	require.NoError(t, os.Remove(folder))
	shot, err := j.Add(ctx, record.Shot{Session: s.ID, At: time.Unix(1, 0)})
	require.NoError(t, err)
	assert.Equal(t, 1, shot.Number)
}
