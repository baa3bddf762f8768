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

// Times of RFC 6762: sections 8.1, 8.2, 8.3 and 6.
const (
	probes       = 3
	betweenProbe = 250 * time.Millisecond
	afterTie     = time.Second
	announces    = 2
	betweenSaid  = time.Second
	seldom       = time.Second            // between two casts of the same on one link
	seldomProbe  = 250 * time.Millisecond // and when the answer is to a prober
)

const (
	port       = 5353
	mostNumber = 99
	askSystem  = time.Minute // whether the system still answers for the name
)

// air is how packets travel.
type air interface {
	cast(link int, packet []byte)                    // to everyone on a link
	tell(link int, to netip.AddrPort, packet []byte) // to one
	heard() <-chan heard
	close()
}

// heard is a packet that came in.
type heard struct {
	link   int
	from   netip.AddrPort
	packet []byte
}

// speaker claims a name on the links and answers for it.
type speaker struct {
	air    air
	links  []link
	own    []netip.Addr // all addresses of this machine
	base   string
	number int // 1: the name as it is
	found  func(Found)

	taken []TakenByPeer
	last  map[int]time.Time // when a link was last told
	due   map[int]time.Time // when a link is to be told again
}

// outcome is what asking for a name led to.
type outcome int

const (
	over   outcome = iota // the context ended
	free                  // nobody has it
	taken                 // another machine has it
	system                // this machine has it, by another program
	tie                   // another machine asks for it at this moment, and comes first
)

// host is the name as people write it.
func (s *speaker) host() string {
	if s.number > 1 {
		suffix := fmt.Sprintf("-%d", s.number)
		return strings.ToLower(s.base[:min(len(s.base), 63-len(suffix))]+suffix) + ".local"
	}
	return strings.ToLower(s.base) + ".local"
}

// name is the name as it stands in packets.
func (s *speaker) name() string { return s.host() + "." }

// run claims names until one can be held, holds it, and claims again when it is lost, until the context ends.
func (s *speaker) run(ctx context.Context) {
	for {
		result, by := s.claim(ctx)
		switch result {
		case over:
			return
		case tie:
			s.listen(ctx, afterTie, nil)
		case taken:
			s.taken = append(s.taken, TakenByPeer{s.host(), by})
			s.number = s.number%mostNumber + 1
		case system:
			s.found(s.asFound(true))
			s.listen(ctx, askSystem, nil)
		case free:
			s.found(s.asFound(false))
			s.hold(ctx)
			// Whoever else thinks it has the name is quiet for a while too: not for as long.
			s.listen(ctx, rand.N(4*probes*betweenProbe), nil)
		}
	}
}

func (s *speaker) asFound(bySystem bool) Found {
	f := Found{Name: s.host(), System: bySystem, Taken: s.taken}
	for _, l := range s.links {
		f.Networks = append(f.Networks, l.name)
	}
	s.taken = nil
	return f
}

// listen takes packets in for a time, or until take has seen enough; false when the context ended.
func (s *speaker) listen(ctx context.Context, for_ time.Duration, take func(heard, message) (enough bool)) bool {
	end := time.After(for_)
	for {
		select {
		case <-ctx.Done():
			return false
		case <-end:
			return true
		case h, ok := <-s.air.heard():
			if !ok {
				return false
			}
			if m, fine := parse(h.packet); fine && take != nil && take(h, m) {
				return true
			}
		}
	}
}

// claim asks whether the name is free.
func (s *speaker) claim(ctx context.Context) (result outcome, by netip.Addr) {
	result = free
	take := func(h heard, m message) bool {
		told := addressesOf(s.name(), m.answers)
		foreign := slices.IndexFunc(told, func(a netip.Addr) bool { return !slices.Contains(s.own, a) })
		switch {
		case m.response && foreign >= 0:
			result, by = taken, told[foreign]
		case m.response && len(told) > 0:
			result = system
		case !m.response && s.later(h.link, addressesOf(s.name(), m.proposed)):
			result = tie
		}
		return result == taken || result == tie
	}
	// Machines that were switched on together do not ask together.
	if !s.listen(ctx, rand.N(betweenProbe), nil) {
		return over, by
	}
	for range probes {
		for _, l := range s.links {
			s.air.cast(l.index, probe(s.name(), l.addrs))
		}
		if !s.listen(ctx, betweenProbe, take) {
			return over, by
		}
		if result == taken || result == tie {
			break
		}
	}
	return result, by
}

