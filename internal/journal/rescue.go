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

// companions are the files that SQLite keeps beside a database in WAL mode.
var companions = []string{"-wal", "-shm"}

// OnRescue says who is told, in words, when the journal's file was taken away under it and written anew. It must not
// call the journal.
func (j *Journal) OnRescue(tell func(words string)) {
	defer j.turn()()
	j.rescued = tell
}

// turn waits for the others. Call what it returns when done.
func (j *Journal) turn() (done func()) {
	j.turns.Lock()
	return j.turns.Unlock
}

// toWrite waits for the others and makes sure that what is written can be found again.
func (j *Journal) toWrite(ctx context.Context) (done func(), err error) {
	j.turns.Lock()
	err = j.damaged
	if err == nil {
		err = j.stillThere(ctx)
	}
	if err != nil {
		j.turns.Unlock()
		return nil, err
	}
	return j.turns.Unlock, nil
}

// identify notes which files the journal has open.
func (j *Journal) identify() error {
	j.files = map[string]os.FileInfo{}
	for _, suffix := range append([]string{""}, companions...) {
		info, err := os.Stat(j.path + suffix)
		if err != nil {
			return fmt.Errorf("journal %s: %w", j.path, err)
		}
		j.files[suffix] = info
	}
	return nil
}

// stillThere finds out whether the open files are still those at the journal's path. An open file that was deleted
// takes what is written to it and is gone when it is closed; but until then everything is in it.
func (j *Journal) stillThere(ctx context.Context) error {
	if j.lock == nil {
		return nil
	}
	away := ""
	for _, suffix := range append([]string{""}, companions...) {
		info, err := os.Stat(j.path + suffix)
		if err != nil && !errors.Is(err, fs.ErrNotExist) && !errors.Is(err, syscall.ENOTDIR) {
			return nil // it cannot be known now; what is open works
		}
		if err != nil || !os.SameFile(info, j.files[suffix]) {
			away += j.path + suffix + "\n"
			if suffix == "" {
				return j.rescue(ctx, err == nil)
			}
		}
	}
	if away == "" {
		return nil
	}
	if err := j.reopen(ctx); err != nil {
		return err
	}
	j.tellRescue(fmt.Sprintf("a part of the journal (%s-wal or -shm) was deleted while in use; nothing is lost", j.path))
	return nil
}

// reopen closes the database, which takes all that is in its companions into it, and opens it with new ones.
func (j *Journal) reopen(ctx context.Context) error {
	if err := j.db.Close(); err != nil {
		return j.explain("open again", err)
	}
	j.db = connect(j.path, "rw")
	if err := j.begin(ctx); err != nil {
		return err
	}
	return j.identify()
}

// rescue writes everything that is in the open files to a new one, at the journal's path, or beside it when something
// else is there by now.
func (j *Journal) rescue(ctx context.Context, taken bool) error {
	copied := fmt.Sprintf("%s.rescued-%d", j.path, time.Now().UnixNano())
	if err := os.MkdirAll(filepath.Dir(j.path), 0o700); err != nil {
		return fmt.Errorf("journal %s: it was deleted while in use, and its folder cannot be made again: %w; make it, or "+
			"free its name: it is tried again", j.path, err)
	}
	file, lock, err := j.copyTo(ctx, copied)
	if err != nil {
		return err
	}
	path := copied
	if !taken {
		if err := os.Rename(copied, j.path); err != nil {
			file.Close()
			return fmt.Errorf("journal %s: it was deleted while in use; all it had is in %s, which cannot take its place: "+
				"%w", j.path, copied, err)
		}
		path = j.path
	}
	// A file that was deleted is let go of without touching what is at its path now.
	if err := j.db.Close(); err != nil {
		return j.explain("let go of the deleted file", err)
	}
	words := fmt.Sprintf("the journal %s was deleted while in use: it was written anew, with all it had", j.path)
	if taken {
		words = fmt.Sprintf("the journal %s was replaced by another file while in use: all it had, and what is added, "+
			"is in %s", j.path, path)
	}
	if j.lock != j.file {
		j.lock.Close()
	}
	j.file.Close()
	j.path, j.db, j.file, j.lock, j.verified = path, connect(path, "rw"), file, lock, true
	if err := errors.Join(j.begin(ctx), j.identify()); err != nil {
		return err
	}
	j.tellRescue(words)
	return nil
}

// copyTo writes the whole database to a new file and on to the disk, and holds the lock of that.
func (j *Journal) copyTo(ctx context.Context, path string) (file, lock *os.File, err error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_RDWR, 0o600) // narrow before anything is in it
	if err != nil {
		return nil, nil, fmt.Errorf("journal %s: it was deleted while in use; write it anew: %w", j.path, err)
	}
	if _, err = j.db.ExecContext(ctx, "VACUUM INTO ?", path); err != nil {
		err = j.explain("write it anew after it was deleted", err)
	}
	if err == nil {
		if err = f.Sync(); err != nil {
			err = fmt.Errorf("journal %s: write it anew after it was deleted: %w", j.path, err)
		}
	}
	if err == nil {
		lock, err = acquire(j.path, f)
	}
	if err != nil {
		f.Close()
		os.Remove(path)
		return nil, nil, err
	}
	return f, lock, nil
}

func (j *Journal) tellRescue(words string) {
	if j.rescued != nil {
		j.rescued(words)
	}
}
