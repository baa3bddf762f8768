package gpioboard

import (
	"context"
	"errors"
	"net"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/board/boardtest"
	"stillwater/internal/config"
	"stillwater/internal/gpiochip"
	"stillwater/internal/proctest"
	"stillwater/internal/realtime"
	"stillwater/internal/trigger"
	"stillwater/internal/wire"
	"stillwater/internal/wiring"
)

// fakeLines are two chips' inputs, readable when something was put into them, and outputs that remember.
type fakeLines struct {
	mu     sync.Mutex
	events [2]int // eventfds
	queued [2]gpiochip.Batch
	levels uint8
	broken error
	on     uint8
	panics bool
	count  [8]byte // of an eventfd
	off    func()  // called when all is switched off
}

func newFakeLines(t *testing.T) *fakeLines {
	f := &fakeLines{}
	for i := range f.events {
		fd, err := unix.Eventfd(0, unix.EFD_NONBLOCK|unix.EFD_CLOEXEC)
		require.NoError(t, err)
		t.Cleanup(func() { unix.Close(fd) })
		f.events[i] = fd
	}
	return f
}

func (f *fakeLines) put(chip int, b gpiochip.Batch) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.queued[chip] = b
	f.count = [8]byte{1}
	_, _ = unix.Write(f.events[chip], f.count[:])
}

func (f *fakeLines) Len() int        { return len(f.events) }
func (f *fakeLines) Fd(chip int) int { return f.events[chip] }

func (f *fakeLines) Read(chip int, b *gpiochip.Batch) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	_, _ = unix.Read(f.events[chip], f.count[:])
	b.Events = append(b.Events[:0], f.queued[chip].Events...)
	b.Lost, b.Gap = f.queued[chip].Lost, f.queued[chip].Gap
	f.queued[chip] = gpiochip.Batch{}
	return f.broken
}

func (f *fakeLines) Levels() (uint8, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.levels, f.broken
}

func (f *fakeLines) Set(mask, levels uint8) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.on = f.on&^mask | levels&mask
	if f.off != nil && mask == 0b11 && levels == 0 {
		f.off()
	}
	if f.panics && f.on != 0 {
		panic("on purpose")
	}
	return nil
}

func (f *fakeLines) lit() uint8 {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.on
}

// testBoard has a beam and a kill switch, a shutter and a flash.
func testBoard() config.Board {
	return config.Board{
		Kind: config.GPIO,
		Pins: wiring.Pins{
			Inputs: []wiring.Input{
				{Name: "beam", Role: wiring.Beam},
				{Name: "stop", Role: wiring.Kill, ActiveHigh: true},
			},
			Outputs: []wiring.Output{
				{Name: "shutter", Kind: wire.OutputShutter, LongestOn: time.Second},
				{Name: "flash", Kind: wire.OutputFlash, LongestOn: time.Second},
			},
		},
	}
}

// host is the far end of a board's link.
type host struct {
	*boardtest.Frames
	conn net.Conn
}

// startLoop runs a board on fake lines.
func startLoop(t *testing.T, ctx context.Context, f *fakeLines) (*host, *loop, func() error) {
	fds, err := unix.Socketpair(unix.AF_UNIX, unix.SOCK_STREAM|unix.SOCK_CLOEXEC, 0)
	require.NoError(t, err)
	link, err := realtime.NewLink(fds[0])
	require.NoError(t, err)
	t.Cleanup(func() { unix.Close(fds[0]) })
	far := os.NewFile(uintptr(fds[1]), "far end")
	conn, err := net.FileConn(far)
	require.NoError(t, err)
	far.Close()
	t.Cleanup(func() { conn.Close() })
	state, err := trigger.New(triggerConfig(testBoard(), 0))
	require.NoError(t, err)
	l, err := newLoop(ctx, state, f, f, link, 0)
	require.NoError(t, err)
	done := make(chan error, 1)
	start := sync.OnceFunc(func() { go func() { done <- l.run(ctx) }() })
	return &host{boardtest.NewFrames(t, conn), conn}, l, func() error { start(); return <-done }
}

