package main

import (
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/executor"
	"stillwater/internal/need"
	"stillwater/internal/trigger"
	"stillwater/internal/wire"
)

// The pins of a virtual chip, as the firmware numbers them.
const (
	chipGate, chipBeam, chipSync         = 0, 1, 3
	chipShutter, chipFlash1, chipOutputs = 0, 2, 6
	chipHz                               = 2_000_000
)

// virtualChip is a board on the far side of a pseudo-terminal: the logic of every board, with a clock that is fast or
// slow, pins that only count, and the manners of a thing on a cable. It is not the firmware; that has its own test.
type virtualChip struct {
	t        testing.TB
	path     string // where the host finds it: a link to the pseudo-terminal of the moment
	firmware string
	ppm      float64

	// What comes first, whenever the port was plugged in: a bootloader that goes on once it is left in peace, and
	// whatever it says.
	bootloader time.Duration
	babble     string
	speaks     []byte      // other firmware: its answer to anything
	loader     *bootloader // speaks with a programmer, then starts what that wrote

	wired bool // flash 1 is wired back to the sync input

	far    *os.File
	edges  chan chipEdge
	ended  chan struct{}
	boots  uint32
	mu     sync.Mutex
	lit    [chipOutputs]int // how often an output went on
	levels uint8
}

type chipEdge struct {
	input uint8
	high  bool
	at    func() wire.Tick // nil: now
}

// newChip is a chip that is not plugged in yet.
func newChip(t testing.TB) *virtualChip {
	c := &virtualChip{
		t: t, path: filepath.Join(t.TempDir(), "usb-board"), firmware: "m328p 1.0", edges: make(chan chipEdge, 16),
	}
	t.Cleanup(func() {
		if c.far != nil {
			c.unplug()
		}
	})
	return c
}

// plug makes a pseudo-terminal, and the name by which it is known.
func (c *virtualChip) plug() {
	c.t.Helper()
	blocking, near := need.Terminal(c.t)
	fd, err := unix.FcntlInt(blocking.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	require.NoError(c.t, err)
	require.NoError(c.t, blocking.Close())
	require.NoError(c.t, unix.SetNonblock(fd, true))
	far := os.NewFile(uintptr(fd), "far side") // closing it ends a read
	raw, err := unix.IoctlGetTermios(int(near.Fd()), unix.TCGETS)
	require.NoError(c.t, err)
	raw.Iflag, raw.Oflag, raw.Lflag = 0, 0, 0 // a cable has no echo
	require.NoError(c.t, unix.IoctlSetTermios(int(near.Fd()), unix.TCSETS, raw))
	require.NoError(c.t, os.Symlink(near.Name(), c.path))
	c.far, c.ended = far, make(chan struct{})
	go c.run(far, near, c.ended)
}

// unplug is what happens to the host's side when the cable goes.
func (c *virtualChip) unplug() {
	c.t.Helper()
	require.NoError(c.t, os.Remove(c.path))
	_ = c.far.Close() // the test's end may have been quicker
	<-c.ended
	c.far = nil
}

// edge changes an input.
func (c *virtualChip) edge(input uint8, high bool) { c.edges <- chipEdge{input: input, high: high} }

func (c *virtualChip) count(output int) int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.lit[output]
}

// chipRun is the chip from power on to power off.
type chipRun struct {
	*virtualChip
	far   *os.File
	began time.Time
	x     *executor.Executor
}

// run holds near open so that reading the far side waits while no host has the port.
func (c *virtualChip) run(far, near *os.File, ended chan struct{}) {
	defer close(ended)
	defer near.Close()
	r := &chipRun{virtualChip: c, far: far, began: time.Now()}
	bytes := make(chan []byte)
	go func() {
		defer close(bytes)
		buf := make([]byte, 256)
		for {
			n, err := far.Read(buf)
			if err != nil {
				return
			}
			bytes <- append([]byte(nil), buf[:n]...)
		}
	}()
	if c.speaks != nil {
		for range bytes {
			_, _ = far.Write(c.speaks)
		}
		return
	}
	if r.boot(bytes) {
		r.loop(bytes)
	}
}

