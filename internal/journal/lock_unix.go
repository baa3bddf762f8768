//go:build darwin || dragonfly || freebsd || linux || netbsd || openbsd

package journal

import (
	"errors"
	"fmt"
	"os"
	"syscall"
)

// acquire takes the right to write. The kernel gives it back when the process ends, however it ends. It is a file of
// its own because SQLite's locks on the database would be lost with the first descriptor of it that is closed.
func acquire(path string) (*os.File, error) {
	f, err := os.OpenFile(path+".lock", os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("journal %s: %w: %w; allow this user to write its folder, or name another file",
			path, ErrReadOnly, err)
	}
	err = syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		err = ErrBusy
	}
	if err != nil {
		f.Close()
		return nil, fmt.Errorf("journal %s: %w; stop the other Stillwater, or name another file", path, err)
	}
	return f, nil
}
