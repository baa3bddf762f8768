package intake

import "golang.org/x/sys/unix"

// freeBytes is what may still be written to the file system of a folder.
func freeBytes(dir string) (int64, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return 0, err
	}
	return int64(s.Bavail) * int64(s.Bsize), nil
}
