package mdns

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/net/dns/dnsmessage"
)

// hub is an in-memory network: a multicast reaches every member, its sender included.
type hub struct {
	mu      sync.Mutex
	members map[*hubTransport]bool
	log     []sentPacket
}

// sentPacket is a packet that was sent.
type sentPacket struct {
	at time.Time
	by netip.Addr
	to netip.AddrPort // zero: multicast
	m  message
}

type hubTransport struct {
	hub  *hub
	addr netip.Addr
	in   chan datagram
}

func (h *hub) join(addr netip.Addr) *hubTransport {
	h.mu.Lock()
	defer h.mu.Unlock()
	a := &hubTransport{h, addr, make(chan datagram, 1000)}
	if h.members == nil {
		h.members = map[*hubTransport]bool{}
	}
	h.members[a] = true
	return a
}

func (h *hub) send(from netip.AddrPort, to netip.AddrPort, packet []byte) {
	h.mu.Lock()
	defer h.mu.Unlock()
	m, ok := parse(packet)
	if !ok {
		panic("malformed packet sent")
	}
	h.log = append(h.log, sentPacket{time.Now(), from.Addr(), to, m})
	for a := range h.members {
		if !to.IsValid() || a.addr == to.Addr() {
			a.in <- datagram{1, from, packet}
		}
	}
}

func (a *hubTransport) multicast(_ int, packet []byte) {
	a.hub.send(netip.AddrPortFrom(a.addr, port), netip.AddrPort{}, packet)
}

func (a *hubTransport) unicast(_ int, to netip.AddrPort, packet []byte) {
	a.hub.send(netip.AddrPortFrom(a.addr, port), to, packet)
}

func (a *hubTransport) received() <-chan datagram { return a.in }

func (a *hubTransport) close() {
	a.hub.mu.Lock()
	defer a.hub.mu.Unlock()
	delete(a.hub.members, a)
}

// addrsTold takes out what was sent so far.
func (h *hub) takeSent() []sentPacket {
	synctest.Wait()
	h.mu.Lock()
	defer h.mu.Unlock()
	log := h.log
	h.log = nil
	return log
}

// machine announces its name on a hub.
type machine struct {
	mu       sync.Mutex
	statuses []Status
	stop     func()
}

func (m *machine) name() string {
	synctest.Wait()
	m.mu.Lock()
	defer m.mu.Unlock()
	if len(m.statuses) == 0 {
		return ""
	}
	return m.statuses[len(m.statuses)-1].Name
}

func (h *hub) machine(t *testing.T, addr string, change ...func(*Options)) *machine {
	m, own := &machine{}, addrs(addr)
	o := Options{Name: "stillwater", Listen: netip.IPv6Unspecified(), Log: slog.New(slog.DiscardHandler),
		OnStatus: func(f Status) {
			m.mu.Lock()
			defer m.mu.Unlock()
			m.statuses = append(m.statuses, f)
		},
		links: func(netip.Addr) ([]link, []netip.Addr, error) { return []link{{1, "wlan0", own}}, own, nil },
		open:  func([]link) (transport, error) { return h.join(own[0]), nil },
	}
	for _, c := range change {
		c(&o)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error)
	go func() { done <- Run(ctx, o) }()
	m.stop = sync.OnceFunc(func() { cancel(); assert.NoError(t, <-done) })
	t.Cleanup(m.stop)
	return m
}

// ask sends a question from an address.
func (h *hub) ask(from string, class dnsmessage.Class, kinds ...dnsmessage.Type) {
	h.askKnowing(from, class, nil, kinds...)
}

func (h *hub) askKnowing(from string, class dnsmessage.Class, isKnown []dnsmessage.Resource, kinds ...dnsmessage.Type) {
	m := dnsmessage.Message{Header: dnsmessage.Header{ID: 9}, Answers: isKnown}
	for _, k := range kinds {
		m.Questions = append(m.Questions,
			dnsmessage.Question{Name: dnsmessage.MustNewName("STILLwater.local."), Type: k, Class: class})
	}
	packet, err := m.Pack()
	if err != nil {
		panic(err)
	}
	h.send(netip.MustParseAddrPort(from), netip.AddrPort{}, packet)
}

func bubble(t *testing.T, f func(t *testing.T, h *hub)) {
	synctest.Test(t, func(t *testing.T) { f(t, &hub{}) })
}

