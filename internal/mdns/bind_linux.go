package mdns

import (
	"fmt"
	"net"
	"net/netip"
	"os"

	"golang.org/x/sys/unix"
)

// bind makes a socket that receives only what is sent to the group, on a link or on all. It shares the port: unicast
// packets to the same port still reach another program of this machine.
func bind(group netip.AddrPort, link int) (net.PacketConn, error) {
	family, to := unix.AF_INET, unix.Sockaddr(nil)
	if group.Addr().Is4() {
		to = &unix.SockaddrInet4{Port: int(group.Port()), Addr: group.Addr().As4()}
	} else {
		family, to = unix.AF_INET6, &unix.SockaddrInet6{Port: int(group.Port()), Addr: group.Addr().As16(),
			ZoneId: uint32(link)}
	}
	fd, err := unix.Socket(family, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, 0)
	if err != nil {
		return nil, fmt.Errorf("a socket for %s: %w", group, os.NewSyscallError("socket", err))
	}
	file := os.NewFile(uintptr(fd), group.String())
	defer file.Close() // the connection has its own copy
	if family == unix.AF_INET6 {
		err = unix.SetsockoptInt(fd, unix.IPPROTO_IPV6, unix.IPV6_V6ONLY, 1)
	}
	if err == nil {
		err = unix.SetsockoptInt(fd, unix.SOL_SOCKET, unix.SO_REUSEADDR, 1)
	}
	if err != nil {
		return nil, fmt.Errorf("a socket for %s: %w", group, os.NewSyscallError("setsockopt", err))
	}
	if err := unix.Bind(fd, to); err != nil {
		return nil, fmt.Errorf("a socket for %s: %w", group, os.NewSyscallError("bind", err))
	}
	conn, err := net.FilePacketConn(file)
	if err != nil {
		return nil, fmt.Errorf("a socket for %s: %w", group, err)
	}
	return conn, nil
}
