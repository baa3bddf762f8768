// Package gpioboardtest has virtual pins for the GPIO board process: a file that the process maps instead of opening
// lines of GPIO chips, and that a test maps too. For tests only.
package gpioboardtest

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync/atomic"
	"testing"
	"unsafe"

	"golang.org/x/sys/unix"

	"stillwater/internal/config"
	"stillwater/internal/gpioboard"
	"stillwater/internal/gpiochip"
)

// Pins is a file of virtual pins: what the board does, which a test reads, and what happens to it, which a test writes.
// All of it is shared memory, and survives the board process.
type Pins struct {
	On         atomic.Uint32 // outputs that are on, by bit
	Heartbeat  atomic.Uint32 // level of the heartbeat's line
	Taken      atomic.Uint32 // how often the outputs were taken, which drives them off
	Sets       atomic.Uint32 // how often the outputs were set
	SwitchedOn atomic.Uint32 // how often some were switched on
	Beats      atomic.Uint32 // how often the heartbeat's line changed
	BeatAt     atomic.Int64  // when it last did: CLOCK_MONOTONIC, ns
	Watched    atomic.Uint32 // how often a watchdog switched the outputs off
	Inputs     atomic.Uint32 // levels of the inputs, by bit, as the board's level reading sees them
	Board      atomic.Int32  // process number of the board

	// What a test makes happen.
	FailSet        atomic.Uint32 // 1: outputs cannot be set
	FailHeartbeat  atomic.Uint32 // 1: the heartbeat's line cannot be set
	FailRead       atomic.Uint32 // 1: inputs cannot be read
	FailOpenInputs atomic.Uint32 // 1: the inputs cannot be taken
	Panic          atomic.Uint32 // 1: switching on panics in the loop; 2: in another goroutine; 3: it never returns
}

// mapped maps a file of virtual pins, created if it is not there.
func mapped(path string) (*Pins, *os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, nil, err
	}
	const size = int(unsafe.Sizeof(Pins{}))
	if err := f.Truncate(int64(size)); err != nil {
		return nil, nil, errors.Join(err, f.Close())
	}
	memory, err := unix.Mmap(int(f.Fd()), 0, size, unix.PROT_READ|unix.PROT_WRITE, unix.MAP_SHARED)
	if err != nil {
		return nil, nil, errors.Join(err, f.Close())
	}
	return (*Pins)(unsafe.Pointer(&memory[0])), f, nil
}

// New makes virtual pins for a test, and returns the path of their file too.
func New(t testing.TB) (*Pins, string) {
	t.Helper()
	dir, err := os.MkdirTemp("", "") // a socket's path has 107 bytes at most, and t.TempDir puts the test's name in
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	})
	path := filepath.Join(dir, "pins")
	p, f, err := mapped(path)
	if err != nil {
		t.Fatal(err)
	}
	f.Close()
	return p, path
}

// Edge changes an input of the board whose pins are at path. It fails while no board is listening.
func (p *Pins) Edge(path string, input uint8, high bool) error {
	b := []byte{input}
	if high {
		b[0] |= 0x80
		p.Inputs.Or(1 << input)
	} else {
		p.Inputs.And(^uint32(1 << input))
	}
	s, err := unix.Socket(unix.AF_UNIX, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		return err
	}
	defer unix.Close(s)
	return unix.Sendto(s, b, 0, &unix.SockaddrUnix{Name: path + ".in"})
}