// RFC 6762, sections 8.1 and 8.3: three probes a quarter of a second apart, then two announcements a second apart.
func TestFreeNameIsTaken(t *testing.T) {
	bubble(t, func(t *testing.T, h *hub) {
		m := h.machine(t, "10.0.0.1")
		time.Sleep(5 * time.Second)
		assert.Equal(t, "stillwater.local", m.name())
		require.Len(t, m.statuses, 1)
		assert.Equal(t, Status{Name: "stillwater.local", Networks: []string{"wlan0"}}, m.statuses[0])
		log := h.takeSent()
		require.Len(t, log, 5)
		for i, gap := range []time.Duration{probeInterval, probeInterval, probeInterval, announcementInterval} {
			assert.Equal(t, gap, log[i+1].at.Sub(log[i].at), "packet %d", i+1)
			assert.Equal(t, i >= 3, log[i].m.response)
		}
		m.stop()
		bye := h.takeSent()
		require.Len(t, bye, 1)
		assert.Equal(t, []addressRecord{{still, netip.MustParseAddr("10.0.0.1"), 0}}, bye[0].m.answers)
	})
}

func TestAnswers(t *testing.T) {
	bubble(t, func(t *testing.T, h *hub) {
		h.machine(t, "10.0.0.1")
		time.Sleep(5 * time.Second)
		answers := func(what string) []sentPacket {
			t.Helper()
			time.Sleep(2 * time.Second)
			return slices.DeleteFunc(h.takeSent(), func(s sentPacket) bool { return !s.m.response })
		}
		answers("the announcements")

		h.ask("10.0.0.7:5353", 1, dnsmessage.TypeA)
		got := answers("to all")
		require.Len(t, got, 1)
		assert.False(t, got[0].to.IsValid())
		assert.Equal(t, []addressRecord{{still, netip.MustParseAddr("10.0.0.1"), hostTTL}}, got[0].m.answers)

		for range 5 { // section 6: not more often than once a second
			h.ask("10.0.0.7:5353", 1, dnsmessage.TypeA, dnsmessage.TypeAAAA)
		}
		assert.LessOrEqual(t, len(answers("many")), 2)
		h.ask("10.0.0.7:5353", 0x8001, dnsmessage.TypeA)
		got = answers("unicast")
		require.Len(t, got, 1)
		assert.Equal(t, netip.MustParseAddrPort("10.0.0.7:5353"), got[0].to)
		h.ask("10.0.0.7:40000", 1, dnsmessage.TypeA)
		got = answers("to a plain resolver")
		require.Len(t, got, 1)
		assert.Equal(t, netip.MustParseAddrPort("10.0.0.7:40000"), got[0].to)
		assert.Equal(t, uint16(9), got[0].m.id)
		h.ask("10.0.0.7:5353", 1, dnsmessage.TypeMX)
		assert.Empty(t, answers("no question about addresses"))

		isKnown := func(addr string, seconds uint32) []dnsmessage.Resource {
			return []dnsmessage.Resource{{Header: dnsmessage.ResourceHeader{Name: dnsmessage.MustNewName(still),
				Class: 1, TTL: seconds}, Body: &dnsmessage.AResource{A: netip.MustParseAddr(addr).As4()}}}
		}
		h.askKnowing("10.0.0.7:5353", 1, isKnown("10.0.0.1", 100), dnsmessage.TypeA)
		assert.Empty(t, answers("who knows already"))
		h.askKnowing("10.0.0.7:5353", 1, isKnown("10.0.0.1", 59), dnsmessage.TypeA)
		assert.Len(t, answers("who knows for a short time only"), 1)
		h.askKnowing("10.0.0.7:5353", 1, isKnown("10.0.0.9", 100), dnsmessage.TypeA)
		assert.Len(t, answers("who knows something else"), 1)
		h.send(netip.MustParseAddrPort("10.0.0.7:5353"), netip.AddrPort{}, probe(still, addrs("10.0.0.7")))
		assert.Len(t, answers("who wants the name"), 1)
	})
}

