package board

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

// script is a board in a test: what it is, and what it does with each frame. Without a reaction of its own it answers
// like a board that has nothing to do.
type script struct {
	t      *testing.T
	end    net.Conn
	ident  wire.Identity
	inputs []wire.InputInfo
	outs   []wire.OutputInfo
	react  func(s *script, f wire.Frame) (handled bool)

	mu    sync.Mutex
	seq   uint8
	seen  []wire.Frame
	began time.Time
}

// newScript makes a board with two inputs and two outputs at 1 MHz, and the host's end of its link.
func newScript(t *testing.T) (*script, net.Conn) {
	host, end := net.Pipe()
	s := &script{
		t:   t,
		end: end,
		ident: wire.Identity{Version: wire.Version, Reset: wire.ResetProcess, BootID: 77, TickHz: 1_000_000, Lead: 200,
			EdgeLead: 300, GateLead: 400, SafeWithin: 1000,
			Inputs: 2, Outputs: 2, Table: 32, Cues: 8, Firmware: name(t, "script")},
		inputs: []wire.InputInfo{
			{Index: 0, Kind: wire.InputBeam, Name: name(t, "gate")},
			{Index: 1, Kind: wire.InputBeam, ActiveHigh: true, Name: name(t, "beam")},
		},
		outs: []wire.OutputInfo{
			{Index: 0, Kind: wire.OutputShutter, MaxOn: 10_000_000, Name: name(t, "shutter")},
			{Index: 1, Kind: wire.OutputFlash, MaxOn: 10_000, Name: name(t, "flash")},
		},
		began: time.Now(),
	}
	t.Cleanup(func() { end.Close() })
	return s, host
}

func discardLog() *slog.Logger { return slog.New(slog.DiscardHandler) }

func name(t *testing.T, s string) wire.Name {
	n, err := wire.MakeName(s)
	require.NoError(t, err)
	return n
}

// serve answers until the link ends.
func (s *script) serve() {
	var d wire.Decoder
	buf := make([]byte, 256)
	for {
		n, err := s.end.Read(buf)
		for _, b := range buf[:n] {
			if f, ok := d.Push(b); ok {
				s.mu.Lock()
				s.seen = append(s.seen, f)
				s.mu.Unlock()
				if s.react == nil || !s.react(s, f) {
					s.answer(f)
				}
			}
		}
		if err != nil {
			return
		}
	}
}

// answer does what a board with nothing to do would.
func (s *script) answer(f wire.Frame) {
	switch f.Type {
	case wire.TypeIdentify:
		s.introduce()
		s.say(wire.Ack{Seq: f.Seq, Type: f.Type}, wire.State{Now: s.now()})
	case wire.TypePing:
		p, err := wire.ParsePing(f)
		require.NoError(s.t, err)
		s.say(wire.Pong{Token: p.Token, Now: s.now()})
	default:
		s.say(wire.Ack{Seq: f.Seq, Type: f.Type})
	}
}

func (s *script) introduce() {
	s.say(s.ident)
	for _, in := range s.inputs {
		s.say(in)
	}
	for _, out := range s.outs {
		s.say(out)
	}
}

// now is the board's time, one tick a microsecond since it began.
func (s *script) now() wire.Tick {
	s.mu.Lock()
	defer s.mu.Unlock()
	return wire.Tick(time.Since(s.began).Microseconds())
}

// say sends messages with the board's own numbers. A link that ended is no concern of the board's.
func (s *script) say(messages ...wire.Message) {
	for _, m := range messages {
		s.mu.Lock()
		s.seq++
		p := wire.AppendFrame(nil, m.Frame(s.seq))
		s.mu.Unlock()
		s.sayBytes(p)
	}
}

func (s *script) sayBytes(p []byte) {
	if _, err := s.end.Write(p); err != nil {
		return
	}
}

// count is how many frames of a type the host sent.
func (s *script) count(kind wire.Type) int {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := 0
	for _, f := range s.seen {
		if f.Type == kind {
			n++
		}
	}
	return n
}

// dialed connects to a script that runs with a reaction.
func dialed(t *testing.T, react func(s *script, f wire.Frame) bool) (*script, *Client) {
	s, host := newScript(t)
	s.react = react
	go s.serve()
	c, err := Dial(context.Background(), host, Options{Log: discardLog()})
	require.NoError(t, err)
	t.Cleanup(func() { c.Close() })
	return s, c
}

// until reads events up to the first that suits.
func until(t *testing.T, c *Client, suits func(Event) bool) Event {
	t.Helper()
	for e := range c.Events() {
		if suits(e) {
			return e
		}
		require.NoError(t, e.Gone, "waiting for another event")
	}
	t.Fatal("the events ended")
	return Event{}
}

func isGone(e Event) bool { return e.Gone != nil }

// silentLink is a link on which nothing ever comes.
type silentLink struct {
	once   sync.Once
	closed chan struct{}
}

func newSilentLink() *silentLink { return &silentLink{closed: make(chan struct{})} }

func (l *silentLink) Read([]byte) (int, error) {
	<-l.closed
	return 0, errors.New("closed")
}

func (l *silentLink) Write(p []byte) (int, error) { return len(p), nil }

func (l *silentLink) Close() error {
	l.once.Do(func() { close(l.closed) })
	return nil
}

// aProgram fits the script's board.
func aProgram() shot.Program {
	return shot.Program{
		Clock: &shot.Source{Input: 1, Falling: true},
		Nth:   1,
		Table: []shot.Point{{Delay: 80 * time.Millisecond}},
		Cues: []shot.Cue{
			{Output: 0, Name: "shutter", Offset: -65 * time.Millisecond, Width: 200 * time.Millisecond},
			{Output: 1, Name: "flash", Offset: 0, Width: time.Millisecond},
		},
		HoldOff: 2 * time.Millisecond,
		Late:    time.Millisecond,
		Rest:    time.Second,
	}
}

// gatedProgram fits it too.
func gatedProgram() shot.Program {
	p := aProgram()
	p.Gate = &shot.Source{Input: 0, Falling: true}
	p.GateMin, p.GateMax = 20*time.Millisecond, 50*time.Millisecond
	p.Table = []shot.Point{
		{Interval: 20 * time.Millisecond, Delay: 150 * time.Millisecond},
		{Interval: 35 * time.Millisecond, Delay: 290 * time.Millisecond},
		{Interval: 50 * time.Millisecond, Delay: 420 * time.Millisecond},
	}
	p.Cues = slices.Clone(p.Cues)
	return p
}
