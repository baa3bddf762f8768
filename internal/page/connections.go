package page

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// Connections that do not carry a paired phone's websocket. One address can be many phones behind a router, and a
// browser opens up to six.
const (
	maxConnections   = 256
	maxPerAddress    = 64
	acceptsPerSecond = 20 // of one address
	acceptsBurst     = 200
)

// MaxOpen bounds the connections at one time. The process needs a descriptor for each, and some for other things.
const MaxOpen = maxConnections + maxSockets

// listener limits the connections that carry no paired phone's websocket. A new one always gets in: where there are
// too many, the one that is idle for longest is closed, so that nobody can shut others out by holding
// connections. An address has a share of its own.
type listener struct {
	net.Listener

	mu     sync.Mutex
	counts map[netip.Addr]*addressCount
	open   map[*connection]struct{}
}

// addressCount is what one address has opened.
type addressCount struct {
	open    int
	accepts *rate.Limiter
}

// connection is a connection until a phone is known to be at its other end.
type connection struct {
	net.Conn
	listener *listener
	from     netip.Addr
	bytes    *rate.Limiter // of the phone whose websocket it is; nil before
	idle     bool          // all it asked for was answered; guarded by listener.mu, as since is
	since    time.Time     // when it became idle, or busy: a new one has yet to ask, which takes a slow network a while
}

func newListener(l net.Listener) *listener {
	return &listener{Listener: l, counts: map[netip.Addr]*addressCount{}, open: map[*connection]struct{}{}}
}

// Accept waits for the next connection that is let in.
func (l *listener) Accept() (net.Conn, error) {
	for {
		conn, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		c := &connection{Conn: conn, listener: l, from: addrOf(conn.RemoteAddr().String()), since: time.Now()}
		closes, ok := l.admit(c)
		if !ok {
			closes = c
		}
		if closes != nil {
			closes.Conn.Close() // its server forgets it when it notices
		}
		if ok {
			return c, nil
		}
	}
}

// admit counts a connection in, unless its address opens too many too fast. It returns the one to close for it, if
// any.
func (l *listener) admit(c *connection) (evicted *connection, ok bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	count := l.count(c)
	if !count.accepts.Allow() {
		return nil, false
	}
	switch {
	case count.open >= maxPerAddress:
		evicted = l.idlest(func(other *connection) bool { return other.from == c.from })
	case len(l.open) >= maxConnections:
		evicted = l.idlest(func(*connection) bool { return true })
	}
	if evicted != nil {
		l.remove(evicted)
	}
	l.open[c] = struct{}{}
	l.count(c).open++
	return evicted, true
}

// count finds the count of a connection's address. Where there are very many, those that have nothing open are
// forgotten.
func (l *listener) count(c *connection) *addressCount {
	count := l.counts[c.from]
	if count == nil {
		if len(l.counts) >= 4*maxConnections {
			for from, other := range l.counts {
				if other.open == 0 {
					delete(l.counts, from)
				}
			}
		}
		count = &addressCount{accepts: rate.NewLimiter(acceptsPerSecond, acceptsBurst)}
		l.counts[c.from] = count
	}
	return count
}

// idlest is the connection that is idle for longest, or else the one that is busy for longest.
func (l *listener) idlest(eligible func(*connection) bool) (found *connection) {
	for c := range l.open {
		if eligible(c) && (found == nil || c.idle == found.idle && c.since.Before(found.since) || c.idle && !found.idle) {
			found = c
		}
	}
	return found
}

func (l *listener) remove(c *connection) {
	if _, open := l.open[c]; open {
		delete(l.open, c)
		l.counts[c.from].open--
	}
}

// release takes a connection out of the count: it was closed, or is a paired phone's websocket now.
func (c *connection) release() {
	c.listener.mu.Lock()
	defer c.listener.mu.Unlock()
	c.listener.remove(c)
}

// Close ends the connection, and makes room for another.
func (c *connection) Close() error {
	c.release()
	return c.Conn.Close()
}

// errTooManyBytes ends a phone's websocket.
var errTooManyBytes = errors.New("the phone sends too many bytes")

// Read reads what the other end sends, up to a phone's limit.
func (c *connection) Read(p []byte) (n int, err error) {
	n, err = c.Conn.Read(p)
	if err == nil && c.bytes != nil && !c.bytes.AllowN(time.Now(), n) {
		err = errTooManyBytes
	}
	return n, err
}

// CloseWrite lets the other end know that nothing more will be sent.
func (c *connection) CloseWrite() error {
	half, ok := c.Conn.(interface{ CloseWrite() error })
	if !ok {
		return fmt.Errorf("a connection of type %T cannot be closed for writing alone", c.Conn)
	}
	return half.CloseWrite()
}

// trackState is for http.Server.ConnState.
func (l *listener) trackState(conn net.Conn, state http.ConnState) {
	c, ok := conn.(*connection)
	if !ok {
		return
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if idle := state == http.StateIdle; c.idle != idle {
		c.idle, c.since = idle, time.Now()
	}
}

type connectionKey struct{}

// withConnection is for http.Server.ConnContext.
func withConnection(ctx context.Context, conn net.Conn) context.Context {
	return context.WithValue(ctx, connectionKey{}, conn)
}

// connectionOf is the connection that a request came on, nil if it is not one of a listener.
func connectionOf(r *http.Request) *connection {
	c, _ := r.Context().Value(connectionKey{}).(*connection)
	return c
}
