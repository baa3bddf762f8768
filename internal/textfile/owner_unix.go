//go:build unix

package textfile

import (
	"io/fs"
	"os"
	"syscall"
)

// SameOwner gives a file the owner and group of another, where they differ.
func SameOwner(file *os.File, like fs.FileInfo) error {
	now, err := file.Stat()
	if err != nil {
		return err
	}
	is, known := now.Sys().(*syscall.Stat_t)
	of, alsoKnown := like.Sys().(*syscall.Stat_t)
	if !known || !alsoKnown || is.Uid == of.Uid && is.Gid == of.Gid {
		return nil
	}
	return file.Chown(int(of.Uid), int(of.Gid))
}
