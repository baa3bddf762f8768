package journal

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	sqlite3 "modernc.org/sqlite/lib"

	"stillwater/internal/record"
)

// refused opens path for writing and for reading: neither may work, and the file stays as it is, to the byte.
func refused(t *testing.T, path string, want error) {
	t.Helper()
	before, err := os.ReadFile(path)
	require.NoError(t, err)
	for name, open := range map[string]func(context.Context, string) (*Journal, error){
		"Open": Open, "OpenReadOnly": OpenReadOnly,
	} {
		_, err := open(t.Context(), path)
		assert.ErrorIs(t, err, want, name)
		assert.ErrorContains(t, err, path, name)
	}
	after, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.True(t, bytes.Equal(before, after), "the file was changed")
}

func TestForeignFilesAreLeftAlone(t *testing.T) {
	text := filepath.Join(t.TempDir(), "letter.txt")
	require.NoError(t, os.WriteFile(text, bytes.Repeat([]byte("Dear photographer, "), 400), 0o600))
	refused(t, text, ErrForeign)

	other := filepath.Join(t.TempDir(), "recipes.db")
	_, err := raw(t, other).Exec("CREATE TABLE recipes (name TEXT); PRAGMA user_version = 1")
	require.NoError(t, err)
	refused(t, other, ErrForeign)

	_, err = Open(t.Context(), t.TempDir())
	assert.ErrorIs(t, err, ErrForeign)
	_, err = OpenReadOnly(t.Context(), t.TempDir())
	assert.ErrorIs(t, err, ErrForeign)
}

func TestNewerJournalIsLeftAlone(t *testing.T) {
	path := newPath(t)
	require.NoError(t, open(t, path).Close())
	_, err := raw(t, path).Exec("PRAGMA user_version = 99; PRAGMA wal_checkpoint")
	require.NoError(t, err)
	refused(t, path, ErrNewer)
	_, err = Open(t.Context(), path)
	assert.ErrorContains(t, err, "version 99, this program knows 9; use the newer program")
}

func TestNoJournalYet(t *testing.T) {
	path := newPath(t)
	_, err := OpenReadOnly(t.Context(), path)
	assert.ErrorIs(t, err, ErrNone)
	_, err = os.Stat(path)
	assert.ErrorIs(t, err, os.ErrNotExist, "looking does not make one")

	empty := filepath.Join(t.TempDir(), "journal.db") // what a crash before the first migration leaves
	require.NoError(t, os.WriteFile(empty, nil, 0o600))
	_, err = OpenReadOnly(t.Context(), empty)
	assert.ErrorIs(t, err, ErrNone)
	session(t, open(t, empty))
}

func TestOlderJournalIsNotReadAsItIs(t *testing.T) {
	path := newPath(t)
	require.NoError(t, open(t, path).Close())
	j := &Journal{path: path}
	assert.ErrorIs(t, j.checkVersion(0, 1), ErrNone)
	assert.ErrorIs(t, j.checkVersion(1, 2), ErrOlder)
	assert.NoError(t, j.checkVersion(2, 2))
}

// full makes a journal of some size that was closed in order.
func full(t *testing.T) (path string, size int64) {
	t.Helper()
	path = newPath(t)
	j := open(t, path)
	r := rand.New(rand.NewPCG(1, 2))
	id := session(t, j).ID
	for range 60 {
		s := someShot(r, id)
		s.Program = string(bytes.Repeat([]byte("p"), 2000))
		_, err := j.Add(t.Context(), s)
		require.NoError(t, err)
	}
	require.NoError(t, j.Verify(t.Context()))
	require.NoError(t, j.Close())
	info, err := os.Stat(path)
	require.NoError(t, err)
	return path, info.Size()
}

// garbage overwrites a part of a file.
func garbage(t *testing.T, path string, from, n int64) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	require.NoError(t, err)
	defer f.Close()
	_, err = io.Copy(io.NewOffsetWriter(f, from), bytes.NewReader(bytes.Repeat([]byte{0xA5}, int(n))))
	require.NoError(t, err)
}

