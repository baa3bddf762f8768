package mdns

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"sync"
	"time"

	"golang.org/x/net/ipv4"
	"golang.org/x/net/ipv6"
)

var (
	group4 = netip.AddrFrom4([4]byte{224, 0, 0, 251})
	group6 = netip.MustParseAddr("ff02::fb")
)

const (
	maxPacket    = 9000 // bytes: RFC 6762, section 17
	multicastTTL = 255  // section 11
	queueLength  = 64   // unprocessed packets; more are dropped, as a network may
)

// localLinks lists the networks on which the page is reachable, and all addresses of this machine. Addresses with a
// zone are omitted: browsers cannot use them.
func localLinks(listen netip.Addr) (links []link, own []netip.Addr, err error) {
	list, err := net.Interfaces()
	if err != nil {
		return nil, nil, fmt.Errorf("list the network's interfaces: %w", err)
	}
	for _, i := range list {
		addrs, err := i.Addrs()
		if err != nil {
			continue // it has just gone
		}
		l := link{index: i.Index, name: i.Name}
		for _, a := range addrs {
			prefix, err := netip.ParsePrefix(a.String())
			if err != nil {
				continue
			}
			own = append(own, prefix.Addr())
			if reachable(prefix.Addr(), listen) {
				l.addrs = append(l.addrs, prefix.Addr())
			}
		}
		const able = net.FlagUp | net.FlagMulticast
		if len(l.addrs) > 0 && i.Flags&able == able && i.Flags&net.FlagLoopback == 0 {
			links = append(links, l)
		}
	}
	return links, own, nil
}

// reachable reports whether a phone reaches the page at address a when it listens on listen.
func reachable(a, listen netip.Addr) bool {
	listen = listen.Unmap()
	switch {
	case a.IsLoopback() || a.Is6() && a.IsLinkLocalUnicast():
		return false
	case listen == netip.IPv4Unspecified():
		return a.Is4()
	case listen == netip.IPv6Unspecified():
		return true
	}
	return a == listen.WithZone("")
}

// udpTransport uses real sockets: one for IPv4 that has joined the group on each link, and one a link for IPv6, whose
// group addresses need a zone.
type udpTransport struct {
	v4   *ipv4.PacketConn
	v6   map[int]*ipv6.PacketConn // by link
	in   chan datagram
	read sync.WaitGroup
}

// open opens the sockets and joins the groups. It fails if it can join none.
func open(links []link) (transport, error) {
	e := &udpTransport{v6: map[int]*ipv6.PacketConn{}, in: make(chan datagram, queueLength)}
	joined, errs := 0, []error{}
	try := func(err error) {
		if err == nil {
			joined++
		} else {
			errs = append(errs, err)
		}
	}
	if conn, err := bind(netip.AddrPortFrom(group4, port), 0); err != nil {
		errs = append(errs, err)
	} else {
		e.v4 = ipv4.NewPacketConn(conn)
		errs = append(errs, e.v4.SetControlMessage(ipv4.FlagInterface, true), e.v4.SetMulticastTTL(multicastTTL),
			e.v4.SetTTL(multicastTTL), e.v4.SetMulticastLoopback(true))
		for _, l := range links {
			try(e.v4.JoinGroup(&net.Interface{Index: l.index}, &net.UDPAddr{IP: group4.AsSlice()}))
		}
	}
	for _, l := range links {
		try(e.openIPv6(l))
	}
	if joined == 0 {
		e.close()
		return nil, fmt.Errorf("multicast on UDP port %d: %w", port, errors.Join(errs...))
	}
	e.listen()
	return e, nil
}

func (e *udpTransport) openIPv6(l link) error {
	conn, err := bind(netip.AddrPortFrom(group6, port), l.index)
	if err != nil {
		return err
	}
	c := ipv6.NewPacketConn(conn)
	err = errors.Join(c.JoinGroup(&net.Interface{Index: l.index}, &net.UDPAddr{IP: group6.AsSlice()}),
		c.SetMulticastHopLimit(multicastTTL), c.SetHopLimit(multicastTTL), c.SetMulticastLoopback(true))
	if err != nil {
		return errors.Join(err, c.Close())
	}
	e.v6[l.index] = c
	return nil
}

func (e *udpTransport) listen() {
	if e.v4 != nil {
		e.read.Go(func() {
			e.receive(func(b []byte) (int, int, net.Addr, error) {
				n, control, from, err := e.v4.ReadFrom(b)
				if control == nil {
					return n, 0, from, err
				}
				return n, control.IfIndex, from, err
			})
		})
	}
	for index, c := range e.v6 {
		e.read.Go(func() {
			e.receive(func(b []byte) (int, int, net.Addr, error) {
				n, _, from, err := c.ReadFrom(b)
				return n, index, from, err
			})
		})
	}
}

// receive queues packets until the socket is closed.
func (e *udpTransport) receive(read func([]byte) (n, link int, from net.Addr, err error)) {
	buffer := make([]byte, maxPacket)
	for {
		n, index, from, err := read(buffer)
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			time.Sleep(time.Second) // an interface that goes away returns errors without blocking
			continue
		}
		if udp, ok := from.(*net.UDPAddr); ok {
			select {
			case e.in <- datagram{index, udp.AddrPort(), append([]byte{}, buffer[:n]...)}:
			default:
			}
		}
	}
}

func (e *udpTransport) received() <-chan datagram { return e.in }

// multicast sends to both groups on a link. An error is handled like a lost packet: the protocol repeats.
func (e *udpTransport) multicast(index int, packet []byte) {
	e.unicast(index, netip.AddrPortFrom(group4, port), packet)
	e.unicast(index, netip.AddrPortFrom(group6, port), packet)
}

func (e *udpTransport) unicast(index int, to netip.AddrPort, packet []byte) {
	switch {
	case to.Addr().Unmap().Is4() && e.v4 != nil:
		to = netip.AddrPortFrom(to.Addr().Unmap(), to.Port())
		e.v4.WriteTo(packet, &ipv4.ControlMessage{IfIndex: index}, net.UDPAddrFromAddrPort(to))
	case to.Addr().Unmap().Is6() && e.v6[index] != nil:
		e.v6[index].WriteTo(packet, &ipv6.ControlMessage{IfIndex: index}, net.UDPAddrFromAddrPort(to))
	}
}

func (e *udpTransport) close() {
	if e.v4 != nil {
		e.v4.Close()
	}
	for _, c := range e.v6 {
		c.Close()
	}
	e.read.Wait()
}
