package main

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gorilla/websocket"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/control"
)

// floodEnv makes the test binary a flood instead: its value is the kind, its arguments are the daemon's host and the
// flooders' cookies. A flood is a process of its own, so that it shares the machine with the daemon but no scheduler.
const floodEnv = "STILLWATER_TEST_FLOOD"

const flooderCount = 12

// flooder is one neighbour. It has an address of its own.
type flooder struct {
	host, cookie string
	dialer       net.Dialer
	client       http.Client
	chance       *rand.Rand
}

// floodKinds are what a neighbour does again and again, as fast as it can, whatever comes of it.
var floodKinds = map[string]func(*flooder){
	"messages": socketFlood(text(func(*flooder) string { return `{"n":1,"type":"take"}` })),
	"nonsense": socketFlood(text(func(f *flooder) string { return chatter(f.chance) })),
	"disarms":  socketFlood(text(func(*flooder) string { return `{"n":1,"type":"disarm"}` })),
	"long":     socketFlood(text(func(*flooder) string { return strings.Repeat("a", 1<<20) })),
	"pings": socketFlood(func(_ *flooder, c *websocket.Conn) error {
		return c.WriteControl(websocket.PingMessage, nil, time.Time{})
	}),
	"fragments": socketFlood(func(_ *flooder, c *websocket.Conn) error {
		_, err := c.NetConn().Write(fragments)
		return err
	}),
	"reconnects":  socketFlood(func(*flooder, *websocket.Conn) error { return io.EOF }),
	"connections": (*flooder).connect,
	"idle":        (*flooder).hold,
	"files":       func(f *flooder) { f.ask("GET", "/", "") },
	"codes":       func(f *flooder) { f.ask("POST", "/pair", `{"code":"nonsense"}`) },
	"nothing":     func(f *flooder) { f.chance.Uint64() }, // what the processors it takes cost alone
}

// fragments is a message of one byte a frame, which never ends; the mask is 0.
var fragments = append([]byte{0x01, 0x81, 0, 0, 0, 0, 'a'},
	slices.Repeat([]byte{0x00, 0x81, 0, 0, 0, 0, 'a'}, 1<<12)...)

func text(words func(*flooder) string) func(*flooder, *websocket.Conn) error {
	return func(f *flooder, c *websocket.Conn) error {
		return c.WriteMessage(websocket.TextMessage, []byte(words(f)))
	}
}

// socketFlood connects as a paired phone and sends until it is thrown out.
func socketFlood(send func(*flooder, *websocket.Conn) error) func(*flooder) {
	return func(f *flooder) {
		dialer := websocket.Dialer{NetDialContext: f.dialer.DialContext}
		conn, _, err := dialer.Dial("ws://"+f.host+"/ws",
			http.Header{"Origin": {"http://" + f.host}, "Cookie": {f.cookie}})
		if err != nil {
			return
		}
		defer conn.Close()
		go func() {
			for {
				if _, r, err := conn.NextReader(); err != nil {
					return
				} else if _, err := io.Copy(io.Discard, r); err != nil {
					return
				}
			}
		}()
		for send(f, conn) == nil {
		}
	}
}

func (f *flooder) connect() {
	if conn, err := f.dialer.Dial("tcp", f.host); err == nil {
		conn.Close()
	}
}

// hold opens fifty connections that begin a request and do not end it, and keeps them until they are closed.
func (f *flooder) hold() {
	var all sync.WaitGroup
	for range 50 {
		all.Go(func() {
			conn, err := f.dialer.Dial("tcp", f.host)
			if err != nil {
				return
			}
			defer conn.Close()
			io.WriteString(conn, "GET / HTTP/1.1\r\n")
			io.Copy(io.Discard, conn)
		})
	}
	all.Wait()
}

func (f *flooder) ask(method, path, body string) {
	request, err := http.NewRequest(method, "http://"+f.host+path, strings.NewReader(body))
	if err != nil {
		panic(err)
	}
	request.Header.Set("Origin", "http://"+f.host)
	request.Header.Set("Content-Type", "application/json")
	answer, err := f.client.Do(request)
	if err != nil {
		return
	}
	io.Copy(io.Discard, answer.Body)
	answer.Body.Close()
}

