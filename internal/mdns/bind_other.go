//go:build !linux

package mdns

import (
	"net"
	"net/netip"
)

// bind makes a socket that receives what is sent to the port, shared with other programs.
func bind(group netip.AddrPort, _ int) (net.PacketConn, error) {
	network := "udp4"
	if group.Addr().Is6() {
		network = "udp6"
	}
	return net.ListenUDP(network, net.UDPAddrFromAddrPort(group))
}
