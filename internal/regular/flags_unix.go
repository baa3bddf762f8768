//go:build unix

package regular

import "golang.org/x/sys/unix"

const (
	noWait   = unix.O_NONBLOCK // for the other end of a pipe
	noFollow = unix.O_NOFOLLOW
)
