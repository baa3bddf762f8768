// Package boardtest is the conformance suite for boards: a board that passes Run keeps the board protocol
// (firmware/PROTOCOL.md). A board's test provides a Bed, which gives the suite the raw link, the inputs and a record of
// the outputs.
//
// A bed can be a board in virtual time, a simulated processor at exact cycles, or a process on a kernel's GPIO whose
// lines a helper toggles. The suite takes about half a minute of the bed's time.
package boardtest

import (
	"time"

	"stillwater/internal/wire"
)

// Bed is one board with its wiring. A new bed's board has just started, its beams are unbroken and its kill input is
// not at stop. Methods are called from one goroutine, and fail the test if they cannot do what they are asked.
type Bed interface {
	// Wiring returns the pins the suite may use.
	Wiring() Wiring
	// Send sends bytes to the board. They may arrive as late as the next Sleep.
	Send(p []byte)
	// Receive returns what the board sent since the last Receive, without waiting.
	Receive() []byte
	// Set drives an input and returns when the edge has its stamp. The result is the edge's time in the board's ticks,
	// which is used only on an exact bed.
	Set(input uint8, high bool) wire.Tick
	// Sleep lets at least d of the board's time pass; in virtual time, exactly d.
	Sleep(d time.Duration)
	// Changes returns the outputs' changes since the last Changes, in order and each once, beginning when the board first
	// drove them.
	Changes() []Change
	// Exact reports whether the bed's times are meaningful. They are not on an emulated or shared machine, where the suite
	// checks only order, counts and planned times.
	Exact() bool
	// Restart stops the board without warning and starts it again, like a reset or a new process. The link is new: nothing
	// sent before is received after it.
	Restart()
	// Close ends the bed.
	Close()
}

// Wiring is the pins the suite may use. The outputs differ from each other, and so do the inputs.
type Wiring struct {
	Gate, Clock uint8 // inputs of the gate edge and of the clock edge; not kill inputs
	BrokenHigh  bool  // the level of a broken beam is high
	Kill        uint8 // wire.NoInput: the board has none, and the suite omits that part
	KillHigh    bool  // the stop level is high
	Flash       uint8 // may be on for 10 ms or more
	Shutter     uint8 // 3 s
	Valve       uint8 // 50 ms
}

// Change is one output's change. At is in the board's ticks, and is used only on an exact bed.
type Change struct {
	Output uint8
	On     bool
	At     wire.Tick
}
