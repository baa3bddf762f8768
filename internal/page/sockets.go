package page

import (
	"slices"
	"sync"
	"time"

	"github.com/gorilla/websocket"
)

const (
	maxSockets = 2 * maxPhones

	// closeReplaced: another connection took this one's place. The page does not come back at once, or the two would
	// replace each other for ever.
	closeReplaced = 4001
)

// sockets are the connections there are, and what each phone may still do.
type sockets struct {
	mu       sync.Mutex
	open     map[*socket]struct{}
	limits   map[string]*phoneLimits // by phone
	stopping bool
	running  sync.WaitGroup
}

// limitsOf returns the limits of a phone, which outlive its connections.
func (s *sockets) limitsOf(client string) *phoneLimits {
	s.mu.Lock()
	defer s.mu.Unlock()
	l := s.limits[client]
	if l == nil {
		l = newPhoneLimits()
		s.limits[client] = l
	}
	return l
}

// add registers the socket, unless the server is stopping. A phone that has very many loses its oldest. Where there
// are too many altogether, one of the phone with most makes room: any phone can connect, and keeps its last
// connection.
func (s *sockets) add(k *socket) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.stopping {
		return false
	}
	if own := s.ofPhone(k.client); len(own) >= maxSocketsPerPhone {
		own[0].stop(closeReplaced, "another connection of this phone took its place")
	} else if s.live() >= maxSockets {
		s.ofBusiestPhone()[0].stop(closeReplaced, "too many connections: another phone took its place")
	}
	s.open[k] = struct{}{}
	s.running.Add(1)
	return true
}

// ofPhone are the connections of a phone that are not about to end, the oldest first.
func (s *sockets) ofPhone(client string) (own []*socket) {
	for k := range s.open {
		if k.client == client && !k.hasEnded() {
			own = append(own, k)
		}
	}
	slices.SortFunc(own, func(a, b *socket) int { return a.opened.Compare(b.opened) })
	return own
}

// live counts the connections that are not about to end.
func (s *sockets) live() (n int) {
	for k := range s.open {
		if !k.hasEnded() {
			n++
		}
	}
	return n
}

// ofBusiestPhone are the connections of the phone that has most.
func (s *sockets) ofBusiestPhone() (most []*socket) {
	seen := map[string]bool{}
	for k := range s.open {
		if seen[k.client] {
			continue
		}
		seen[k.client] = true
		if own := s.ofPhone(k.client); len(own) > len(most) {
			most = own
		}
	}
	return most
}

func (s *sockets) remove(k *socket) {
	s.mu.Lock()
	delete(s.open, k)
	s.mu.Unlock()
	s.running.Done()
}

func (s *sockets) count() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	return len(s.open)
}

// close ends every connection, as the server is stopping, and waits until all have ended.
func (s *sockets) close() {
	s.mu.Lock()
	s.stopping = true
	for k := range s.open {
		k.stop(websocket.CloseGoingAway, "Stillwater is stopping")
	}
	s.mu.Unlock()
	s.running.Wait()
}

// connected are the phones that have a connection.
func (s *sockets) connected() map[string]bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	clients := map[string]bool{}
	for k := range s.open {
		clients[k.client] = true
	}
	return clients
}

// phonesInUse are the phones that are connected, and the one that holds the controls, connected or not.
func (s *Server) phonesInUse() (connected map[string]bool, holder string) {
	return s.sockets.connected(), s.opts.Control.Snapshot().Holder
}

// closePhones ends the connections of phones that are not paired any more.
func (s *sockets) closePhones(clients []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for k := range s.open {
		if slices.Contains(clients, k.client) {
			k.endUnpaired()
		}
	}
	for _, client := range clients {
		delete(s.limits, client)
	}
}

// admit returns how long a phone that connects too often must wait.
func (l *phoneLimits) admit(now time.Time) (wait time.Duration) {
	turn := l.connects.ReserveN(now, 1)
	if wait = turn.DelayFrom(now); wait > 0 {
		turn.CancelAt(now)
	}
	return wait
}
