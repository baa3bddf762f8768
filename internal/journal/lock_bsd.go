//go:build darwin || dragonfly || freebsd || netbsd || openbsd

package journal

import "os"

// lockFile is beside the database: there flock and POSIX locks conflict, even within one process.
func lockFile(path string, _ *os.File) (*os.File, error) { return lockBeside(path) }
