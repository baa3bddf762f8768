// Package trigger is a board's logic without its pins, clock or link: Step takes the state and one event and returns
// the next state and what to do. The Linux GPIO board, the simulated rig and the conformance suite share it.
package trigger

import "stillwater/internal/wire"

// Config is what a board is made of. It does not change while the board runs.
type Config struct {
	BootID     uint32
	Reset      wire.ResetCause
	TickHz     uint32
	Lead       uint32 // ticks
	SafeWithin uint32 // ticks
	Firmware   wire.Name
	Levels     uint8 // of the inputs at the start, one bit each
	InputLen   uint8
	OutputLen  uint8
	Inputs     [wire.MaxPins]Input
	Outputs    [wire.MaxPins]Output
}

// Input is one input. KillHigh matters for kill inputs only: the level that means stop.
type Input struct {
	Kind     wire.InputKind
	Name     wire.Name
	KillHigh bool
}

// Output is one output. MaxOn is 1 to wire.MaxWidth.
type Output struct {
	Kind  wire.OutputKind
	Name  wire.Name
	MaxOn uint32 // ticks
}

// EventKind says what happened.
type EventKind uint8

const (
	EventWake     EventKind = iota // time passed; sent at State.Wake, or at any time
	EventEdge                      // Input changed to High at At
	EventReceived                  // Frame arrived from the host
	EventDrove                     // the outputs in Mask took Levels at At; comes right after the Drive action, if at all
	EventLost                      // Count edges of Input were not seen
	EventTrouble                   // the board's own trouble, Count is its number: go safe, fault
	EventStart                     // the board starts: outputs off, announce it; always the first event
)

// Event is one thing that happened. Now is the time at which the board looks at it, At when it happened: never after
// Now. Events come in the order of Now, and edges in the order of At.
type Event struct {
	Kind   EventKind
	Now    wire.Tick
	At     wire.Tick
	Input  uint8
	High   bool
	Mask   uint8
	Levels uint8
	Count  uint32
	Frame  wire.Frame
}

// ActionKind says what to do.
type ActionKind uint8

const (
	ActionDrive ActionKind = iota // set the outputs in Mask to Levels (bit 1: on), then report EventDrove
	ActionSend                    // send Frame to the host
)

// Action is one thing to do, in order.
type Action struct {
	Kind   ActionKind
	Mask   uint8
	Levels uint8
	Frame  wire.Frame
}
