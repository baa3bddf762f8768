package mdns

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"net/netip"
	"slices"
	"strings"
	"time"

	"golang.org/x/net/dns/dnsmessage"
)

// RFC 6762, sections 8.1, 8.2, 8.3 and 6.
const (
	probeCount               = 3
	probeInterval            = 250 * time.Millisecond
	tieDelay                 = time.Second
	announcementCount        = 2
	announcementInterval     = time.Second
	minResponseInterval      = time.Second            // between two multicasts of the same record on one link
	minProbeResponseInterval = 250 * time.Millisecond // when the answer is to a prober
)

const (
	port          = 5353
	maxSuffix     = 99
	systemRecheck = time.Minute // until it is probed whether the system still answers
)

// transport sends and receives packets.
type transport interface {
	multicast(link int, packet []byte)                  // to the groups on a link
	unicast(link int, to netip.AddrPort, packet []byte) // to one
	received() <-chan datagram
	close()
}

// datagram is a received packet.
type datagram struct {
	link   int
	from   netip.AddrPort
	packet []byte
}

// responder claims a name on the links and answers for it.
type responder struct {
	transport transport
	links     []link
	own       []netip.Addr // all addresses of this machine
	base      string
	number    int // 1: the name as it is
	publish   func(Status)

	rejected []TakenByPeer
	lastSent map[int]time.Time // when each link was last sent an announcement
	dueAt    map[int]time.Time // when each link is due for the next one
}

// probeResult is the outcome of probing for a name.
type probeResult int

const (
	cancelled    probeResult = iota // the context ended
	nameFree                        // nobody has it
	nameTaken                       // another machine has it
	nameBySystem                    // this machine has it, by another program
	nameTied                        // another machine is probing for it too, and wins
)

// host is the name without the final dot.
func (r *responder) host() string {
	if r.number > 1 {
		suffix := fmt.Sprintf("-%d", r.number)
		return strings.ToLower(r.base[:min(len(r.base), 63-len(suffix))]+suffix) + ".local"
	}
	return strings.ToLower(r.base) + ".local"
}

// name is the name as in packets, with the final dot.
func (r *responder) name() string { return r.host() + "." }

// run probes until a name is free, defends it, and starts over when it is lost, until the context ends.
func (r *responder) run(ctx context.Context) {
	for {
		result, by := r.probeName(ctx)
		switch result {
		case cancelled:
			return
		case nameTied:
			r.listen(ctx, tieDelay, nil)
		case nameTaken:
			r.rejected = append(r.rejected, TakenByPeer{r.host(), by})
			r.number = r.number%maxSuffix + 1
		case nameBySystem:
			r.publish(r.status(true))
			r.listen(ctx, systemRecheck, nil)
		case nameFree:
			r.publish(r.status(false))
			r.defend(ctx)
			// The other holder of the name backs off too: not for the same time.
			r.listen(ctx, rand.N(4*probeCount*probeInterval), nil)
		}
	}
}

func (r *responder) status(bySystem bool) Status {
	s := Status{Name: r.host(), System: bySystem, Taken: r.rejected}
	for _, l := range r.links {
		s.Networks = append(s.Networks, l.name)
	}
	r.rejected = nil
	return s
}

// listen passes packets to take for the duration or until take has enough; false if the context ended.
func (r *responder) listen(ctx context.Context, duration time.Duration,
	take func(datagram, message) (enough bool)) bool {
	end := time.After(duration)
	for {
		select {
		case <-ctx.Done():
			return false
		case <-end:
			return true
		case d, ok := <-r.transport.received():
			if !ok {
				return false
			}
			if m, fine := parse(d.packet); fine && take != nil && take(d, m) {
				return true
			}
		}
	}
}

// probeName asks whether the name is free.
func (r *responder) probeName(ctx context.Context) (result probeResult, by netip.Addr) {
	result = nameFree
	take := func(d datagram, m message) bool {
		answered := addressesOf(r.name(), m.answers)
		foreign := slices.IndexFunc(answered, func(a netip.Addr) bool { return !slices.Contains(r.own, a) })
		switch {
		case m.response && foreign >= 0:
			result, by = nameTaken, answered[foreign]
		case m.response && len(answered) > 0:
			result = nameBySystem
		case !m.response && r.losesTo(d.link, addressesOf(r.name(), m.authority)):
			result = nameTied
		}
		return result == nameTaken || result == nameTied
	}
	// Machines that were switched on together must not probe at once.
	if !r.listen(ctx, rand.N(probeInterval), nil) {
		return cancelled, by
	}
	for range probeCount {
		for _, l := range r.links {
			r.transport.multicast(l.index, probe(r.name(), l.addrs))
		}
		if !r.listen(ctx, probeInterval, take) {
			return cancelled, by
		}
		if result == nameTaken || result == nameTied {
			break
		}
	}
	return result, by
}

