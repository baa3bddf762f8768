package journal

import (
	"database/sql"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Examine says what Open says, and leaves everything as it was.
func TestExamineSaysWhatOpenSays(t *testing.T) {
	database := func(statements string) func(*testing.T, string) {
		return func(t *testing.T, path string) {
			db, err := sql.Open("sqlite", path)
			require.NoError(t, err)
			_, err = db.Exec(statements)
			require.NoError(t, err)
			require.NoError(t, db.Close())
		}
	}
	text := func(content string) func(*testing.T, string) {
		return func(t *testing.T, path string) { require.NoError(t, os.WriteFile(path, []byte(content), 0o600)) }
	}
	for name, c := range map[string]struct {
		make func(*testing.T, string)
		want error
	}{
		"nothing":     {func(*testing.T, string) {}, nil},
		"empty":       {text(""), nil},
		"folder":      {func(t *testing.T, path string) { require.NoError(t, os.Mkdir(path, 0o700)) }, ErrForeign},
		"a letter":    {text("x"), nil},
		"two":         {text("xx"), ErrForeign},
		"short":       {text("SQLite format 3\x00"), ErrForeign},
		"text":        {text(strings.Repeat("Dear diary, ", 1000)), ErrForeign},
		"other":       {database("CREATE TABLE a (b)"), ErrForeign},
		"other ID":    {database("PRAGMA application_id = 7"), ErrForeign},
		"other's WAL": {database("PRAGMA journal_mode = wal; PRAGMA application_id = 7; CREATE TABLE a (b)"), ErrForeign},
		"no table":    {database("CREATE TABLE a (b); DROP TABLE a; PRAGMA user_version = 0"), nil},
		"newer":       {database("PRAGMA application_id = 0x53544c57; PRAGMA user_version = 999"), ErrNewer},
		"ours": {func(t *testing.T, path string) {
			j, err := Open(t.Context(), path)
			require.NoError(t, err)
			require.NoError(t, j.Close())
		}, nil},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			path := filepath.Join(dir, "journal.db")
			c.make(t, path)
			before := contents(t, dir)
			examined := Examine(path)
			assert.Equal(t, before, contents(t, dir))
			j, opened := Open(t.Context(), path)
			if c.want == nil {
				assert.NoError(t, examined)
				require.NoError(t, opened)
				require.NoError(t, j.Close())
				return
			}
			assert.ErrorIs(t, examined, c.want)
			assert.ErrorIs(t, opened, c.want)
		})
	}
}

// A journal in use is no other one.
func TestExamineAnOpenJournal(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal.db")
	j, err := Open(t.Context(), path)
	require.NoError(t, err)
	assert.NoError(t, Examine(path))
	require.NoError(t, j.Close())
}

// contents are the files of a folder.
func contents(t *testing.T, dir string) map[string]string {
	t.Helper()
	all := map[string]string{}
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	for _, e := range entries {
		text := "folder"
		if !e.IsDir() {
			bytes, err := os.ReadFile(filepath.Join(dir, e.Name()))
			require.NoError(t, err)
			text = string(bytes)
		}
		all[e.Name()] = text
	}
	return all
}
