package journal

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"time"
)

// walSuffixes end the names of the files that SQLite keeps beside a database in WAL mode.
var walSuffixes = []string{"-wal", "-shm"}

// OnRescue registers notify, which is called with a message for people after the journal's file was deleted or replaced
// while in use and its content saved. notify must not call the journal.
func (j *Journal) OnRescue(notify func(words string)) {
	defer j.acquire()()
	j.onRescue = notify
}

// acquire waits for the methods under way. Call release when done.
func (j *Journal) acquire() (release func()) {
	j.mu.Lock()
	return j.mu.Unlock
}

// acquireForWrite is acquire, and makes sure that what is written can be found again.
func (j *Journal) acquireForWrite(ctx context.Context) (release func(), err error) {
	j.mu.Lock()
	err = j.damaged
	if err == nil {
		err = j.ensureFilesInPlace(ctx)
	}
	if err != nil {
		j.mu.Unlock()
		return nil, err
	}
	return j.mu.Unlock, nil
}

// noteOpenFiles records which files the journal has open.
func (j *Journal) noteOpenFiles() error {
	j.openFiles = map[string]os.FileInfo{}
	for _, suffix := range append([]string{""}, walSuffixes...) {
		info, err := os.Stat(j.path + suffix)
		if err != nil {
			return fmt.Errorf("journal %s: %w", j.path, err)
		}
		j.openFiles[suffix] = info
	}
	j.side.admit(j.path, j.openFiles)
	return nil
}

// ensureFilesInPlace finds out whether the open files are still those at the journal's path. An open file that was
// deleted takes what is written to it and is gone when it is closed; but until then everything is in it.
func (j *Journal) ensureFilesInPlace(ctx context.Context) error {
	if j.fileLock == nil {
		return nil
	}
	missing := ""
	for _, suffix := range append([]string{""}, walSuffixes...) {
		info, err := os.Stat(j.path + suffix)
		if err != nil && !isMissing(err) {
			return nil // it cannot be known now; what is open works
		}
		if err != nil || !os.SameFile(info, j.openFiles[suffix]) {
			missing += j.path + suffix + "\n"
			if suffix == "" {
				return j.rescue(ctx, err == nil)
			}
		}
	}
	if missing == "" {
		return nil
	}
	if err := j.reopen(ctx); err != nil {
		return err
	}
	j.notifyRescue(fmt.Sprintf("a part of the journal (%s-wal or -shm) was deleted while in use; nothing is lost", j.path))
	return nil
}

// isMissing reports whether a file was not found, or its folder was not.
func isMissing(err error) bool {
	return errors.Is(err, fs.ErrNotExist) || errors.Is(err, syscall.ENOTDIR)
}

// reopen closes the database, which checkpoints all that is in its -wal file, and opens it with new ones.
func (j *Journal) reopen(ctx context.Context) error {
	j.side.close()
	if err := j.db.Close(); err != nil {
		return j.explain("open again", err)
	}
	j.db = connect(j.path, "rw")
	if err := j.prepare(ctx); err != nil {
		return err
	}
	return j.noteOpenFiles()
}

// rescue writes everything that is in the open files to a new one, at the journal's path, or beside it when something
// else is there by now.
func (j *Journal) rescue(ctx context.Context, pathTaken bool) error {
	copyPath := fmt.Sprintf("%s.rescued-%d", j.path, time.Now().UnixNano())
	if err := os.MkdirAll(filepath.Dir(j.path), 0o700); err != nil {
		return fmt.Errorf("journal %s: it was deleted while in use, and its folder cannot be recreated: %w; create it, or "+
			"free its name: Stillwater keeps trying", j.path, err)
	}
	file, lock, err := j.copyTo(ctx, copyPath)
	if err != nil {
		return err
	}
	path := copyPath
	if !pathTaken {
		if err := os.Rename(copyPath, j.path); err != nil {
			file.Close()
			return fmt.Errorf("journal %s: it was deleted while in use; everything in it is in %s, which cannot take its "+
				"place: %w", j.path, copyPath, err)
		}
		path = j.path
	}
	j.side.close()
	// Closing a deleted file does not touch what is at its path now.
	if err := j.db.Close(); err != nil {
		return j.explain("close the deleted file", err)
	}
	words := fmt.Sprintf("the journal %s was deleted while in use: it was written again, with everything in it", j.path)
	if pathTaken {
		words = fmt.Sprintf("the journal %s was replaced by another file while in use: everything in it, and all that is "+
			"added, is in %s now", j.path, path)
	}
	if j.fileLock != j.file {
		j.fileLock.Close()
	}
	j.file.Close()
	j.path, j.db, j.file, j.fileLock, j.verified = path, connect(path, "rw"), file, lock, true
	if err := errors.Join(j.prepare(ctx), j.noteOpenFiles()); err != nil {
		return err
	}
	j.notifyRescue(words)
	return nil
}

// copyTo writes the whole database to a new file and on to the disk, and holds the lock of that.
func (j *Journal) copyTo(ctx context.Context, path string) (file, lock *os.File, err error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_RDWR, 0o600) // permissions before content
	if err != nil {
		return nil, nil, fmt.Errorf("journal %s: it was deleted while in use; write it again: %w", j.path, err)
	}
	if _, err = j.db.ExecContext(ctx, "VACUUM INTO ?", path); err != nil {
		err = j.explain("write it again after it was deleted", err)
	}
	if err == nil {
		if err = f.Sync(); err != nil {
			err = fmt.Errorf("journal %s: write it again after it was deleted: %w", j.path, err)
		}
	}
	if err == nil {
		lock, err = lockExclusive(j.path, f)
	}
	if err != nil {
		f.Close()
		os.Remove(path)
		return nil, nil, err
	}
	return f, lock, nil
}

func (j *Journal) notifyRescue(words string) {
	if j.onRescue != nil {
		j.onRescue(words)
	}
}
