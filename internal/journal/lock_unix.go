//go:build darwin || dragonfly || freebsd || linux || netbsd || openbsd

package journal

import (
	"errors"
	"fmt"
	"os"

	"golang.org/x/sys/unix"

	"stillwater/internal/record"
)

// lockExclusive takes the right to write to the database that is open as f, which the kernel gives back when f is
// closed or the process ends, for whatever reason. f must stay open for as long as SQLite has the database open:
// closing any descriptor of a file drops the POSIX locks that this process has on it, and those are SQLite's.
func lockExclusive(path string, f *os.File) (lock *os.File, err error) {
	if lock, err = lockFile(path, f); err != nil {
		return nil, fmt.Errorf("journal %s: its lock: %w; allow this user to write its folder, or name another file",
			path, err)
	}
	err = unix.Flock(int(lock.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if errors.Is(err, unix.EWOULDBLOCK) {
		err = record.ErrBusy
	}
	if err != nil {
		if lock != f {
			lock.Close()
		}
		return nil, fmt.Errorf("journal %s: %w; stop the other Stillwater, or name another file", path, err)
	}
	return lock, nil
}

// unlock gives the lock back at once. Closing would not while a process that is being started has a copy of the
// descriptor, as it has until it runs its program.
func unlock(lock *os.File) error { return unix.Flock(int(lock.Fd()), unix.LOCK_UN) }

// lockBeside is a file of its own, for systems on which flock on the database would be in the way of SQLite's locks.
func lockBeside(path string) (*os.File, error) {
	return os.OpenFile(path+".lock", os.O_CREATE|os.O_RDWR, 0o600)
}