// neighbour has a name and answers for it.
func (h *hub) neighbour(t *testing.T, name string, addr string) {
	a := h.join(netip.MustParseAddr(addr))
	go func() {
		for {
			select {
			case <-t.Context().Done():
				return
			case got := <-a.in:
				if m, _ := parse(got.packet); !m.response && len(m.about(name)) > 0 {
					a.multicast(1, announcement(name, addrs(addr), hostTTL))
				}
			}
		}
	}()
}

func TestNameOfAnotherMachineIsLeftToIt(t *testing.T) {
	bubble(t, func(t *testing.T, h *hub) {
		h.neighbour(t, "stillwater.local.", "10.0.0.7")
		h.neighbour(t, "stillwater-2.local.", "10.0.0.8")
		m := h.machine(t, "10.0.0.1")
		time.Sleep(10 * time.Second)
		assert.Equal(t, "stillwater-3.local", m.name())
		assert.Equal(t, []TakenByPeer{{"stillwater.local", netip.MustParseAddr("10.0.0.7")},
			{"stillwater-2.local", netip.MustParseAddr("10.0.0.8")}}, m.statuses[0].Taken)
		for _, s := range h.takeSent() {
			if s.by == netip.MustParseAddr("10.0.0.1") && s.m.response {
				assert.Equal(t, "stillwater-3.local.", s.m.answers[0].name)
			}
		}
	})
}

// The machine's own system may answer for the name already: then nothing is announced.
func TestNameThatTheSystemHas(t *testing.T) {
	bubble(t, func(t *testing.T, h *hub) {
		h.neighbour(t, "stillwater.local.", "10.0.0.1") // another program, the same machine
		m := h.machine(t, "10.0.0.1")
		time.Sleep(5 * time.Minute)
		assert.Equal(t, "stillwater.local", m.name())
		require.Len(t, m.statuses, 1, "asked again each minute, and no news")
		assert.True(t, m.statuses[0].System)
	})
}

// Machines that are switched on together, in any number, end with different names, and with the first ones.
func TestManyMachinesAtOnce(t *testing.T) {
	for n := 2; n <= 6; n++ {
		bubble(t, func(t *testing.T, h *hub) {
			var all []*machine
			for i := range n {
				all = append(all, h.machine(t, fmt.Sprintf("10.0.0.%d", i+1)))
			}
			time.Sleep(time.Minute)
			assert.ElementsMatch(t, firstNames(n), namesOf(all))
		})
	}
}

func firstNames(n int) []string {
	names := []string{"stillwater.local"}
	for i := 2; i <= n; i++ {
		names = append(names, fmt.Sprintf("stillwater-%d.local", i))
	}
	return names
}

func namesOf(all []*machine) (names []string) {
	for _, m := range all {
		names = append(names, m.name())
	}
	return names
}

// Two networks become one: of two machines with the same name one takes another.
func TestNetworksJoined(t *testing.T) {
	bubble(t, func(t *testing.T, h *hub) {
		g := &hub{}
		all := []*machine{h.machine(t, "10.0.0.1"), h.machine(t, "10.0.0.2"), g.machine(t, "10.0.0.3")}
		time.Sleep(time.Minute)
		assert.Equal(t, "stillwater.local", all[2].name())
		g.mu.Lock()
		h.mu.Lock()
		for a := range g.members {
			a.hub = h
		}
		maps.Copy(h.members, g.members)
		h.mu.Unlock()
		g.mu.Unlock()
		h.ask("10.0.0.7:5353", 1, dnsmessage.TypeA) // both answer and receive each other's
		time.Sleep(time.Minute)
		assert.ElementsMatch(t, firstNames(3), namesOf(all))
	})
}

// RFC 6762, section 8.2: the example there has 169.254.99.200 lose to 169.254.200.50.
func TestTieBreak(t *testing.T) {
	s := responder{links: []link{{index: 1, addrs: addrs("169.254.99.200")}}, own: addrs("169.254.99.200", "10.9.9.9")}
	for theirs, losesTo := range map[string]bool{"169.254.200.50": true, "169.254.99.200": false, "169.254.1.1": false,
		"fd00::1": true, "169.254.99.200 fd00::1": true, "10.9.9.9": false, "": false} {
		assert.Equal(t, losesTo, s.losesTo(1, addrs(strings.Fields(theirs)...)), theirs)
	}
}