func running(wait func() error) <-chan error {
	done := make(chan error, 1)
	go func() { done <- wait() }()
	return done
}

func TestBoardPulses(t *testing.T) {
	f := newFakeLines(t)
	h, _, wait := startLoop(t, t.Context(), f)
	done := running(wait)
	h.Send(wire.Identify{})
	id := boardtest.Next[wire.Identity](h.Frames)
	assert.Equal(t, uint32(realtime.TickHz), id.TickHz)
	assert.Equal(t, wire.ResetProcess, id.Reset)
	h.Send(wire.Pulse{Output: 1, Width: 20_000})
	cue := boardtest.Next[wire.Cue](h.Frames)
	assert.Equal(t, uint8(1), cue.Output)
	assert.GreaterOrEqual(t, cue.On.Sub(cue.Planned), int32(0))
	assert.GreaterOrEqual(t, cue.Off.Sub(cue.On), int32(20_000), "a pulse is never shorter than asked for")
	assert.Zero(t, f.lit())
	h.conn.Close()
	assert.NoError(t, <-done, "a host that goes is an orderly end")
}

// Whatever the way out, outputs are off.
func TestBoardEndsSafe(t *testing.T) {
	lightUp := func(t *testing.T, h *host, f *fakeLines) {
		h.Send(wire.Pulse{Output: 0, Width: uint32(realtime.TickHz)})
		proctest.Eventually(t, "the pulse is on", func() bool { return f.lit() == 1 })
	}
	t.Run("the host goes", func(t *testing.T) {
		f := newFakeLines(t)
		h, _, wait := startLoop(t, t.Context(), f)
		done := running(wait)
		lightUp(t, h, f)
		h.conn.Close()
		assert.NoError(t, <-done)
		assert.Zero(t, f.lit())
	})
	t.Run("a signal ends it", func(t *testing.T) {
		f := newFakeLines(t)
		ctx, cancel := context.WithCancel(t.Context())
		h, _, wait := startLoop(t, ctx, f)
		done := running(wait)
		lightUp(t, h, f)
		cancel()
		assert.NoError(t, <-done)
		assert.Zero(t, f.lit())
		assert.Equal(t, wire.ReasonBoard, boardtest.Next[wire.Fault](h.Frames).Reason, "the host is told")
	})
	t.Run("the host does not read", func(t *testing.T) {
		f := newFakeLines(t)
		h, _, wait := startLoop(t, t.Context(), f)
		done := running(wait)
		lightUp(t, h, f)
		ask := wire.AppendFrame(nil, wire.Identify{}.Frame(1))
		asking := make(chan struct{})
		go func() { // until the test closes the link
			defer close(asking)
			for {
				if _, err := h.conn.Write(ask); err != nil {
					return
				}
			}
		}()
		assert.ErrorIs(t, <-done, realtime.ErrLinkFull)
		assert.Zero(t, f.lit())
		h.conn.Close()
		<-asking
	})
	t.Run("the inputs fail", func(t *testing.T) {
		f := newFakeLines(t)
		h, _, wait := startLoop(t, t.Context(), f)
		done := running(wait)
		lightUp(t, h, f)
		f.mu.Lock()
		f.broken = errors.New("chip gone")
		f.mu.Unlock()
		f.put(1, gpiochip.Batch{})
		assert.ErrorContains(t, <-done, "chip gone")
		assert.Zero(t, f.lit())
		assert.Equal(t, wire.ReasonBoard, boardtest.Next[wire.Fault](h.Frames).Reason)
	})
	t.Run("it panics", func(t *testing.T) {
		f := newFakeLines(t)
		f.panics = true
		h, l, _ := startLoop(t, t.Context(), f)
		h.Send(wire.Pulse{Output: 0, Width: 1000})
		assert.PanicsWithValue(t, "on purpose", func() { _ = l.run(t.Context()) })
		assert.Zero(t, f.lit())
	})
}

