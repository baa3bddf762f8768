package journal

import (
	"errors"
	"fmt"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// rescue is what to do with a damaged journal.
const rescue = `nothing was overwritten: "stillwater record export" may still read some of it; then move the file ` +
	"and its -wal file aside"

// explain turns SQLite's error into one that names the file and says what to do.
func (j *Journal) explain(doing string, err error) error {
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return fmt.Errorf("journal %s: %s: %w", j.path, doing, err)
	}
	remedy, what := meaning(e.Code())
	if what == nil {
		return fmt.Errorf("journal %s: %s: %w", j.path, doing, err)
	}
	return fmt.Errorf("journal %s: %s: %w: %w; %s", j.path, doing, what, err, remedy)
}

// meaning sorts SQLite's result codes, https://www.sqlite.org/rescode.html; extended ones have the primary one in their
// low byte.
func meaning(code int) (remedy string, what error) {
	switch code & 0xff {
	case sqlite3.SQLITE_NOTADB:
		return "name another file", ErrForeign
	case sqlite3.SQLITE_CORRUPT:
		return rescue, ErrDamaged
	case sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_CANTOPEN:
		return "allow this user to write the file and its folder, or name another file", ErrReadOnly
	case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_PROTOCOL:
		return "stop the other process, or name another file", ErrBusy
	case sqlite3.SQLITE_FULL:
		return "make room on the disk", ErrFull
	}
	return "", nil
}
