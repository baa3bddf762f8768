// Package journal keeps sessions and shots in an SQLite database. A shot is acknowledged once it is committed; nothing
// acknowledged is lost to a crash.
package journal

import (
	"database/sql"
	"errors"
	"os"
	"path/filepath"
	"sync"
)

// What can be wrong with a journal; errors.Is tells them apart. The error that wraps one of these names the file and
// says what to do.
var (
	ErrNewer   = errors.New("the journal was written by a newer Stillwater")
	ErrOlder   = errors.New("the journal was written by an older Stillwater")
	ErrForeign = errors.New("the file is not a Stillwater journal")
	ErrNone    = errors.New("there is no journal yet")
)

// Journal is an open journal. Its methods may be called from several goroutines; they take turns.
type Journal struct {
	mu        sync.Mutex
	path      string
	db        *sql.DB
	file      *os.File               // the database; nil when reading only
	fileLock  *os.File               // file, or one beside it
	openFiles map[string]os.FileInfo // those that are open, by what follows the path in their names
	verified  bool                   // the whole file was read and is undamaged
	damaged   error                  // nothing more is written
	side      readers

	beforeRemarks  bool // its version is firstReadable, in which shots have no star and no file number
	beforeMeasured bool // its version is one in which nothing was measured in pictures
	beforeFrames   bool // its version is one in which no frames are kept
	beforeMarks    bool // its version is one in which nothing marked in frames is kept
	beforeKinds    bool // its version is one in which the kinds of shots are not kept

	onRescue func(words string)
	onChange func(session int64)

	onMigration func(version, last int)

	closeOnce sync.Once
	closeErr  error
}

// Path is the database file, with links resolved.
func (j *Journal) Path() string {
	defer j.acquire()()
	return j.path
}

// PathOr is the path given, or if that is empty DefaultPath.
func PathOr(path string, getenv func(string) string) (string, error) {
	if path != "" {
		return path, nil
	}
	return DefaultPath(getenv)
}

// DefaultPath is where the journal of this user is: $XDG_STATE_HOME/stillwater/journal.db, or under ~/.local/state, as
// the XDG Base Directory Specification has it (0.8, from memory). A relative XDG_STATE_HOME is ignored, as it demands.
func DefaultPath(getenv func(string) string) (string, error) {
	state := getenv("XDG_STATE_HOME")
	if !filepath.IsAbs(state) {
		home := getenv("HOME")
		if !filepath.IsAbs(home) {
			return "", errors.New("no place for the journal: neither XDG_STATE_HOME nor HOME is an absolute path; " +
				"set one of them, or name the file")
		}
		state = filepath.Join(home, ".local", "state")
	}
	return filepath.Join(state, "stillwater", "journal.db"), nil
}

// OnChange registers notify, which is called with a session (0: any of them) after its shots, their dates, their sets
// or what was said of them changed. The change returns after that.
func (j *Journal) OnChange(notify func(session int64)) {
	defer j.acquire()()
	j.onChange = notify
}

// noting is a change's error, and without one has the change made known. The mutex is not held.
func (j *Journal) noting(session int64, err error) error {
	if err != nil {
		return err
	}
	release := j.acquire()
	notify := j.onChange
	release()
	if notify != nil {
		notify(session)
	}
	return nil
}
