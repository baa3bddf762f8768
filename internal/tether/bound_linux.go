package tether

import "golang.org/x/sys/unix"

// bound limits a process's memory and the size of the files that it writes. Where that fails it runs all the same.
func bound(pid int, file int64) {
	for what, most := range map[int]uint64{unix.RLIMIT_AS: maxMemory, unix.RLIMIT_FSIZE: uint64(file),
		unix.RLIMIT_CORE: 0} {
		_ = unix.Prlimit(pid, what, &unix.Rlimit{Cur: most, Max: most}, nil)
	}
}
