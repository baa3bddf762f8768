//go:build unix

package regular

import "syscall"

const (
	noWait   = syscall.O_NONBLOCK // for the other end of a pipe
	noFollow = syscall.O_NOFOLLOW
)
