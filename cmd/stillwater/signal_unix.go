//go:build unix

package main

import (
	"os"

	"golang.org/x/sys/unix"
)

// pauses are the signals by which a terminal stops a process without ending it.
func pauses() []os.Signal { return []os.Signal{unix.SIGTSTP, unix.SIGTTIN, unix.SIGTTOU} }
