package tether

import "golang.org/x/sys/unix"

// bound gives a process bounds of memory and of what it writes. Without them it is only less safe.
func bound(pid int, file int64) {
	for what, most := range map[int]uint64{unix.RLIMIT_AS: maxMemory, unix.RLIMIT_FSIZE: uint64(file),
		unix.RLIMIT_CORE: 0} {
		_ = unix.Prlimit(pid, what, &unix.Rlimit{Cur: most, Max: most}, nil)
	}
}
