// Package serialboardtest plays a board on a serial port, at a pseudo-terminal. For tests only.
package serialboardtest

import (
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"stillwater/firmware/image"
	"stillwater/internal/executor"
	"stillwater/internal/need"
	"stillwater/internal/trigger"
	"stillwater/internal/wire"
)

// The pins of a chip, as the firmware numbers them.
const (
	Gate, Beam, Sync = 0, 1, 3
	Shutter, Flash1  = 0, 2

	outputs = 6
	tickHz  = 2_000_000
)

// Chip is a board on the far side of a pseudo-terminal: the logic of every board, with a clock that runs fast or slow,
// pins that only count, and a cable that can be unplugged. It is not the firmware; that has its own test. The fields
// are set before it is plugged in.
type Chip struct {
	Path     string // where the host finds it: a link to the current pseudo-terminal
	Firmware string
	PPM      float64 // by how much its clock is fast

	// What comes first after the port was plugged in: a bootloader that starts the firmware when no byte has come for a
	// time, and what it sends meanwhile.
	BootDelay time.Duration
	BootNoise string
	Answer    []byte      // other firmware: its answer to anything
	Loader    *Bootloader // talks to a programmer, then starts what that wrote

	Wired bool // flash 1 is wired back to the sync input

	t      testing.TB
	far    *os.File
	edges  chan edge
	ended  chan struct{}
	boots  uint32
	mu     sync.Mutex
	counts [outputs]int // how often an output went on
	levels uint8
}

type edge struct {
	input   uint8
	high    bool
	after   time.Duration // since the edge before it, by the chip's clock; 0: it comes when it is taken
	at      wire.Tick     // its stamp, if stamped
	stamped bool
}

// New makes a chip that is not plugged in yet.
func New(t testing.TB) *Chip {
	c := &Chip{
		t: t, Path: filepath.Join(t.TempDir(), "usb-board"), Firmware: "m328p 1.0", edges: make(chan edge, 16),
	}
	t.Cleanup(func() {
		if c.far != nil {
			c.Disconnect()
		}
	})
	return c
}

// Connect makes a pseudo-terminal, and the path by which it is found.
func (c *Chip) Connect() {
	c.t.Helper()
	blocking, near := need.Terminal(c.t)
	fd, err := unix.FcntlInt(blocking.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	c.must(err)
	c.must(blocking.Close())
	c.must(unix.SetNonblock(fd, true))
	far := os.NewFile(uintptr(fd), "far side") // closing it ends a read
	raw, err := unix.IoctlGetTermios(int(near.Fd()), unix.TCGETS)
	c.must(err)
	raw.Iflag, raw.Oflag, raw.Lflag = 0, 0, 0 // a cable has no echo
	c.must(unix.IoctlSetTermios(int(near.Fd()), unix.TCSETS, raw))
	c.must(os.Symlink(near.Name(), c.Path))
	c.far, c.ended = far, make(chan struct{})
	go c.run(far, near, c.ended)
}

// Disconnect ends the pseudo-terminal, as a cable that is pulled.
func (c *Chip) Disconnect() {
	c.t.Helper()
	c.must(os.Remove(c.Path))
	_ = c.far.Close() // the test's end may have been quicker
	<-c.ended
	c.far = nil
}

func (c *Chip) must(err error) {
	c.t.Helper()
	if err != nil {
		c.t.Fatal(err)
	}
}

// Edge sets the level of an input, as a sensor does.
func (c *Chip) Edge(input uint8, high bool) { c.edges <- edge{input: input, high: high} }

// passing is how long what falls or flies interrupts a beam.
const passing = 10 * time.Millisecond

// Drop interrupts the beam as a drop does.
func (c *Chip) Drop() {
	c.Edge(Beam, false)
	c.edges <- edge{input: Beam, high: true, after: passing}
}

// Throw interrupts first the gate and then, interval later by the chip's clock, the beam.
func (c *Chip) Throw(interval time.Duration) {
	c.Edge(Gate, false)
	c.edges <- edge{input: Beam, after: interval}
	c.edges <- edge{input: Gate, high: true, after: passing}
	c.edges <- edge{input: Beam, high: true}
}

// Count is how often an output went on.
func (c *Chip) Count(output int) int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.counts[output]
}

// powered is a chip from power on to power off.
type powered struct {
	*Chip
	far   *os.File
	began time.Time
	x     *executor.Executor
}