// boot plays the bootloader; false: the cable went.
func (r *chipRun) boot(bytes chan []byte) bool {
	for left := r.loader == nil; !left; {
		p, ok := <-bytes
		if !ok {
			return false
		}
		var answer []byte
		answer, left = r.loader.take(p)
		_, _ = r.far.Write(answer)
		if left {
			written := chip{flash: r.loader.flash}
			r.firmware, _ = written.name()
		}
	}
	if r.bootloader > 0 {
		if _, ok := <-bytes; !ok { // somebody opened the port
			return false
		}
		for left := true; left; {
			fmt.Fprint(r.far, r.babble)
			select {
			case _, ok := <-bytes:
				if !ok {
					return false
				}
			case <-time.After(r.bootloader):
				left = false
			}
		}
	}
	r.boots++
	state, err := trigger.New(r.config())
	if err != nil {
		panic(err)
	}
	r.x = executor.New(state, r, r)
	r.x.Start(r.now())
	return true
}

func (r *chipRun) loop(bytes chan []byte) {
	for {
		wait := time.Hour
		if next, ok := r.x.Next(); ok {
			wait = max(0, time.Duration(float64(next.Sub(r.now()))/chipHz*1e9))
		}
		alarm := time.NewTimer(wait)
		select {
		case p, ok := <-bytes:
			if !ok {
				return
			}
			r.x.Bytes(r.now(), p)
		case e := <-r.edges:
			now := r.now()
			at := now
			if e.at != nil {
				at = e.at()
			}
			r.x.Edge(now, e.input, e.high, at)
		case <-alarm.C:
			r.x.Wake(r.now())
		}
		alarm.Stop()
	}
}

// now starts near the wrap of 32 bits, which comes within a second.
func (r *chipRun) now() wire.Tick {
	ticks := time.Since(r.began).Seconds() * chipHz * (1 + r.ppm*1e-6)
	return wire.Tick(uint32(int64(ticks) - chipHz))
}

// Drive makes the chip its own executor's pins.
func (r *chipRun) Drive(mask, levels uint8) (wire.Tick, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for i := range chipOutputs {
		bit := uint8(1) << i
		if mask&bit != 0 && levels&bit != 0 && r.levels&bit == 0 {
			r.lit[i]++
		}
	}
	changed := (r.levels ^ levels) & mask
	r.levels = r.levels&^mask | levels&mask
	now := r.now()
	if r.wired && changed>>chipFlash1&1 != 0 {
		stamp := func() wire.Tick { return now }
		r.edges <- chipEdge{input: chipSync, high: r.levels>>chipFlash1&1 != 0, at: stamp}
	}
	return now, nil
}

// Write sends a frame.
func (r *chipRun) Write(p []byte) (int, error) { return r.far.Write(p) }

func (r *chipRun) config() trigger.Config {
	name := func(s string) wire.Name {
		n, err := wire.MakeName(s)
		if err != nil {
			panic(err)
		}
		return n
	}
	c := trigger.Config{
		BootID: r.boots, Reset: wire.ResetExternal, Firmware: name(r.firmware),
		TickHz: chipHz, Lead: 1000, SafeWithin: 20_000,
		Levels: 1<<chipGate | 1<<chipBeam | 1<<3 | 1<<5, InputLen: 6, OutputLen: chipOutputs,
	}
	for i, in := range []struct {
		kind wire.InputKind
		name string
	}{{wire.InputBeam, "gate"}, {wire.InputBeam, "beam"}, {wire.InputMicrophone, "microphone"}, {wire.InputSync, "sync"},
		{wire.InputKill, "kill"}, {wire.InputButton, "button"}} {
		c.Inputs[i] = trigger.Input{Kind: in.kind, Name: name(in.name), KillHigh: in.kind == wire.InputKill}
	}
	for i, out := range []struct {
		kind  wire.OutputKind
		name  string
		maxOn time.Duration
	}{{wire.OutputShutter, "shutter", time.Minute}, {wire.OutputFocus, "focus", time.Minute},
		{wire.OutputFlash, "flash1", 100 * time.Millisecond}, {wire.OutputFlash, "flash2", 100 * time.Millisecond},
		{wire.OutputValve, "valve1", 500 * time.Millisecond}, {wire.OutputValve, "valve2", 500 * time.Millisecond}} {
		c.Outputs[i] = trigger.Output{Kind: out.kind, Name: name(out.name), MaxOn: uint32(out.maxOn.Microseconds() * 2)}
	}
	return c
}
