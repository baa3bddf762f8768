// Package trigger is a board's logic without pins, clock or link: Step takes the state and one event and returns the
// next state and actions. The Linux GPIO board, the simulated rig and the conformance suite share it.
//
// The files follow an event: step.go is the order of work in a Step; safe.go, time.go, edge.go and request.go are what
// an event can cause; report.go is what the host is sent.
package trigger

import "stillwater/internal/wire"

// Config describes a board. It does not change while the board runs.
type Config struct {
	BootID     uint32
	Reset      wire.ResetCause
	TickHz     uint32
	Lead       uint32 // ticks
	EdgeLead   uint32 // ticks, announced only
	GateLead   uint32 // ticks, announced only
	SafeWithin uint32 // ticks
	Firmware   wire.Name
	Levels     uint8 // of the inputs at start, one bit each
	InputLen   uint8
	OutputLen  uint8
	Inputs     [wire.MaxPins]Input
	Outputs    [wire.MaxPins]Output
}

// Input is one input. At its active level a kill input is at stop; of others it is announced only.
type Input struct {
	Kind       wire.InputKind
	Name       wire.Name
	ActiveHigh bool
}

// Output is one output. MaxOn is 1 to wire.MaxWidth.
type Output struct {
	Kind  wire.OutputKind
	Name  wire.Name
	MaxOn uint32 // ticks
}

// EventKind is the kind of an Event.
type EventKind uint8

const (
	EventWake     EventKind = iota // time passed; sent at State.Wake, or at any time
	EventEdge                      // Input changed to High at At
	EventReceived                  // Frame arrived from the host
	EventDriven                    // the outputs in Mask took Levels at At; optional, comes right after the Drive action
	EventLost                      // Count edges of Input were missed
	EventFault                     // the board has a fault of its own, number Count: make safe, report it
	EventStart                     // the board starts: outputs off, announce it; always the first event
)

// Event is one event. Now is when the board handles it, At when it happened, never after Now. Events come in the order
// of Now, and edges in the order of At.
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

// ActionKind is the kind of an Action.
type ActionKind uint8

const (
	ActionDrive ActionKind = iota // set the outputs in Mask to Levels (bit 1: on), then report EventDriven
	ActionSend                    // send Frame to the host
)

// Action is one action. They are carried out in order.
type Action struct {
	Kind   ActionKind
	Mask   uint8
	Levels uint8
	Frame  wire.Frame
}
