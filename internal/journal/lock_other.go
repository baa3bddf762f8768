//go:build !(darwin || dragonfly || freebsd || linux || netbsd || openbsd)

package journal

import "os"

// lockExclusive does nothing where there is no flock: SQLite still keeps two writers apart.
func lockExclusive(_ string, f *os.File) (*os.File, error) { return f, nil }

func unlock(*os.File) error { return nil }
