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
	packetMost = 9000 // bytes: RFC 6762, section 17
	hops       = 255  // section 11
	waiting    = 64   // packets not yet looked at; more are dropped, as a network may
)

// ownLinks lists the networks on which the page is reached, and all addresses of this machine. Addresses that mean
// something only together with an interface are left out: browsers cannot use them.
func ownLinks(listen netip.Addr) (links []link, own []netip.Addr, err error) {
	list, err := net.Interfaces()
	if err != nil {
		return nil, nil, fmt.Errorf("list the network's interfaces: %w", err)
	}
	for _, i := range list {
		addrs, err := i.Addrs()
		if err != nil {
			continue // it went away just now
		}
		l := link{index: i.Index, name: i.Name}
		for _, a := range addrs {
			prefix, err := netip.ParsePrefix(a.String())
			if err != nil {
				continue
			}
			own = append(own, prefix.Addr())
			if reached(prefix.Addr(), listen) {
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

// reached says whether a phone reaches a page that listens so at an address.
func reached(a, listen netip.Addr) bool {
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

// ether is the air of a real network: for IPv4 a socket that is in the group on each link, for IPv6 a socket a link,
// because there an address of the group is complete only with its link.
type ether struct {
	v4   *ipv4.PacketConn
	v6   map[int]*ipv6.PacketConn // by link
	in   chan heard
	read sync.WaitGroup
}

// open listens and joins. It fails when no link can be spoken on.
func open(links []link) (air, error) {
	e := &ether{v6: map[int]*ipv6.PacketConn{}, in: make(chan heard, waiting)}
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
		errs = append(errs, e.v4.SetControlMessage(ipv4.FlagInterface, true), e.v4.SetMulticastTTL(hops),
			e.v4.SetTTL(hops), e.v4.SetMulticastLoopback(true))
		for _, l := range links {
			try(e.v4.JoinGroup(&net.Interface{Index: l.index}, &net.UDPAddr{IP: group4.AsSlice()}))
		}
	}
	for _, l := range links {
		try(e.open6(l))
	}
	if joined == 0 {
		e.close()
		return nil, fmt.Errorf("multicast on UDP port %d: %w", port, errors.Join(errs...))
	}
	e.listen()
	return e, nil
}

func (e *ether) open6(l link) error {
	conn, err := bind(netip.AddrPortFrom(group6, port), l.index)
	if err != nil {
		return err
	}
	c := ipv6.NewPacketConn(conn)
	err = errors.Join(c.JoinGroup(&net.Interface{Index: l.index}, &net.UDPAddr{IP: group6.AsSlice()}),
		c.SetMulticastHopLimit(hops), c.SetHopLimit(hops), c.SetMulticastLoopback(true))
	if err != nil {
		return errors.Join(err, c.Close())
	}
	e.v6[l.index] = c
	return nil
}

func (e *ether) listen() {
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

// receive hands packets on until the socket is closed.
func (e *ether) receive(read func([]byte) (n, link int, from net.Addr, err error)) {
	buffer := make([]byte, packetMost)
	for {
		n, index, from, err := read(buffer)
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			time.Sleep(time.Second) // an interface that goes away makes errors as fast as they are read
			continue
		}
		if udp, ok := from.(*net.UDPAddr); ok {
			select {
			case e.in <- heard{index, udp.AddrPort(), append([]byte{}, buffer[:n]...)}:
			default:
			}
		}
	}
}

func (e *ether) heard() <-chan heard { return e.in }

// cast sends to everyone on a link. An error is what a lost packet is: nobody's fault, and made up for by asking again.
func (e *ether) cast(index int, packet []byte) {
	e.tell(index, netip.AddrPortFrom(group4, port), packet)
	e.tell(index, netip.AddrPortFrom(group6, port), packet)
}

func (e *ether) tell(index int, to netip.AddrPort, packet []byte) {
	switch {
	case to.Addr().Unmap().Is4() && e.v4 != nil:
		to = netip.AddrPortFrom(to.Addr().Unmap(), to.Port())
		e.v4.WriteTo(packet, &ipv4.ControlMessage{IfIndex: index}, net.UDPAddrFromAddrPort(to))
	case to.Addr().Unmap().Is6() && e.v6[index] != nil:
		e.v6[index].WriteTo(packet, &ipv6.ControlMessage{IfIndex: index}, net.UDPAddrFromAddrPort(to))
	}
}

func (e *ether) close() {
	if e.v4 != nil {
		e.v4.Close()
	}
	for _, c := range e.v6 {
		c.Close()
	}
	e.read.Wait()
}
