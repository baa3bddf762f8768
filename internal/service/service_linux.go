package service

import (
	"errors"
	"fmt"

	"golang.org/x/sys/unix"
)

// datagrams is a connected socket of datagrams.
type datagrams int

func connect(address string) (socket, error) {
	fd, err := unix.Socket(unix.AF_UNIX, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, 0)
	if err != nil {
		return nil, fmt.Errorf("make a socket: %w", err)
	}
	// A name that begins with @ is an abstract one, both here and in the variable.
	if err := unix.Connect(fd, &unix.SockaddrUnix{Name: address}); err != nil {
		unix.Close(fd)
		return nil, fmt.Errorf("connect: %w", err)
	}
	return datagrams(fd), nil
}

func (d datagrams) send(message []byte) error {
	_, err := unix.Write(int(d), message)
	if err == unix.EINTR {
		_, err = unix.Write(int(d), message)
	}
	return err
}

func (d datagrams) close() error { return unix.Close(int(d)) }

// checkListener checks that a descriptor is a listening unix stream, and sets close-on-exec.
func checkListener(fd int) error {
	for _, want := range []struct {
		option, value int
		what          string
	}{
		{unix.SO_DOMAIN, unix.AF_UNIX, "is not a unix socket"},
		{unix.SO_TYPE, unix.SOCK_STREAM, "is not a stream"},
		{unix.SO_ACCEPTCONN, 1, "does not listen"},
	} {
		got, err := unix.GetsockoptInt(fd, unix.SOL_SOCKET, want.option)
		if err != nil {
			return fmt.Errorf("is not a socket: %w", err)
		}
		if got != want.value {
			return errors.New(want.what)
		}
	}
	unix.CloseOnExec(fd)
	return nil
}