func TestDamageIsReported(t *testing.T) {
	t.Run("cut in half", func(t *testing.T) {
		path, size := full(t)
		require.NoError(t, os.Truncate(path, size/2))
		refused(t, path, record.ErrDamaged)
	})
	t.Run("header overwritten", func(t *testing.T) {
		path, _ := full(t)
		garbage(t, path, 0, 100)
		refused(t, path, ErrForeign)
	})
	t.Run("schema overwritten", func(t *testing.T) {
		path, _ := full(t)
		garbage(t, path, 100, 3000)
		refused(t, path, record.ErrDamaged)
	})
	t.Run("shots overwritten", func(t *testing.T) {
		path, size := full(t)
		garbage(t, path, size/3, size/3)
		before, err := os.ReadFile(path)
		require.NoError(t, err)
		j, err := OpenReadOnly(t.Context(), path) // what is whole can still be read
		require.NoError(t, err)
		defer j.Close()
		_, ok, err := j.LatestSession(t.Context())
		assert.NoError(t, err)
		assert.True(t, ok)
		_, err = j.Sessions(t.Context())
		assert.NoError(t, err)
		after, err := os.ReadFile(path)
		require.NoError(t, err)
		assert.True(t, bytes.Equal(before, after), "the file was changed")
	})
}

func TestAnotherWriterIsReported(t *testing.T) {
	path := newPath(t)
	j := open(t, path)
	_, err := Open(t.Context(), path)
	assert.ErrorIs(t, err, record.ErrBusy)
	assert.ErrorContains(t, err, "stop the other Stillwater")

	s := session(t, j)
	_, err = j.db.Exec("PRAGMA busy_timeout = 20")
	require.NoError(t, err)
	other := raw(t, path) // some other program, which knows nothing of our lock
	_, err = other.Exec("BEGIN IMMEDIATE")
	require.NoError(t, err)
	_, err = j.Add(t.Context(), record.Shot{Session: s.ID, At: time.Unix(1, 0)})
	assert.ErrorIs(t, err, record.ErrBusy)
	assert.ErrorContains(t, err, path)
	_, err = other.Exec("ROLLBACK")
	require.NoError(t, err)
	got, err := j.Add(t.Context(), record.Shot{Session: s.ID, At: time.Unix(1, 0)})
	require.NoError(t, err)
	assert.Equal(t, 1, got.Number)
}

func TestLockEndsWithTheJournal(t *testing.T) {
	path := newPath(t)
	for range 3 {
		require.NoError(t, open(t, path).Close())
	}
}

func TestClassifyResultCodes(t *testing.T) {
	for code, want := range map[int]error{
		sqlite3.SQLITE_NOTADB: ErrForeign, sqlite3.SQLITE_CORRUPT_INDEX: record.ErrDamaged,
		sqlite3.SQLITE_CANTOPEN: record.ErrReadOnly, sqlite3.SQLITE_READONLY_DBMOVED: record.ErrReadOnly,
		sqlite3.SQLITE_BUSY_SNAPSHOT: record.ErrBusy, sqlite3.SQLITE_FULL: record.ErrFull, sqlite3.SQLITE_CONSTRAINT: nil,
	} {
		remedy, what := classify(code)
		assert.Equal(t, want, what, code)
		assert.Equal(t, want == nil, remedy == "", code)
	}
}

// A failed disk is stood in for by SQLite's own limit on the number of pages.
func TestNoRoomLeft(t *testing.T) {
	j := open(t, newPath(t))
	s := session(t, j)
	_, err := j.db.Exec("PRAGMA max_page_count = 1")
	require.NoError(t, err)
	kept := 0
	for range 100 {
		_, err = j.Add(t.Context(), record.Shot{Session: s.ID, At: time.Unix(1, 0), Program: fmt.Sprintf("%4000d", 1)})
		if err != nil {
			break
		}
		kept++
	}
	assert.ErrorIs(t, err, record.ErrFull)
	n, err := j.Count(t.Context(), s.ID)
	require.NoError(t, err)
	assert.Equal(t, kept, n)
	assert.False(t, errors.Is(err, record.ErrDamaged))
}
