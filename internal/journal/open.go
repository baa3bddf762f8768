package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"syscall"

	_ "modernc.org/sqlite"

	"stillwater/internal/record" // the "sqlite" driver
)

// Open opens the journal at path for writing, makes it if there is none (folder 0700, file 0600), and brings it up to
// date. One process at a time can have a journal open for writing, by whatever name; any number may read it meanwhile.
// Open reads little of it: Verify finds damage.
//
// A file that is not a journal, cannot be written, or was written by a newer Stillwater is left as it is; the error
// wraps ErrForeign, ErrDamaged, ErrReadOnly, ErrNewer, ErrBusy or ErrFull.
func Open(ctx context.Context, path string) (*Journal, error) {
	return OpenReporting(ctx, path, func(int, int) {})
}

// OpenReporting is Open for those who wait for it: migrating is called before each version that an older journal is
// brought up to, with the last one. On a desktop machine 100,000 shots take about a second.
func OpenReporting(ctx context.Context, path string, migrating func(version, last int)) (*Journal, error) {
	path, err := resolve(path)
	if err != nil {
		return nil, err
	}
	file, err := openFile(path)
	if err != nil {
		return nil, err
	}
	lock, err := lockExclusive(path, file)
	if err != nil {
		file.Close()
		return nil, err
	}
	j := &Journal{path: path, db: connect(path, "rw"), file: file, fileLock: lock, onMigration: migrating}
	if err = refuseHardLinks(path, file); err == nil {
		err = j.prepare(ctx)
	}
	if err == nil {
		err = j.noteOpenFiles()
	}
	if err != nil {
		return nil, errors.Join(err, j.Close())
	}
	return j, nil
}

// OpenReadOnly opens an existing journal to look at it. It works while another process writes to it. Without a journal
// the error wraps ErrNone. It does not search for damage, so that what can still be read of a
// damaged journal can be exported.
func OpenReadOnly(ctx context.Context, path string) (*Journal, error) {
	path, err := resolve(path)
	if err != nil {
		return nil, err
	}
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("journal %s: %w", path, ErrNone)
	case err != nil:
		return nil, fmt.Errorf("journal %s: %w", path, err)
	case !info.Mode().IsRegular():
		return nil, fmt.Errorf("journal %s: %w: not a regular file; name another file", path, ErrForeign)
	}
	j := &Journal{path: path, db: connect(path, "ro")}
	j.side.admit(path, map[string]os.FileInfo{"": info})
	err = j.checkReadable(ctx)
	if errors.Is(err, record.ErrReadOnly) { // SQLite keeps a -shm file beside a database in WAL mode, for readers too
		err = fmt.Errorf("%w; or copy it with its -wal file to a folder you may write to", err)
	}
	if err != nil {
		return nil, errors.Join(err, j.Close())
	}
	return j, nil
}

// Close waits for what is under way and closes the journal. Further calls do nothing.
func (j *Journal) Close() error {
	j.closeOnce.Do(func() {
		defer j.acquire()()
		var err error
		if j.openFiles != nil && j.damaged == nil {
			err = j.ensureFilesInPlace(context.Background())
		}
		j.side.close()
		err = errors.Join(err, j.closeDatabase())
		if j.fileLock != nil {
			err = errors.Join(err, unlock(j.fileLock))
		}
		if j.fileLock != nil && j.fileLock != j.file {
			err = errors.Join(err, j.fileLock.Close())
		}
		if j.file != nil {
			err = errors.Join(err, j.file.Close())
		}
		if err != nil {
			j.closeErr = j.explain("close", err)
		}
	})
	return j.closeErr
}

// closeDatabase has the last connection take what is in the -wal file into the database, unless that may be damaged. A
// connection that can only read cannot do that, and while there is one no other is the last.
func (j *Journal) closeDatabase() error {
	if j.openFiles == nil || j.verified {
		return j.db.Close()
	}
	last := connect(j.path, "ro")
	var n int
	err := last.QueryRow("SELECT count(*) FROM sqlite_schema").Scan(&n)
	if err != nil && !isRowError(err) {
		return errors.Join(err, j.db.Close(), last.Close())
	}
	return errors.Join(j.db.Close(), last.Close())
}

// resolve is the absolute path of the file itself: SQLite puts its other files beside that.
func resolve(path string) (string, error) {
	path, err := filepath.Abs(path)
	if err != nil {
		return "", fmt.Errorf("journal %s: %w", path, err)
	}
	info, err := os.Lstat(path)
	if err != nil || info.Mode()&fs.ModeSymlink == 0 {
		return path, nil
	}
	file, err := filepath.EvalSymlinks(path)
	if err != nil {
		return "", fmt.Errorf("journal %s: it is a broken symbolic link: %w; name the file itself, or remove "+
			"the link", path, err)
	}
	return file, nil
}

