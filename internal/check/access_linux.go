package check

import "golang.org/x/sys/unix"

// usable says why this process may not read and write a file, device or folder.
func usable(path string) error {
	const readWrite = 4 | 2 // R_OK, W_OK
	return unix.Access(path, readWrite)
}

// freeSpace is what this user may still write to the file system of path, in bytes.
func freeSpace(path string) (uint64, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(path, &s); err != nil {
		return 0, err
	}
	return s.Bavail * uint64(s.Bsize), nil
}
