package journal

import (
	"errors"
	"fmt"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"stillwater/internal/record"
)

// damageRemedy is what to do with a damaged journal.
const damageRemedy = `nothing was overwritten: "stillwater record export" reads what can still be read, shot by ` +
	"shot, and lists the rest; then move the file and its -wal file aside"

const allowRemedy = "allow this user to write the file and its folder, or name another file"

// writeRemedy is what to do when the file or one beside it cannot be written.
func writeRemedy(path string) string {
	for _, suffix := range append([]string{""}, walSuffixes...) {
		if owner, self := foreignOwner(path + suffix); owner != "" {
			return fmt.Sprintf("%s belongs to %s, and this runs as %s: run it as %[2]s, or change its owner with "+
				"\"sudo chown %[3]s: %[1]s\"; or name another file", path+suffix, owner, self)
		}
	}
	return allowRemedy
}

// explain turns SQLite's error into one that names the file and says what to do.
func (j *Journal) explain(doing string, err error) error {
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return fmt.Errorf("journal %s: %s: %w", j.path, doing, err)
	}
	remedy, what := classify(e.Code())
	switch what {
	case nil:
		return fmt.Errorf("journal %s: %s: %w", j.path, doing, err)
	case record.ErrReadOnly:
		remedy = writeRemedy(j.path)
	}
	return fmt.Errorf("journal %s: %s: %w: %w; %s", j.path, doing, what, err, remedy)
}

// classify sorts SQLite's result codes, https://www.sqlite.org/rescode.html; extended ones have the primary one in
// their low byte.
func classify(code int) (remedy string, what error) {
	switch code & 0xff {
	case sqlite3.SQLITE_NOTADB:
		return "name another file", ErrForeign
	case sqlite3.SQLITE_CORRUPT:
		return damageRemedy, record.ErrDamaged
	case sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM, sqlite3.SQLITE_CANTOPEN:
		return allowRemedy, record.ErrReadOnly
	case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_PROTOCOL:
		return "stop the other process, or name another file", record.ErrBusy
	case sqlite3.SQLITE_FULL:
		return "make room on the disk", record.ErrFull
	}
	return "", nil
}
