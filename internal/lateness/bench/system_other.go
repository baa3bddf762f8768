//go:build !linux

package bench

import "runtime"

// system is what this program was built for.
func system() string { return runtime.GOOS }
