package executor_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"stillwater/internal/board/boardtest"
	"stillwater/internal/executor"
	"stillwater/internal/trigger"
	"stillwater/internal/wire"
)

// Pins of the virtual board.
const (
	gateIn, clockIn, killIn = 0, 1, 2
	flash, shutter, valve   = 0, 1, 2
)

// manner is how a virtual board behaves in time.
type manner struct {
	tickHz uint32
	start  wire.Tick     // its clock when it starts
	sees   time.Duration // from an edge to when the board looks at it
	wakes  time.Duration // at most behind the time it wanted to wake, at random
	drives time.Duration // from an order to the pin
	broken bool          // level of a broken beam
}

// virtual is a board in virtual time: nothing moves but in Sleep.
type virtual struct {
	t       *testing.T
	manner  manner
	now     wire.Tick
	rest    time.Duration // of sleep, less than a tick
	boot    uint32
	inputs  uint8
	outputs uint8
	exec    *executor.Executor
	behind  wire.Tick // how far the next wake will be
	random  *rand.Rand
	edges   []edge
	sent    []byte
	changes []boardtest.Change
}

// edge is one that the board has not looked at yet.
type edge struct {
	input uint8
	high  bool
	at    wire.Tick
}

func newVirtual(t *testing.T, m manner) *virtual {
	v := &virtual{t: t, manner: m, now: m.start, random: rand.New(rand.NewPCG(1, 1))}
	if !m.broken {
		v.inputs = 1<<gateIn | 1<<clockIn
	}
	v.Restart()
	return v
}

func (v *virtual) ticks(d time.Duration) wire.Tick {
	return wire.Tick(d * time.Duration(v.manner.tickHz) / time.Second)
}

func (v *virtual) config() trigger.Config {
	c := trigger.Config{
		BootID: v.boot, Reset: wire.ResetProcess, TickHz: v.manner.tickHz, Lead: uint32(v.ticks(200 * time.Microsecond)),
		EdgeLead: uint32(v.ticks(400 * time.Microsecond)), GateLead: uint32(v.ticks(400 * time.Microsecond)),
		SafeWithin: uint32(v.ticks(200 * time.Microsecond)), Levels: v.inputs, InputLen: 3, OutputLen: 3,
	}
	c.Inputs[killIn] = trigger.Input{Kind: wire.InputKill, ActiveHigh: true}
	c.Inputs[gateIn].ActiveHigh, c.Inputs[clockIn].ActiveHigh = v.manner.broken, v.manner.broken
	c.Outputs = [wire.MaxPins]trigger.Output{
		flash:   {Kind: wire.OutputFlash, MaxOn: uint32(v.ticks(20 * time.Millisecond))},
		shutter: {Kind: wire.OutputShutter, MaxOn: uint32(v.ticks(5 * time.Second))},
		valve:   {Kind: wire.OutputValve, MaxOn: uint32(v.ticks(100 * time.Millisecond))},
	}
	return c
}

func (v *virtual) Restart() {
	v.boot++
	state, err := trigger.New(v.config())
	require.NoError(v.t, err)
	v.sent, v.edges = nil, nil
	v.exec = executor.New(state, v, v)
	v.exec.Start(v.now)
}

func (v *virtual) Close() {}

func (v *virtual) Exact() bool { return true }

func (v *virtual) Wiring() boardtest.Wiring {
	return boardtest.Wiring{
		Gate: gateIn, Clock: clockIn, BrokenHigh: v.manner.broken, Kill: killIn, KillHigh: true,
		Flash: flash, Shutter: shutter, Valve: valve,
	}
}

// Drive is the board's pins.
func (v *virtual) Drive(mask, levels uint8) (wire.Tick, error) {
	v.now += v.ticks(v.manner.drives)
	for o := range uint8(8) {
		if bit := uint8(1) << o; mask&bit != 0 && (v.outputs^levels)&bit != 0 {
			v.changes = append(v.changes, boardtest.Change{Output: o, On: levels&bit != 0, At: v.now})
		}
	}
	v.outputs = v.outputs&^mask | levels
	return v.now, nil
}

// Write is the board's end of the link.
func (v *virtual) Write(p []byte) (int, error) {
	v.sent = append(v.sent, p...)
	return len(p), nil
}

func (v *virtual) Send(p []byte) { v.exec.Bytes(v.now, p) }

func (v *virtual) Receive() []byte {
	p := v.sent
	v.sent = nil
	return p
}

func (v *virtual) Changes() []boardtest.Change {
	c := v.changes
	v.changes = nil
	return c
}

func (v *virtual) Set(input uint8, high bool) wire.Tick {
	if high != (v.inputs&(1<<input) != 0) {
		v.inputs ^= 1 << input
		v.edges = append(v.edges, edge{input, high, v.now})
	}
	return v.now
}

// Sleep lets the board look at edges and wake when it wants to, each as late as it is its manner.
func (v *virtual) Sleep(d time.Duration) {
	exact := (d + v.rest) * time.Duration(v.manner.tickHz)
	v.rest = exact % time.Second / time.Duration(v.manner.tickHz)
	end := v.now + wire.Tick(exact/time.Second)
	for {
		next, is := end, "end"
		if at, ok := v.exec.Next(); ok && (at + v.behind).Before(next) {
			next, is = at+v.behind, "wake"
		}
		if len(v.edges) > 0 {
			if at := v.edges[0].at + v.ticks(v.manner.sees); at.Before(next) {
				next, is = at, "edge"
			}
		}
		if v.now.Before(next) {
			v.now = next
		}
		switch is {
		case "end":
			return
		case "wake":
			v.exec.Wake(v.now)
			v.behind = wire.Tick(v.random.Int64N(int64(v.ticks(v.manner.wakes)) + 1))
		case "edge":
			e := v.edges[0]
			v.edges = v.edges[1:]
			v.exec.Edge(v.now, e.input, e.high, e.at)
		}
	}
}

// TestSuite runs the conformance suite on virtual boards of several manners.
func TestSuite(t *testing.T) {
	for name, m := range map[string]manner{
		"ideal":             {tickHz: 10_000_000},
		"half microseconds": {tickHz: 2_000_000, sees: 10 * time.Microsecond, broken: true},
		"like a busy process": {tickHz: 10_000_000, sees: 90 * time.Microsecond, wakes: 60 * time.Microsecond,
			drives: 9 * time.Microsecond},
		"the ticks wrap meantime": {tickHz: 10_000_000, start: 1<<32 - 1_000_000, drives: time.Microsecond},
	} {
		t.Run(name, func(t *testing.T) {
			boardtest.Run(t, func(t *testing.T) boardtest.Bed { return newVirtual(t, m) })
		})
	}
}