// later says whether what another machine proposes at the same time comes after ours in the order of RFC 6762, section
// 8.2, and so has the better right.
func (s *speaker) later(index int, theirs []netip.Addr) bool {
	if len(theirs) == 0 || !slices.ContainsFunc(theirs, func(a netip.Addr) bool { return !slices.Contains(s.own, a) }) {
		return false
	}
	ours := s.addrs(index)
	order := func(a, b netip.Addr) int {
		if k := int(kindOf(a)) - int(kindOf(b)); k != 0 {
			return k
		}
		return bytes.Compare(a.AsSlice(), b.AsSlice())
	}
	ours, theirs = slices.SortedFunc(slices.Values(ours), order), slices.SortedFunc(slices.Values(theirs), order)
	return slices.CompareFunc(ours, theirs, order) < 0
}

func (s *speaker) addrs(index int) []netip.Addr {
	for _, l := range s.links {
		if l.index == index {
			return l.addrs
		}
	}
	return nil
}

// hold announces the name and answers for it until another machine says that it has it, or the context ends.
func (s *speaker) hold(ctx context.Context) {
	s.last, s.due = map[int]time.Time{}, map[int]time.Time{}
	for n := range announces {
		for _, l := range s.links {
			s.due[l.index] = time.Now().Add(time.Duration(n) * betweenSaid)
		}
		if n == 0 {
			s.castDue()
		}
	}
	conflict := false
	for !conflict {
		fine := s.listen(ctx, s.untilDue(), func(h heard, m message) bool {
			conflict = m.response && slices.ContainsFunc(addressesOf(s.name(), m.answers),
				func(a netip.Addr) bool { return !slices.Contains(s.own, a) })
			if !m.response {
				s.answer(h, m)
			}
			return conflict || len(s.due) > 0
		})
		if !fine {
			for _, l := range s.links {
				s.air.cast(l.index, announcement(s.name(), l.addrs, 0))
			}
			return
		}
		s.castDue()
	}
}

// untilDue is how long nothing has to be cast.
func (s *speaker) untilDue() time.Duration {
	wait := time.Hour
	for _, at := range s.due {
		wait = min(wait, time.Until(at))
	}
	return wait
}

func (s *speaker) castDue() {
	for index, at := range s.due {
		if time.Until(at) <= 0 {
			delete(s.due, index)
			s.last[index] = time.Now()
			s.air.cast(index, announcement(s.name(), s.addrs(index), ttl))
		}
	}
}

// answer answers a question about the name: to all, unless the one who asks wants it alone.
func (s *speaker) answer(h heard, m message) {
	asked, addrs := m.about(s.name()), s.addrs(h.link)
	if len(asked) == 0 || len(addrs) == 0 || s.known(asked, addrs, m) {
		return
	}
	prober := len(addressesOf(s.name(), m.proposed)) > 0
	plain := h.from.Port() != port
	alone := !slices.ContainsFunc(asked, func(q question) bool { return !q.alone })
	if plain || alone {
		s.air.tell(h.link, h.from, reply(s.name(), addrs, asked, m.id, plain))
		return
	}
	wait := seldom
	if prober {
		wait = seldomProbe
	}
	at := s.last[h.link].Add(wait)
	if due, ok := s.due[h.link]; !ok || at.Before(due) {
		s.due[h.link] = at
	}
}

// known says that who asks has the whole answer already, and for a good while: RFC 6762, section 7.1.
func (s *speaker) known(asked []question, addrs []netip.Addr, m message) bool {
	for _, a := range addrs {
		fresh := slices.ContainsFunc(m.answers, func(c claim) bool {
			return c.name == s.name() && c.addr == a && c.ttl >= ttl/2
		})
		if asksFor(asked, kindOf(a)) && !fresh {
			return false
		}
	}
	return slices.ContainsFunc(addrs, func(a netip.Addr) bool { return asksFor(asked, kindOf(a)) }) &&
		!slices.ContainsFunc(asked, func(q question) bool { return q.kind == dnsmessage.TypeALL })
}