// Nothing is announced when the page listens on loopback only.
func TestLoopbackSaysNothing(t *testing.T) {
	for _, listen := range []string{"127.0.0.1", "::1", "127.3.0.1"} {
		assert.NoError(t, Run(t.Context(), Options{Name: "stillwater", Listen: netip.MustParseAddr(listen)}))
	}
	assert.Error(t, Run(t.Context(), Options{Name: "still water"}))
}

// A machine that starts before its Wi-Fi announces itself when that is up; a network that refuses multicast is tried
// again and logged once.
func TestNetworkThatComesLater(t *testing.T) {
	bubble(t, func(t *testing.T, h *hub) {
		var mu sync.Mutex
		up, refused, tries := false, errors.New("no multicast here"), 0
		var log strings.Builder
		m := h.machine(t, "10.0.0.1", func(o *Options) {
			links, open := o.links, o.open
			o.Log = slog.New(slog.NewTextHandler(&log, nil))
			o.links = func(a netip.Addr) ([]link, []netip.Addr, error) {
				mu.Lock()
				defer mu.Unlock()
				if !up {
					return nil, nil, nil
				}
				return links(a)
			}
			o.open = func(l []link) (transport, error) {
				mu.Lock()
				defer mu.Unlock()
				if tries++; refused != nil {
					return nil, refused
				}
				return open(l)
			}
		})
		set := func(f func()) { mu.Lock(); defer mu.Unlock(); f() }
		time.Sleep(time.Hour)
		assert.Empty(t, m.name()+log.String())
		set(func() { up = true })
		time.Sleep(5 * time.Minute)
		assert.Empty(t, m.name())
		assert.Equal(t, 1, strings.Count(log.String(), "no multicast here"), log.String())
		set(func() {
			assert.Greater(t, tries, 5)
			assert.Less(t, tries, 15, "a network that refuses is not asked again and again")
			refused = nil
		})
		time.Sleep(time.Minute)
		assert.Equal(t, "stillwater.local", m.name())
		set(func() { up = false })
		time.Sleep(time.Minute)
		h.mu.Lock()
		assert.Empty(t, h.members, "nobody listens on a network that is gone")
		h.mu.Unlock()
		set(func() { up = true })
		time.Sleep(time.Minute)
		assert.Len(t, m.statuses, 1, "the same name is no news")
	})
}

// A machine that took another name keeps it when its network comes back, though the first one is free by then.
func TestNameStaysOverAChangeOfNetworks(t *testing.T) {
	bubble(t, func(t *testing.T, h *hub) {
		first := h.machine(t, "10.0.0.1")
		time.Sleep(10 * time.Second)
		var mu sync.Mutex
		up := true
		second := h.machine(t, "10.0.0.2", func(o *Options) {
			links := o.links
			o.links = func(a netip.Addr) ([]link, []netip.Addr, error) {
				mu.Lock()
				defer mu.Unlock()
				if !up {
					return nil, nil, nil
				}
				return links(a)
			}
		})
		time.Sleep(10 * time.Second)
		require.Equal(t, "stillwater-2.local", second.name())
		first.stop()
		for _, is := range []bool{false, true} {
			mu.Lock()
			up = is
			mu.Unlock()
			time.Sleep(time.Minute)
		}
		h.takeSent()
		h.ask("10.0.0.7:5353", 1, dnsmessage.TypeA)
		time.Sleep(5 * time.Second)
		assert.Equal(t, "stillwater-2.local", second.name())
		for _, s := range h.takeSent() {
			assert.False(t, s.m.response, "nobody is stillwater.local now")
		}
	})
}

func TestWhereThePageIsReached(t *testing.T) {
	for _, c := range []struct {
		addr, listen string
		want         bool
	}{
		{"10.0.0.1", "::", true}, {"fd00::1", "::", true}, {"127.0.0.1", "::", false}, {"fe80::1", "::", false},
		{"10.0.0.1", "0.0.0.0", true}, {"fd00::1", "0.0.0.0", false}, {"10.0.0.1", "10.0.0.1", true},
		{"10.0.0.2", "10.0.0.1", false}, {"10.0.0.1", "::ffff:10.0.0.1", true}, {"169.254.1.1", "::", true},
	} {
		assert.Equal(t, c.want, reachable(netip.MustParseAddr(c.addr), netip.MustParseAddr(c.listen)), "%+v", c)
	}
}
