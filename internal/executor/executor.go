// Package executor connects the board logic of package trigger to pins and a link. It has no clock: the owner of the
// pins passes the time with each call, so that the Linux board, the simulated rig and the conformance suite's virtual
// board can share it.
package executor

import (
	"fmt"
	"io"

	"stillwater/internal/trigger"
	"stillwater/internal/wire"
)

// Numbers of board faults, the Detail of a wire.Fault with wire.ReasonBoard. Boards number their own from FaultOwn up.
const (
	FaultDrive    = 1 // an output could not be driven
	FaultStopping = 2 // the board is being stopped
	FaultOwn      = 16
)

// retriesPerSecond is how often driving the outputs off is retried after a failure.
const retriesPerSecond = 1000

// Pins drives a board's outputs, all that change at one moment together.
type Pins interface {
	// Drive sets the outputs in mask to levels (bit 1: on, whatever the pin's polarity) and returns when they changed.
	Drive(mask, levels uint8) (wire.Tick, error)
}

// Executor runs one board. It is not safe for concurrent use, and now must not decrease from call to call. After New no
// method allocates, except for the error of Safe.
type Executor struct {
	state      trigger.State
	allOutputs uint8
	pins       Pins
	link       io.Writer
	decoder    wire.Decoder
	now        wire.Tick
	driveErr   error     // since a Drive failed, until all outputs could be driven off
	retry      wire.Tick // when to try again while there is a failure
	actions    []trigger.Action
	frame      [wire.MaxFrame]byte
}

// New returns an Executor. link receives whole frames, one Write each. Write must not block: a writer without room
// drops the frame and returns an error or a short count, which is counted and otherwise ignored, since the pins come
// first. It must not retain the slice.
func New(state trigger.State, pins Pins, link io.Writer) *Executor {
	return &Executor{
		state:      state,
		allOutputs: uint8(1<<state.Config().OutputLen - 1),
		pins:       pins,
		link:       link,
		actions:    make([]trigger.Action, 0, trigger.MaxActions),
	}
}

// Start drives every output to off, then announces the board. Call it first.
func (x *Executor) Start(now wire.Tick) {
	x.run(trigger.Event{Kind: trigger.EventStart, Now: now})
}

// Bytes handles bytes from the host, in pieces of any size.
func (x *Executor) Bytes(now wire.Tick, p []byte) {
	for _, b := range p {
		if f, ok := x.decoder.Push(b); ok {
			x.run(trigger.Event{Kind: trigger.EventReceived, Now: now, Frame: f})
			now = x.now
		}
	}
}

// Edge handles a change of an input: its new level, and when it happened. Calls are in order of at.
func (x *Executor) Edge(now wire.Tick, input uint8, high bool, at wire.Tick) {
	x.run(trigger.Event{Kind: trigger.EventEdge, Now: now, At: at, Input: input, High: high})
}

// Lost handles n missed edges of an input. The caller then reads the input's level and calls Edge
// if it changed.
func (x *Executor) Lost(now wire.Tick, input uint8, n uint32, at wire.Tick) {
	x.run(trigger.Event{Kind: trigger.EventLost, Now: now, At: at, Input: input, Count: n})
}

// Wake handles the passing of time. Call it at Next or soon after; extra calls are harmless.
func (x *Executor) Wake(now wire.Tick) {
	x.run(trigger.Event{Kind: trigger.EventWake, Now: now})
}

// Fault handles board fault number n: outputs off, the board is faulted.
func (x *Executor) Fault(now wire.Tick, n uint32) {
	x.run(trigger.Event{Kind: trigger.EventFault, Now: now, Count: n})
}

// Next is when to call Wake; false if not before another event. A time in the past means at once.
func (x *Executor) Next() (wire.Tick, bool) {
	at, ok := x.state.Wake()
	if x.driveErr != nil && (!ok || x.retry.Before(at)) {
		return x.retry, true
	}
	return at, ok
}

// Safe drives every output off and disarms: call it on every way out. An error means that outputs could not be driven
// and may be on.
func (x *Executor) Safe(now wire.Tick) error {
	_, x.driveErr = x.pins.Drive(x.allOutputs, 0) // before any logic
	x.run(trigger.Event{Kind: trigger.EventFault, Now: now, Count: FaultStopping})
	if x.driveErr != nil {
		return fmt.Errorf("executor: outputs may still be on, cut their supply: %w", x.driveErr)
	}
	return nil
}

// OutputsUncertain reports whether an output may be on because Drive failed and driving all off has not succeeded
// since.
func (x *Executor) OutputsUncertain() bool { return x.driveErr != nil }

// State is the board's state, to read only.
func (x *Executor) State() *trigger.State { return &x.state }

// run steps through e and the events that follow from it.
func (x *Executor) run(e trigger.Event) {
	x.now = e.Now
	x.retryOff()
	for more := true; more; {
		x.state, x.actions = trigger.Step(x.state, e, x.actions[:0])
		e, more = x.perform()
	}
}

// perform carries out the last step's actions and returns the event that follows from driving, if any.
func (x *Executor) perform() (trigger.Event, bool) {
	var e trigger.Event
	more := false
	for i := range x.actions {
		switch a := &x.actions[i]; a.Kind {
		case trigger.ActionDrive:
			e, more = x.drive(a.Mask, a.Levels)
		case trigger.ActionSend:
			x.send(&a.Frame)
		}
	}
	return e, more
}

// drive sets outputs. A failure puts the board in fault, and driving the outputs off is retried until it succeeds.
func (x *Executor) drive(mask, levels uint8) (trigger.Event, bool) {
	at, err := x.pins.Drive(mask, levels)
	allOff := mask == x.allOutputs && levels == 0
	if err == nil {
		if allOff {
			x.driveErr = nil
		}
		if x.now.Before(at) {
			x.now = at
		}
		return trigger.Event{Kind: trigger.EventDriven, Now: x.now, At: at, Mask: mask, Levels: levels}, true
	}
	x.driveFailed(err)
	if allOff && x.state.Code() == wire.Faulted {
		return trigger.Event{}, false
	}
	return trigger.Event{Kind: trigger.EventFault, Now: x.now, Count: FaultDrive}, true
}

func (x *Executor) driveFailed(err error) {
	x.driveErr = err
	x.retry = x.now + wire.Tick(x.state.Config().TickHz/retriesPerSecond)
}

func (x *Executor) retryOff() {
	if x.driveErr == nil || x.now.Before(x.retry) {
		return
	}
	if _, err := x.pins.Drive(x.allOutputs, 0); err != nil {
		x.driveFailed(err)
		return
	}
	x.driveErr = nil
}

func (x *Executor) send(f *wire.Frame) {
	p := wire.AppendFrame(x.frame[:0], *f)
	_, _ = x.link.Write(p) // a host that misses frames sees the gap in their numbers
}