// flood runs until it is killed or its standard input ends.
func flood(kind, host string, cookies []string) {
	for i, cookie := range cookies {
		f := &flooder{host: host, cookie: cookie, chance: rand.New(rand.NewPCG(uint64(i), 1))}
		f.dialer.LocalAddr = &net.TCPAddr{IP: net.IPv4(127, 0, 1, byte(i+1))}
		f.client.Transport = &http.Transport{DialContext: f.dialer.DialContext, DisableKeepAlives: i%2 == 0}
		go func() {
			for {
				floodKinds[kind](f)
			}
		}()
	}
	io.Copy(io.Discard, os.Stdin)
}

// startFlood starts a flood by phones that are paired and returns what ends it.
func (r *daemonRun) startFlood(kind string) (stop func()) {
	r.t.Helper()
	args := []string{strings.TrimPrefix(r.url, "http://")}
	for range flooderCount {
		cookie := r.cookie()
		args = append(args, cookie.Name+"="+cookie.Value)
	}
	exe, err := os.Executable()
	require.NoError(r.t, err)
	cmd := exec.CommandContext(context.WithoutCancel(r.t.Context()), exe, args...)
	cmd.Env = append(os.Environ(), floodEnv+"="+kind)
	in, err := cmd.StdinPipe()
	require.NoError(r.t, err)
	require.NoError(r.t, cmd.Start())
	return func() {
		in.Close()
		cmd.Wait()
	}
}

// BenchmarkDisarmBesideFloods is the time from one phone's disarm to its answer, while another armed and twelve more do
// their worst. The flood has the same processors.
func BenchmarkDisarmBesideFloods(b *testing.B) {
	for _, kind := range append([]string{"none"}, slices.Sorted(maps.Keys(floodKinds))...) {
		b.Run(kind, func(b *testing.B) {
			d := startDaemon(b, "--listen", "127.0.0.1:0", "--journal", filepath.Join(b.TempDir(), "j.db"))
			holder, other := d.pair(), newDisarmer(d.pair())
			holder.ready()
			if kind != "none" {
				defer d.startFlood(kind)()
			}
			var took []time.Duration
			began, used := time.Now(), processorTime(b)
			for b.Loop() {
				b.StopTimer()
				holder.ask(control.Command{Type: "arm", Shots: 1}) // refused where others disarm meanwhile
				time.Sleep(120 * time.Millisecond)                 // stay below the limit on messages
				b.StartTimer()
				took = append(took, other.disarm())
			}
			b.ReportMetric(float64(processorTime(b)-used)/float64(time.Since(began)), "processors")
			reportQuantiles(b, took)
		})
	}
}

// disarmer is a phone that looks at nothing but the answers to its disarms: what it is shown besides costs it no time.
type disarmer struct {
	*wsPhone
	answers chan time.Time
}

func newDisarmer(h *wsPhone) *disarmer {
	d := &disarmer{h, make(chan time.Time)}
	h.conn.SetReadDeadline(time.Time{})
	go func() {
		defer close(d.answers)
		for {
			_, data, err := h.conn.ReadMessage()
			if err != nil {
				return
			}
			if bytes.HasPrefix(data, []byte(`{"type":"done"`)) {
				d.answers <- time.Now()
			}
		}
	}()
	return d
}

func (d *disarmer) disarm() time.Duration {
	d.n++
	start := time.Now()
	require.NoError(d.t, d.conn.WriteMessage(websocket.TextMessage, fmt.Appendf(nil, `{"n":%d,"type":"disarm"}`, d.n)))
	answered, ok := <-d.answers
	require.True(d.t, ok, "it lost its connection")
	return answered.Sub(start)
}

// processorTime is what this process, the daemon and its two phones, has used.
func processorTime(b *testing.B) time.Duration {
	b.Helper()
	var used unix.Rusage
	require.NoError(b, unix.Getrusage(unix.RUSAGE_SELF, &used))
	return time.Duration(used.Utime.Nano() + used.Stime.Nano())
}