// Edges of two chips reach the board in the order of their stamps, with those stamps.
func TestBoardMergesChips(t *testing.T) {
	f := newFakeLines(t)
	h, l, wait := startLoop(t, t.Context(), f)
	done := running(wait)
	h.Send(wire.Identify{})
	boardtest.Next[wire.Identity](h.Frames)
	now := l.clock.Ns()
	f.mu.Lock() // both are there before either is read
	f.queued[0] = gpiochip.Batch{Events: []gpiochip.Event{{Input: 0, High: true, At: now - 2000}}}
	f.mu.Unlock()
	f.put(1, gpiochip.Batch{Events: []gpiochip.Event{{Input: 1, High: false, At: now - 3000}}})
	e := boardtest.Next[wire.Edge](h.Frames)
	assert.Equal(t, uint8(1), e.Input)
	assert.Equal(t, l.clock.Tick(now-3000), e.At)
	e = boardtest.Next[wire.Edge](h.Frames)
	assert.Equal(t, uint8(0), e.Input)
	assert.True(t, e.High)
	assert.Equal(t, l.clock.Tick(now-2000), e.At)
	h.conn.Close()
	<-done
}

// After lost edges the board hears how many, and then the levels it cannot know: a kill switch is not missed.
func TestBoardLostEdges(t *testing.T) {
	f := newFakeLines(t)
	h, l, wait := startLoop(t, t.Context(), f)
	done := running(wait)
	h.Send(wire.Identify{})
	boardtest.Next[wire.Identity](h.Frames)
	f.mu.Lock()
	f.levels = 0b10
	f.mu.Unlock()
	b := gpiochip.Batch{Gap: true}
	b.Lost[0] = 7
	b.Events = []gpiochip.Event{{Input: 0, High: false, At: l.clock.Ns()}}
	f.put(0, b)
	lost := boardtest.Next[wire.Lost](h.Frames)
	assert.Equal(t, uint8(0), lost.Input)
	assert.Equal(t, uint32(7), lost.Count)
	fault := boardtest.Next[wire.Fault](h.Frames)
	assert.Equal(t, wire.ReasonKill, fault.Reason)
	h.conn.Close()
	<-done
}

// A full queue of edges does not hold up a disarm.
func TestBoardHearsTheHostInAStorm(t *testing.T) {
	f := newFakeLines(t)
	h, l, _ := startLoop(t, t.Context(), f)
	l.board.Start(l.clock.Now())
	h.Send(wire.Pulse{Output: 0, Width: uint32(realtime.TickHz)})
	require.NoError(t, l.step())
	require.Equal(t, uint8(1), f.lit())

	storm := gpiochip.NewBatch()
	for i := range cap(storm.Events) {
		storm.Events = append(storm.Events, gpiochip.Event{Input: 0, High: i%2 == 0, At: l.clock.Ns()})
	}
	f.put(0, storm)
	delivered := -1
	f.off = func() { delivered = max(delivered, l.next[0]) }
	h.Send(wire.Disarm{})
	require.NoError(t, l.step())
	assert.Zero(t, f.lit())
	assert.LessOrEqual(t, delivered, 64, "edges delivered before the outputs were off")
	assert.Positive(t, delivered)
	assert.Equal(t, len(storm.Events), l.next[0], "and all of them in the end")
}

func TestBoardStepAllocatesNothing(t *testing.T) {
	f := newFakeLines(t)
	h, l, _ := startLoop(t, t.Context(), f)
	l.board.Start(l.clock.Now())
	ping := wire.AppendFrame(nil, wire.Ping{Token: 7}.Frame(1))
	edges := gpiochip.Batch{Events: []gpiochip.Event{{Input: 0, High: true, At: l.clock.Ns()}}}
	sink := make([]byte, 4096)
	allocs := testing.AllocsPerRun(200, func() {
		_, _ = h.conn.Write(ping)
		edges.Events[0].At = l.clock.Ns()
		f.put(0, edges)
		if err := l.step(); err != nil {
			panic(err)
		}
		_, _ = h.conn.Read(sink)
	})
	assert.Zero(t, allocs)
}
