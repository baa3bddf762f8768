package journal

import (
	"os"

	"golang.org/x/sys/unix"
)

// nfs is the type of a network file system, on which flock and POSIX locks are the same (flock(2)).
const nfs = 0x6969

// lockFile is the database itself, so that the lock goes with the file and not with one of its names. On Linux flock
// and SQLite's POSIX locks do not see each other (flock(2)), on local disks.
func lockFile(path string, f *os.File) (*os.File, error) {
	var system unix.Statfs_t
	if err := unix.Fstatfs(int(f.Fd()), &system); err == nil && system.Type == nfs {
		return lockBeside(path)
	}
	return f, nil
}
