//go:build !linux

package bootclock

// Read reads the machine's clocks. Machines other than Linux are taken to have a clock that is right, and each run of
// the program for a boot of its own.
func Read() Reading { return ofProcess() }