// Open gives a board the pins in the file at path.
func Open(path string) gpioboard.Pins {
	return gpioboard.Pins{
		OpenOutputs: func(b config.Board, l *gpioboard.Lines) error {
			pins, f, err := mapped(path)
			if err != nil {
				return err
			}
			pins.Board.Store(int32(os.Getpid()))
			pins.On.Store(0)
			pins.Taken.Add(1)
			l.Outputs, l.Drive = &outputs{pins, f}, "shared memory"
			if b.Heartbeat != nil {
				pins.Heartbeat.Store(0)
				l.Heartbeat = &heartbeat{pins}
			}
			return nil
		},
		OpenInputs: func(_ config.Board, l *gpioboard.Lines) error {
			pins, f, err := mapped(path)
			if err != nil {
				return err
			}
			f.Close()
			if pins.FailOpenInputs.Load() != 0 {
				return errors.New("the sensors are missing")
			}
			in, err := newInputs(pins, path)
			if err != nil {
				return err
			}
			l.Inputs = in
			return nil
		},
		SwitchOff: func(fd int) error { // the watchdog has no more than the descriptor
			pins, f, err := mapped(fmt.Sprintf("/proc/self/fd/%d", fd))
			if err != nil {
				return err
			}
			pins.On.Store(0)
			pins.Watched.Add(1)
			return f.Close()
		},
	}
}

type outputs struct {
	pins *Pins
	file *os.File
}

func (o *outputs) Set(mask, levels uint8) error {
	if o.pins.FailSet.Load() != 0 {
		return errors.New("broken on purpose")
	}
	o.pins.Sets.Add(1)
	o.pins.On.Store(o.pins.On.Load()&^uint32(mask) | uint32(mask&levels))
	if mask&levels == 0 {
		return nil
	}
	o.pins.SwitchedOn.Add(1)
	switch o.pins.Panic.Load() {
	case 1:
		panic("on purpose")
	case 2:
		go panic("on purpose, elsewhere")
	case 3:
		select {}
	}
	return nil
}

func (o *outputs) Fds() []int { return []int{int(o.file.Fd())} }

func (o *outputs) Close() error {
	if o.file == nil {
		return nil
	}
	return errors.Join(o.Set(0xFF, 0), o.file.Close())
}

type heartbeat struct{ pins *Pins }

func (h *heartbeat) Set(mask, levels uint8) error {
	if h.pins.FailHeartbeat.Load() != 0 {
		return errors.New("no line on purpose")
	}
	h.pins.Heartbeat.Store(uint32(mask & levels))
	h.pins.Beats.Add(1)
	h.pins.BeatAt.Store(monotonicNs())
	return nil
}

func (h *heartbeat) Fds() []int   { return nil }
func (h *heartbeat) Close() error { h.pins.Heartbeat.Store(0); return nil }

// inputs receive an edge with each datagram: one byte, the input and in its highest bit the level.
type inputs struct {
	pins *Pins
	fd   int
}

func newInputs(pins *Pins, path string) (*inputs, error) {
	fd, err := unix.Socket(unix.AF_UNIX, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, 0)
	if err != nil {
		return nil, err
	}
	name := path + ".in"
	_ = unix.Unlink(name) // an earlier board's
	if err := unix.Bind(fd, &unix.SockaddrUnix{Name: name}); err != nil {
		return nil, errors.Join(fmt.Errorf("bind %s: %w", name, err), unix.Close(fd))
	}
	return &inputs{pins, fd}, nil
}

func (in *inputs) Len() int   { return 1 }
func (in *inputs) Fd(int) int { return in.fd }

func (in *inputs) Read(_ int, b *gpiochip.Batch) error {
	b.Events, b.Lost, b.Gap = b.Events[:0], [gpiochip.MaxLines]uint32{}, false
	if in.pins.FailRead.Load() != 0 {
		return errors.New("blind on purpose")
	}
	var said [1]byte
	for len(b.Events) < cap(b.Events) {
		if n, err := unix.Read(in.fd, said[:]); n != 1 || err != nil {
			break
		}
		b.Events = append(b.Events, gpiochip.Event{Input: said[0] &^ 0x80, High: said[0]&0x80 != 0, At: monotonicNs()})
	}
	return nil
}

func (in *inputs) Levels() (uint8, error) {
	if in.pins.FailRead.Load() != 0 {
		return 0, errors.New("blind on purpose")
	}
	return uint8(in.pins.Inputs.Load()), nil
}

// Close leaves the socket's name: a board started since may have it.
func (in *inputs) Close() error { return unix.Close(in.fd) }

func monotonicNs() int64 {
	var ts unix.Timespec
	_ = unix.ClockGettime(unix.CLOCK_MONOTONIC, &ts)
	return ts.Nano()
}
