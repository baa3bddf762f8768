package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"unsafe"

	"golang.org/x/sys/unix"

	"stillwater/firmware/avr"
	"stillwater/internal/config"
	"stillwater/internal/gpiochip"
)

// The test binary plays the program where a test has to kill it: with runEnv set it is Stillwater with its arguments.
// With pinsEnv too its board has pins in that file, which survives the process.
const (
	runEnv  = "STILLWATER_TEST_RUN"
	pinsEnv = "STILLWATER_TEST_PINS"
)

func TestMain(m *testing.M) {
	if os.Getenv(runEnv) == "" {
		// Tests run as somebody's board or keeper would start boards and keepers of their own, without end.
		if len(os.Args) > 1 && !strings.HasPrefix(os.Args[1], "-") {
			fmt.Fprintf(os.Stderr, "started as %q without %s=1, which the test must set\n", os.Args[1], runEnv)
			os.Exit(2)
		}
		status := m.Run()
		avr.Remove()
		os.Exit(status)
	}
	ctx, stop := untilStopped(context.Background())
	program := &Main{Stdout: os.Stdout, Stderr: os.Stderr, Getenv: os.Getenv}
	if path := os.Getenv(pinsEnv); path != "" {
		program.access = virtualAccess(path)
	}
	status := program.Run(ctx, os.Args[1:])
	stop()
	os.Exit(status)
}

// virtualPins is the file of virtual pins: what the board does, which a test reads, and what happens to it, which a
// test writes. All of it is shared memory.
type virtualPins struct {
	On        atomic.Uint32 // outputs that are on, by bit
	Heartbeat atomic.Uint32 // level of the heartbeat's line
	Taken     atomic.Uint32 // how often the outputs were taken, which drives them off
	Sets      atomic.Uint32 // how often the outputs were set
	Lit       atomic.Uint32 // how often some went on
	Beats     atomic.Uint32 // how often the heartbeat's line changed
	BeatAt    atomic.Int64  // when it last did: CLOCK_MONOTONIC, ns
	Kept      atomic.Uint32 // how often a keeper switched the outputs off
	Inputs    atomic.Uint32 // levels of the inputs, by bit, as the board's level reading sees them
	Board     atomic.Int32  // process number of the board

	// What a test makes happen.
	Broken  atomic.Uint32 // 1: outputs cannot be set
	NoBeat  atomic.Uint32 // 1: the heartbeat's line cannot be set
	Blind   atomic.Uint32 // 1: inputs cannot be read
	Missing atomic.Uint32 // 1: the inputs cannot be taken
	Panic   atomic.Uint32 // 1: setting an output on panics in the loop; 2: in another goroutine; 3: it never returns
}

// mapPins maps a file of virtual pins, made if it is not there.
func mapPins(path string) (*virtualPins, *os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, nil, err
	}
	const size = int(unsafe.Sizeof(virtualPins{}))
	if err := f.Truncate(int64(size)); err != nil {
		return nil, nil, errors.Join(err, f.Close())
	}
	memory, err := unix.Mmap(int(f.Fd()), 0, size, unix.PROT_READ|unix.PROT_WRITE, unix.MAP_SHARED)
	if err != nil {
		return nil, nil, errors.Join(err, f.Close())
	}
	return (*virtualPins)(unsafe.Pointer(&memory[0])), f, nil
}

// newPins are fresh virtual pins of a test, and their file.
func newPins(t testing.TB) (*virtualPins, string) {
	t.Helper()
	path := t.TempDir() + "/pins"
	p, f, err := mapPins(path)
	if err != nil {
		t.Fatal(err)
	}
	f.Close()
	return p, path
}

