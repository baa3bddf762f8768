package page

import (
	"errors"
	"fmt"
	"net"
	"syscall"
)

// Listen opens the page's port, host:port. Errors say what to do.
func Listen(address string) (net.Listener, error) {
	listener, err := net.Listen("tcp", address)
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		return nil, fmt.Errorf("%s is in use, perhaps by another Stillwater: stop that one, or choose another port, "+
			"such as --listen %s (a second Stillwater needs a --journal of its own): %w", address, nextPort(address), err)
	case errors.Is(err, syscall.EADDRNOTAVAIL):
		return nil, fmt.Errorf("%s is not an address of this machine: use one that is, or :8737 for all of them: %w", address,
			err)
	case errors.Is(err, syscall.EACCES):
		return nil, fmt.Errorf("this user is not allowed to open %s: choose a port from 1024 up: %w", address, err)
	case err != nil:
		return nil, fmt.Errorf("listen on %s: %w; write --listen like 127.0.0.1:8737 or :8737", address, err)
	}
	return listener, nil
}

func nextPort(address string) string {
	host, port, err := net.SplitHostPort(address)
	if n, e := net.LookupPort("tcp", port); err == nil && e == nil {
		return net.JoinHostPort(host, fmt.Sprint(n%65535+1))
	}
	return address
}
