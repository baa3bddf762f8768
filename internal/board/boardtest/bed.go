// Package boardtest is the conformance suite of boards: whatever passes Run keeps the board protocol
// (firmware/PROTOCOL.md). A board's own test provides a Bed, which gives the suite the raw link, the inputs and a
// record of what the outputs did.
//
// The suite needs no more than that, so a bed can be a board in virtual time, a simulated processor at exact cycles, or
// a process on a kernel's GPIO whose lines a helper toggles. It sleeps some 14 seconds of the bed's time in all.
package boardtest

import (
	"time"

	"stillwater/internal/wire"
)

// Bed is one board and what it is wired to. When a bed is opened its board has just started, its beams are free and its
// kill input is not at stop. Methods are called from one goroutine. A bed that cannot do what it is asked to fails its
// own test.
type Bed interface {
	// Wiring says which pins the suite may use.
	Wiring() Wiring
	// Send gives bytes to the board. They need not arrive before the next Sleep.
	Send(p []byte)
	// Receive is what the board sent since the last Receive; it does not wait.
	Receive() []byte
	// Set drives an input. When it returns the edge has its stamp. It says when the edge was, in the board's ticks, which
	// counts only on an exact bed.
	Set(input uint8, high bool) wire.Tick
	// Sleep lets at least d of the board's time pass. A bed in virtual time lets exactly d pass.
	Sleep(d time.Duration)
	// Changes is what the outputs did since the last Changes, in order, from the moment the board began to drive them. It
	// holds each change of level once.
	Changes() []Change
	// Exact says whether the bed's times mean anything: false on a machine that is emulated or shared, where only order,
	// counts and planned times are held to.
	Exact() bool
	// Restart stops the board without warning and starts it again, as a reset or a new process would. The link is new:
	// nothing of before is received any more.
	Restart()
	// Close ends the bed.
	Close()
}

// Wiring says which pins the suite may use. The outputs differ from each other, and so do the inputs.
type Wiring struct {
	Gate, Clock uint8 // two inputs that are not kill inputs
	Broken      bool  // their level when something is in the beam; they begin at the other
	Kill        uint8 // wire.NoInput: the board has none, and that part of the suite is left out
	Stop        bool  // the level of Kill that means stop
	Flash       uint8 // may be on for 10 ms or more
	Shutter     uint8 // 3 s
	Valve       uint8 // 50 ms
}

// Change is one output's change: when counts only on an exact bed, in the board's ticks.
type Change struct {
	Output uint8
	On     bool
	At     wire.Tick
}
