package journal

import (
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/record"
)

// openElsewhere opens a journal in another process and returns what that said.
func openElsewhere(t *testing.T, path string) string {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), helperEnv+"=open", helperPath+"="+path)
	out, err := cmd.CombinedOutput()
	require.NoError(t, err)
	return string(out)
}

// The lock goes with the file, by whatever name a second Stillwater finds it.
func TestLockHoldsByAnyName(t *testing.T) {
	path := newPath(t)
	j := open(t, path)
	session(t, j)
	elsewhere := t.TempDir()
	link := filepath.Join(elsewhere, "link.db")
	require.NoError(t, os.Symlink(path, link))
	linked := filepath.Join(elsewhere, "folder")
	require.NoError(t, os.Symlink(filepath.Dir(path), linked))
	hard := filepath.Join(filepath.Dir(path), "hard.db")
	require.NoError(t, os.Link(path, hard))
	for _, name := range []string{path, link, filepath.Join(linked, "journal.db"), hard} {
		assert.Contains(t, openElsewhere(t, name), record.ErrBusy.Error(), name)
	}
	require.NoError(t, os.Remove(hard))
	moved := filepath.Join(elsewhere, "moved.db")
	require.NoError(t, os.Rename(path, moved))
	assert.Contains(t, openElsewhere(t, moved), record.ErrBusy.Error())
	session(t, j) // writes it anew at its place
	assert.Contains(t, openElsewhere(t, path), record.ErrBusy.Error())
	require.NoError(t, j.Close())
	assert.Contains(t, openElsewhere(t, link), "<nil>")
}

// A closed journal is free, though a process that is just being started has a copy of every descriptor still.
func TestClosedJournalIsNotLockedByACopy(t *testing.T) {
	path := newPath(t)
	j := open(t, path)
	copied, err := unix.Dup(int(j.fileLock.Fd()))
	require.NoError(t, err)
	defer unix.Close(copied)
	require.NoError(t, j.Close())
	require.NoError(t, open(t, path).Close())
}

// A link works as the file does; one that leads nowhere is refused with what to do, and so is a file of two names.
func TestLinks(t *testing.T) {
	path, ctx := newPath(t), t.Context()
	require.NoError(t, open(t, path).Close())
	link := filepath.Join(t.TempDir(), "link.db")
	require.NoError(t, os.Symlink(path, link))
	j := open(t, link)
	assert.Equal(t, path, j.Path())
	s := session(t, j)
	look, err := OpenReadOnly(ctx, link)
	require.NoError(t, err)
	kept, _, err := look.LatestSession(ctx)
	require.NoError(t, err)
	assert.Equal(t, s, kept)
	require.NoError(t, look.Close())
	require.NoError(t, j.Close())

	hard := path + ".hard"
	require.NoError(t, os.Link(path, hard))
	for _, name := range []string{path, hard} {
		_, err = Open(ctx, name)
		assert.ErrorContains(t, err, "2 names (hard links)")
		assert.ErrorContains(t, err, "remove the other names")
	}
	require.NoError(t, os.Remove(path))
	for _, open := range []func() (*Journal, error){
		func() (*Journal, error) { return Open(ctx, link) }, func() (*Journal, error) { return OpenReadOnly(ctx, link) },
	} {
		_, err = open()
		assert.ErrorContains(t, err, "broken symbolic link")
		assert.ErrorContains(t, err, "name the file itself")
	}
}

// SQLite's -wal and -shm files do not appear beside a file that is not a journal.
func TestForeignFileGetsNoSidecarFiles(t *testing.T) {
	path := filepath.Join(t.TempDir(), "letter.txt")
	require.NoError(t, os.WriteFile(path, []byte("Dear photographer"), 0o600))
	_, err := Open(t.Context(), path)
	require.ErrorIs(t, err, ErrForeign)
	_, err = Open(t.Context(), filepath.Dir(path))
	require.ErrorIs(t, err, ErrForeign)
	left, err := os.ReadDir(filepath.Dir(path))
	require.NoError(t, err)
	assert.Len(t, left, 1)
	beside, err := filepath.Glob(filepath.Dir(path) + ".*")
	require.NoError(t, err)
	assert.Empty(t, beside)
}

// What root makes in the folder of a service is the service's.
func TestJournalMadeByRoot(t *testing.T) {
	const nobody = 65534
	folder := t.TempDir()
	if os.Geteuid() == 0 {
		require.NoError(t, os.Chown(folder, nobody, nobody))
	}
	of, err := os.Stat(folder)
	require.NoError(t, err)
	path := filepath.Join(folder, "journal.db")
	session(t, open(t, path))
	files, err := os.ReadDir(folder)
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(files), 3)
	for _, f := range files {
		info, err := f.Info()
		require.NoError(t, err)
		assert.Equal(t, of.Sys().(*syscall.Stat_t).Uid, info.Sys().(*syscall.Stat_t).Uid, f.Name())
	}
}
