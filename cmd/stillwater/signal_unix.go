//go:build unix

package main

import (
	"os"
	"syscall"
)

// pauses are the signals by which a terminal stops a process without ending it.
func pauses() []os.Signal { return []os.Signal{syscall.SIGTSTP, syscall.SIGTTIN, syscall.SIGTTOU} }