// run holds near open so that reading the far side waits while no host has the port.
func (c *Chip) run(far, near *os.File, ended chan struct{}) {
	defer close(ended)
	defer near.Close()
	r := &powered{Chip: c, far: far, began: time.Now()}
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
	if c.Answer != nil {
		for range bytes {
			_, _ = far.Write(c.Answer)
		}
		return
	}
	if r.boot(bytes) {
		r.loop(bytes)
	}
}

// boot plays the bootloader; false: the cable was pulled.
func (r *powered) boot(bytes chan []byte) bool {
	for left := r.Loader == nil; !left; {
		p, ok := <-bytes
		if !ok {
			return false
		}
		var answer []byte
		answer, left = r.Loader.take(p)
		_, _ = r.far.Write(answer)
		if left {
			r.Firmware, _ = image.NameIn(r.Loader.Flash[:])
		}
	}
	if r.BootDelay > 0 {
		if _, ok := <-bytes; !ok { // somebody opened the port
			return false
		}
		for left := true; left; {
			fmt.Fprint(r.far, r.BootNoise)
			select {
			case _, ok := <-bytes:
				if !ok {
					return false
				}
			case <-time.After(r.BootDelay):
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

func (r *powered) loop(bytes chan []byte) {
	var last wire.Tick // stamp of the last edge
	var later *edge    // it has not come yet, and what follows it waits
	for {
		wait, edges := time.Hour, r.edges
		if next, ok := r.x.Next(); ok {
			wait = r.until(next)
		}
		if later != nil {
			wait, edges = min(wait, r.until(later.at)), nil
		}
		alarm := time.NewTimer(wait)
		select {
		case p, ok := <-bytes:
			if !ok {
				return
			}
			r.x.Bytes(r.now(), p)
		case e := <-edges:
			switch now := r.now(); {
			case e.after > 0:
				e.at = last + wire.Tick(e.after.Seconds()*tickHz)
			case !e.stamped:
				e.at = now
			}
			later = &e
		case <-alarm.C:
			r.x.Wake(r.now())
		}
		alarm.Stop()
		if now := r.now(); later != nil && !now.Before(later.at) {
			r.x.Edge(now, later.input, later.high, later.at)
			last, later = later.at, nil
		}
	}
}

// until is how long it is until a tick.
func (r *powered) until(at wire.Tick) time.Duration {
	return max(0, time.Duration(float64(at.Sub(r.now()))/tickHz*1e9))
}

// now starts near the wrap of 32 bits, which comes within a second.
func (r *powered) now() wire.Tick {
	ticks := time.Since(r.began).Seconds() * tickHz * (1 + r.PPM*1e-6)
	return wire.Tick(uint32(int64(ticks) - tickHz))
}

// Drive makes the chip its own executor's pins.
func (r *powered) Drive(mask, levels uint8) (wire.Tick, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for i := range outputs {
		bit := uint8(1) << i
		if mask&bit != 0 && levels&bit != 0 && r.levels&bit == 0 {
			r.counts[i]++
		}
	}
	changed := (r.levels ^ levels) & mask
	r.levels = r.levels&^mask | levels&mask
	now := r.now()
	if r.Wired && changed>>Flash1&1 != 0 {
		r.edges <- edge{input: Sync, high: r.levels>>Flash1&1 != 0, at: now, stamped: true}
	}
	return now, nil
}

// Write sends a frame.
func (r *powered) Write(p []byte) (int, error) { return r.far.Write(p) }

func (r *powered) config() trigger.Config {
	name := func(s string) wire.Name {
		n, err := wire.MakeName(s)
		if err != nil {
			panic(err)
		}
		return n
	}
	c := trigger.Config{
		BootID: r.boots, Reset: wire.ResetExternal, Firmware: name(r.Firmware),
		TickHz: tickHz, Lead: 1000, EdgeLead: 2000, GateLead: 2000, SafeWithin: 20_000,
		Levels: 1<<Gate | 1<<Beam | 1<<3 | 1<<5, InputLen: 6, OutputLen: outputs,
	}
	for i, in := range []struct {
		kind wire.InputKind
		name string
		high bool // when active
	}{{wire.InputBeam, "gate", false}, {wire.InputBeam, "beam", false}, {wire.InputMicrophone, "microphone", true},
		{wire.InputSync, "sync", false}, {wire.InputKill, "kill", true}, {wire.InputButton, "button", false}} {
		c.Inputs[i] = trigger.Input{Kind: in.kind, Name: name(in.name), ActiveHigh: in.high}
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
