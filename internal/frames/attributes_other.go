//go:build !linux

package frames

import "os"

func copyAttributes(_, _ *os.File) error { return nil }
