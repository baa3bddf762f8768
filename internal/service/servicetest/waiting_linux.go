package servicetest

import (
	"errors"
	"net"
	"testing"

	"golang.org/x/sys/unix"
)

// Waiting takes the messages that wait at the manager's socket, without waiting for more.
func Waiting(t testing.TB, conn *net.UnixConn) (messages []string) {
	t.Helper()
	raw, err := conn.SyscallConn()
	if err != nil {
		t.Fatal(err)
	}
	var failed error
	err = raw.Read(func(fd uintptr) bool {
		b := make([]byte, 512)
		for {
			n, _, err := unix.Recvfrom(int(fd), b, unix.MSG_DONTWAIT)
			if err != nil {
				failed = err
				return true
			}
			messages = append(messages, string(b[:n]))
		}
	})
	if err != nil || !errors.Is(failed, unix.EAGAIN) {
		t.Fatal(err, failed)
	}
	return messages
}