// losesTo reports whether another prober's addresses sort after ours, and so win: RFC 6762, section 8.2.
func (r *responder) losesTo(index int, theirs []netip.Addr) bool {
	if len(theirs) == 0 || !slices.ContainsFunc(theirs, func(a netip.Addr) bool { return !slices.Contains(r.own, a) }) {
		return false
	}
	ours := r.addrs(index)
	order := func(a, b netip.Addr) int {
		if k := int(kindOf(a)) - int(kindOf(b)); k != 0 {
			return k
		}
		return bytes.Compare(a.AsSlice(), b.AsSlice())
	}
	ours, theirs = slices.SortedFunc(slices.Values(ours), order), slices.SortedFunc(slices.Values(theirs), order)
	return slices.CompareFunc(ours, theirs, order) < 0
}

func (r *responder) addrs(index int) []netip.Addr {
	for _, l := range r.links {
		if l.index == index {
			return l.addrs
		}
	}
	return nil
}

// defend announces the name and answers for it until another machine claims it or the context ends.
func (r *responder) defend(ctx context.Context) {
	r.lastSent, r.dueAt = map[int]time.Time{}, map[int]time.Time{}
	for n := range announcementCount {
		for _, l := range r.links {
			r.dueAt[l.index] = time.Now().Add(time.Duration(n) * announcementInterval)
		}
		if n == 0 {
			r.sendDue()
		}
	}
	conflict := false
	for !conflict {
		fine := r.listen(ctx, r.untilNextSend(), func(d datagram, m message) bool {
			conflict = m.response && slices.ContainsFunc(addressesOf(r.name(), m.answers),
				func(a netip.Addr) bool { return !slices.Contains(r.own, a) })
			if !m.response {
				r.answer(d, m)
			}
			return conflict || len(r.dueAt) > 0
		})
		if !fine {
			for _, l := range r.links {
				r.transport.multicast(l.index, announcement(r.name(), l.addrs, 0))
			}
			return
		}
		r.sendDue()
	}
}

// untilNextSend is the time until the next announcement is due.
func (r *responder) untilNextSend() time.Duration {
	wait := time.Hour
	for _, at := range r.dueAt {
		wait = min(wait, time.Until(at))
	}
	return wait
}

func (r *responder) sendDue() {
	for index, at := range r.dueAt {
		if time.Until(at) <= 0 {
			delete(r.dueAt, index)
			r.lastSent[index] = time.Now()
			r.transport.multicast(index, announcement(r.name(), r.addrs(index), hostTTL))
		}
	}
}

// answer answers questions about the name: by multicast unless all of them want a unicast response.
func (r *responder) answer(d datagram, m message) {
	asked, addrs := m.about(r.name()), r.addrs(d.link)
	if len(asked) == 0 || len(addrs) == 0 || r.isKnown(asked, addrs, m) {
		return
	}
	prober := len(addressesOf(r.name(), m.authority)) > 0
	plain := d.from.Port() != port
	unicast := !slices.ContainsFunc(asked, func(q question) bool { return !q.unicast })
	if plain || unicast {
		r.transport.unicast(d.link, d.from, reply(r.name(), addrs, asked, m.id, plain))
		return
	}
	wait := minResponseInterval
	if prober {
		wait = minProbeResponseInterval
	}
	at := r.lastSent[d.link].Add(wait)
	if due, ok := r.dueAt[d.link]; !ok || at.Before(due) {
		r.dueAt[d.link] = at
	}
}

// isKnown says that who asks has the whole answer already, and for a good while: RFC 6762, section 7.1.
func (r *responder) isKnown(asked []question, addrs []netip.Addr, m message) bool {
	for _, a := range addrs {
		fresh := slices.ContainsFunc(m.answers, func(c addressRecord) bool {
			return c.name == r.name() && c.addr == a && c.ttl >= hostTTL/2
		})
		if asksFor(asked, kindOf(a)) && !fresh {
			return false
		}
	}
	return slices.ContainsFunc(addrs, func(a netip.Addr) bool { return asksFor(asked, kindOf(a)) }) &&
		!slices.ContainsFunc(asked, func(q question) bool { return q.kind == dnsmessage.TypeALL })
}
