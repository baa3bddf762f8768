package page

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// crowd opens connections at a listener in fake time.
type crowd struct {
	t *testing.T
	l *listener
}

func (c crowd) open(from string) (opened, evicted *connection, ok bool) {
	c.t.Helper()
	time.Sleep(time.Millisecond)
	opened = &connection{listener: c.l, from: netip.MustParseAddr(from), since: time.Now()}
	evicted, ok = c.l.admit(opened)
	return opened, evicted, ok
}

func TestTheIdlestConnectionMakesRoom(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := crowd{t, newListener(nil)}
		var opened []*connection
		for i := range maxConnections {
			conn, evicted, ok := c.open(fmt.Sprintf("192.0.2.%d", i))
			require.True(t, ok)
			require.Nil(t, evicted)
			opened = append(opened, conn)
		}
		for _, conn := range append(opened[2:], opened[1]) {
			time.Sleep(time.Millisecond)
			c.l.trackState(conn, http.StateActive)
			c.l.trackState(conn, http.StateIdle)
		}
		for i := range maxConnections - 1 {
			_, evicted, ok := c.open(fmt.Sprintf("198.51.100.%d", i))
			require.True(t, ok)
			want := opened[1]
			if i+2 < maxConnections {
				want = opened[i+2]
			}
			require.Same(t, want, evicted, "%d: the one that is idle for longest; none that is busy", i)
			require.Len(t, c.l.open, maxConnections)
		}
		for conn := range c.l.open {
			c.l.trackState(conn, http.StateActive)
			time.Sleep(time.Millisecond)
		}
		_, evicted, ok := c.open("203.0.113.1")
		assert.True(t, ok)
		assert.NotNil(t, evicted, "where all are busy, the one that is for longest")
		for conn := range c.l.open {
			assert.False(t, conn.since.Before(evicted.since))
			conn.release()
			conn.release() // closing twice counts once
		}
		assert.Empty(t, c.l.open)
		for _, count := range c.l.counts {
			assert.Zero(t, count.open)
		}
	})
}

// Strangers hold requests that they never finish and open more connections meanwhile. A phone that has just connected
// has as long to say what it wants as it takes to replace all that were there before it.
func TestANewConnectionIsNotTheFirstToMakeRoom(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := crowd{t, newListener(nil)}
		for i := range maxConnections {
			held, _, _ := c.open(fmt.Sprintf("192.0.2.%d", i))
			c.l.trackState(held, http.StateNew)
			c.l.trackState(held, http.StateActive)
		}
		phone, _, _ := c.open("198.51.100.1")
		c.l.trackState(phone, http.StateNew)
		for i := range maxConnections - 1 {
			late, evicted, ok := c.open(fmt.Sprintf("203.0.113.%d", i))
			require.True(t, ok)
			require.NotSame(t, phone, evicted, "%d", i)
			c.l.trackState(late, http.StateActive)
		}
		_, evicted, _ := c.open("203.0.113.1")
		assert.Same(t, phone, evicted, "it does not stay for ever either")
	})
}

func TestAnAddressHasAShareOfItsOwn(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := crowd{t, newListener(nil)}
		other, _, _ := c.open("192.0.2.1")
		var opened []*connection
		for range maxPerAddress {
			conn, evicted, ok := c.open("192.0.2.2")
			require.True(t, ok)
			require.Nil(t, evicted)
			opened = append(opened, conn)
		}
		for i := range maxPerAddress {
			_, evicted, ok := c.open("192.0.2.2")
			require.True(t, ok)
			require.Same(t, opened[i], evicted)
		}
		assert.Contains(t, c.l.open, other)
		refused := 0
		for range 10 * acceptsBurst {
			if _, _, ok := c.open("192.0.2.2"); !ok {
				refused++
			}
		}
		assert.Greater(t, refused, 8*acceptsBurst, "one address opens so many a second")
		_, _, ok := c.open("192.0.2.3")
		assert.True(t, ok)
		for i := range 65536 {
			conn, _, ok := c.open(fmt.Sprintf("2001:db8::%x", i))
			require.True(t, ok)
			conn.release()
			require.LessOrEqual(t, len(c.l.counts), 4*maxConnections)
		}
		assert.Contains(t, c.l.counts, netip.MustParseAddr("192.0.2.2"))
	})
}

// slowUpgrades is a listener whose server is held up, once it has written that a websocket is open, until resume is
// closed.
type slowUpgrades struct {
	net.Listener
	resume chan struct{}
}

func (l slowUpgrades) Accept() (net.Conn, error) {
	conn, err := l.Listener.Accept()
	return slowUpgrade{conn, l.resume}, err
}

type slowUpgrade struct {
	net.Conn
	resume chan struct{}
}

func (c slowUpgrade) Write(p []byte) (int, error) {
	n, err := c.Conn.Write(p)
	if bytes.HasPrefix(p, []byte("HTTP/1.1 101 ")) {
		<-c.resume
	}
	return n, err
}

// Somebody holds all the connections that he can, and sends nothing. The page opens at once, and a phone's websocket is
// none of those that make room, from the moment that the phone knows of it.
func TestNobodyIsShutOutByConnectionsThatDoNothing(t *testing.T) {
	s, err := New(t.Context(), Options{Control: &fakeController{}, Files: testFiles, Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	on, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error)
	resume := make(chan struct{})
	go func() { ended <- s.Serve(ctx, slowUpgrades{on, resume}) }()
	defer func() {
		cancel()
		assert.NoError(t, <-ended)
	}()
	release := sync.OnceFunc(func() { close(resume) })
	defer release()
	token, err := s.pairing.pair(t.Context(), s.Code())
	require.NoError(t, err)
	url := "http://" + on.Addr().String()
	conn, _, err := websocket.DefaultDialer.Dial("ws://"+on.Addr().String()+"/ws",
		http.Header{"Origin": {url}, "Cookie": {cookieName + "=" + token}})
	require.NoError(t, err)
	defer conn.Close()
	k := &phone{t: t, conn: conn}

	first, err := net.Dial("tcp", on.Addr().String())
	require.NoError(t, err)
	defer first.Close()
	for i := range 2 * maxPerAddress {
		held, err := net.Dial("tcp", on.Addr().String())
		require.NoError(t, err)
		defer held.Close()
		if i%2 == 0 {
			io.WriteString(held, "GET / HTTP/1.1\r\n") // and no more
		}
	}
	_, err = bufio.NewReader(first).ReadByte()
	assert.Error(t, err, "it made room")
	fresh := http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	for range 10 {
		answer, err := fresh.Get(url + "/")
		require.NoError(t, err)
		body, err := io.ReadAll(answer.Body)
		require.NoError(t, err)
		answer.Body.Close()
		assert.True(t, strings.HasPrefix(string(body), "<!doctype html>"))
	}
	release()
	k.send(`{"n":1,"type":"take"}`)
	assert.Equal(t, message{Type: "done", Re: 1}, k.reply())

	// A request that is no upgrade after all ends its connection, which is not counted.
	ask, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url+"/ws", nil)
	require.NoError(t, err)
	ask.Header = http.Header{"Origin": {url}, "Cookie": {cookieName + "=" + token}}
	answer, err := http.DefaultClient.Do(ask)
	require.NoError(t, err)
	answer.Body.Close()
	assert.Equal(t, http.StatusBadRequest, answer.StatusCode)
	assert.True(t, answer.Close, "it says that the connection ends")
}