// edge changes an input of the board whose pins are at path; nothing happens while no board listens.
func (p *virtualPins) edge(path string, input uint8, high bool) error {
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

func virtualAccess(path string) pinAccess {
	return pinAccess{
		outputs: func(b config.Board, l *lines) error {
			pins, f, err := mapPins(path)
			if err != nil {
				return err
			}
			pins.Board.Store(int32(os.Getpid()))
			pins.On.Store(0)
			pins.Taken.Add(1)
			l.outputs = &virtualOutputs{pins, f}
			if b.Heartbeat != nil {
				pins.Heartbeat.Store(0)
				l.heartbeat = &virtualHeartbeat{pins}
			}
			return nil
		},
		inputs: func(_ config.Board, l *lines) error {
			pins, f, err := mapPins(path)
			if err != nil {
				return err
			}
			f.Close()
			if pins.Missing.Load() != 0 {
				return errors.New("the sensors are missing")
			}
			l.inputs, err = newVirtualInputs(pins, path)
			return err
		},
		off: func(fd int) error { // the keeper's, which knows no more than the descriptor
			pins, f, err := mapPins(fmt.Sprintf("/proc/self/fd/%d", fd))
			if err != nil {
				return err
			}
			pins.On.Store(0)
			pins.Kept.Add(1)
			return f.Close()
		},
	}
}

type virtualOutputs struct {
	pins *virtualPins
	file *os.File
}

func (o *virtualOutputs) Set(mask, levels uint8) error {
	if o.pins.Broken.Load() != 0 {
		return errors.New("broken on purpose")
	}
	o.pins.Sets.Add(1)
	o.pins.On.Store(o.pins.On.Load()&^uint32(mask) | uint32(mask&levels))
	if mask&levels == 0 {
		return nil
	}
	o.pins.Lit.Add(1)
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

func (o *virtualOutputs) Fds() []int { return []int{int(o.file.Fd())} }

func (o *virtualOutputs) Close() error {
	if o.file == nil {
		return nil
	}
	return errors.Join(o.Set(0xFF, 0), o.file.Close())
}

type virtualHeartbeat struct{ pins *virtualPins }

func (h *virtualHeartbeat) Set(mask, levels uint8) error {
	if h.pins.NoBeat.Load() != 0 {
		return errors.New("no line on purpose")
	}
	h.pins.Heartbeat.Store(uint32(mask & levels))
	h.pins.Beats.Add(1)
	h.pins.BeatAt.Store(monotonicNs())
	return nil
}

func (h *virtualHeartbeat) Fds() []int   { return nil }
func (h *virtualHeartbeat) Close() error { h.pins.Heartbeat.Store(0); return nil }

// virtualInputs get an edge with each datagram: one byte, the input and in its highest bit the level.
type virtualInputs struct {
	pins *virtualPins
	path string
	fd   int
}

func newVirtualInputs(pins *virtualPins, path string) (*virtualInputs, error) {
	fd, err := unix.Socket(unix.AF_UNIX, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC|unix.SOCK_NONBLOCK, 0)
	if err != nil {
		return nil, err
	}
	in := &virtualInputs{pins: pins, path: path + ".in", fd: fd}
	_ = unix.Unlink(in.path)
	if err := unix.Bind(fd, &unix.SockaddrUnix{Name: in.path}); err != nil {
		return nil, errors.Join(err, unix.Close(fd))
	}
	return in, nil
}

func (in *virtualInputs) Len() int   { return 1 }
func (in *virtualInputs) Fd(int) int { return in.fd }

func (in *virtualInputs) Read(_ int, b *gpiochip.Batch) error {
	b.Events, b.Lost, b.Gap = b.Events[:0], [gpiochip.MaxLines]uint32{}, false
	if in.pins.Blind.Load() != 0 {
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

func (in *virtualInputs) Levels() (uint8, error) {
	if in.pins.Blind.Load() != 0 {
		return 0, errors.New("blind on purpose")
	}
	return uint8(in.pins.Inputs.Load()), nil
}

func (in *virtualInputs) Close() error {
	return errors.Join(unix.Close(in.fd), unix.Unlink(in.path))
}

func monotonicNs() int64 {
	var ts unix.Timespec
	_ = unix.ClockGettime(unix.CLOCK_MONOTONIC, &ts)
	return ts.Nano()
}
