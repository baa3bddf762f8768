// Package executor joins the board logic of package trigger to pins and a link. It has no clock: whoever owns the pins
// tells it the time with each call, so the Linux board, the simulated rig and the conformance suite's virtual board use
// it alike.
package executor

import (
	"io"

	"stillwater/internal/trigger"
	"stillwater/internal/wire"
)

// Pins are a board's outputs.
type Pins interface {
	// Drive sets the outputs in mask to levels (bit 1: on, whatever the polarity of the pin) and returns when they changed.
	Drive(mask, levels uint8) (wire.Tick, error)
}

// Counts are what went wrong on the link and at the pins since the start.
type Counts struct {
	BadFrames   uint32 // pieces of what the host sent that were no frame
	LinkErrors  uint32 // frames that could not be written in full
	DriveErrors uint32
}

// Executor runs one board. Its methods must not be called at the same time as each other; after New none allocates.
type Executor struct {
	state   trigger.State
	pins    Pins
	link    io.Writer
	decoder wire.Decoder
	counts  Counts
}

// New makes an executor. link gets whole frames, one Write each. A Write must not block: a writer that has no room drops
// the frame and returns an error or a short count, which is counted and otherwise ignored, since the pins come first.
// It must not keep the slice.
func New(state trigger.State, pins Pins, link io.Writer) *Executor {
	return &Executor{state: state, pins: pins, link: link}
}

// Start drives every output to off, then announces the board. Call it first.
func (x *Executor) Start(now wire.Tick) {}

// Bytes takes what came from the host.
func (x *Executor) Bytes(now wire.Tick, p []byte) {}

// Edge takes a change of an input: its new level, and when it happened.
func (x *Executor) Edge(now wire.Tick, input uint8, high bool, at wire.Tick) {}

// Lost takes the news that n edges of an input were never seen. The caller then reads the input's level and calls Edge
// when it is not what it was.
func (x *Executor) Lost(now wire.Tick, input uint8, n uint32, at wire.Tick) {}

// Wake lets time pass. Call it at Next or soon after; calling it more often does no harm.
func (x *Executor) Wake(now wire.Tick) {}

// Trouble takes the board's own trouble number n: outputs go safe, the board is in fault.
func (x *Executor) Trouble(now wire.Tick, n uint32) {}

// Next is when Wake wants to be called, if it does.
func (x *Executor) Next() (wire.Tick, bool) { return 0, false }

// Safe drives every output to off and disarms: call it on any way out. The error says that a pin could not be driven.
func (x *Executor) Safe(now wire.Tick) error { return nil }

// Counts are what went wrong so far.
func (x *Executor) Counts() Counts { return x.counts }
