//go:build unix

package main

import (
	"os"

	"golang.org/x/sys/unix"
)

// suspendSignals are the signals by which a terminal stops a process without ending it.
func suspendSignals() []os.Signal { return []os.Signal{unix.SIGTSTP, unix.SIGTTIN, unix.SIGTTOU} }