// openFile opens the database, and makes its folder and an empty file with narrower permissions than SQLite would
// give it. What root makes in another user's folder is that user's: a first run with sudo locks no service out.
func openFile(path string) (*os.File, error) {
	info, err := os.Stat(path)
	switch {
	case err == nil && !info.Mode().IsRegular():
		return nil, fmt.Errorf("journal %s: %w: not a regular file; name another file", path, ErrForeign)
	case err == nil:
		return openOrExplain(path, os.O_RDWR)
	}
	folder := filepath.Dir(path)
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return nil, fmt.Errorf("journal %s: make its folder: %w; name a file in a folder you may write to", path, err)
	}
	f, err := openOrExplain(path, os.O_CREATE|os.O_RDWR) // not O_EXCL: if another process was first the lock decides
	if err != nil {
		return nil, err
	}
	if err := chownLikeFolder(f, folder); err != nil {
		return nil, errors.Join(fmt.Errorf("journal %s: give it to the owner of its folder: %w", path, err), f.Close())
	}
	return f, nil
}

func openOrExplain(path string, how int) (*os.File, error) {
	f, err := os.OpenFile(path, how, 0o600)
	if errors.Is(err, fs.ErrPermission) || errors.Is(err, syscall.EROFS) {
		return nil, fmt.Errorf("journal %s: %w: %w; %s", path, record.ErrReadOnly, err, writeRemedy(path))
	}
	if err != nil {
		return nil, fmt.Errorf("journal %s: %w", path, err)
	}
	return f, nil
}

// connect describes the connection; it is made at first use. One connection: SQLite has one writer anyway, and each one
// costs memory. synchronous(full) is what makes an acknowledged shot outlive a power cut.
func connect(path, mode string) *sql.DB {
	q := url.Values{
		"mode":       {mode},
		"_txlock":    {"immediate"},
		"_defensive": {"1"},
		"_dqs":       {"0"},
		"_pragma": {"busy_timeout(2000)", "foreign_keys(1)", "synchronous(full)", "cache_size(-512)",
			"cell_size_check(1)", "hard_heap_limit(67108864)"}, // damage is found early, and takes no memory
	}
	dsn := url.URL{Scheme: "file", Path: path, RawQuery: q.Encode()}
	db, err := sql.Open("sqlite", dsn.String())
	if err != nil {
		panic(fmt.Sprintf("journal: the sqlite driver is not linked in: %v", err)) // sql.Open fails for nothing else
	}
	db.SetMaxOpenConns(1)
	return db
}

// prepare makes sure that the file is ours before anything is written to it.
func (j *Journal) prepare(ctx context.Context) error {
	if _, err := j.version(ctx); err != nil {
		return err
	}
	var mode string
	if err := j.db.QueryRowContext(ctx, "PRAGMA journal_mode = wal").Scan(&mode); err != nil {
		return j.explain("open", err)
	}
	if mode != "wal" {
		return fmt.Errorf("journal %s: SQLite keeps it in %q mode, not in WAL mode; move it to a local disk", j.path, mode)
	}
	if err := j.setCheckpoints(ctx); err != nil {
		return err
	}
	return j.migrate(ctx, migrations)
}

// firstReadable is the oldest version that can be read as it is: a journal that is damaged cannot be brought up to
// date.
const firstReadable = 4

// firstMeasured is the first version in which something can be measured in pictures.
const firstMeasured = 6

// firstFrames is the first version in which frames are kept.
const firstFrames = 7

// firstKinds is the first version in which the kinds of a session's shots are kept.
const firstKinds = 8

// firstMarks is the first version in which what is marked in frames is kept.
const firstMarks = 9

// checkReadable makes sure that a journal that is only read has a schema this program knows.
func (j *Journal) checkReadable(ctx context.Context) error {
	have, err := j.version(ctx)
	if err != nil {
		return err
	}
	j.beforeRemarks, j.beforeMeasured = have == firstReadable, have < firstMeasured
	j.beforeFrames, j.beforeKinds, j.beforeMarks = have < firstFrames, have < firstKinds, have < firstMarks
	return j.checkVersion(have, firstReadable)
}

// checkVersion reports whether a journal of version have can be read by a program that reads those from version first
// on.
func (j *Journal) checkVersion(have, first int) error {
	switch {
	case have == 0:
		return fmt.Errorf("journal %s: %w", j.path, ErrNone)
	case have < first:
		return fmt.Errorf("journal %s: %w: start the daemon on it once, which brings it up to date", j.path, ErrOlder)
	}
	return nil
}
