//go:build !linux

package realtime

// Yield does nothing here.
func Yield() {}
