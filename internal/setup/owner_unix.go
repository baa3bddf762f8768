//go:build unix

package setup

import (
	"io/fs"
	"os"
	"syscall"
)

// sameOwner gives a file the owner and group of the one that it replaces, where they differ.
func sameOwner(f *os.File, old fs.FileInfo) error {
	if old == nil {
		return nil
	}
	was, known := old.Sys().(*syscall.Stat_t)
	info, err := f.Stat()
	if err != nil || !known {
		return err
	}
	if is := info.Sys().(*syscall.Stat_t); is.Uid == was.Uid && is.Gid == was.Gid {
		return nil
	}
	return f.Chown(int(was.Uid), int(was.Gid))
}
