// Package executor joins the board logic of package trigger to pins and a link. It has no clock: whoever owns the pins
// tells it the time with each call, so the Linux board, the simulated rig and the conformance suite's virtual board use
// it alike.
package executor

import (
	"fmt"
	"io"

	"stillwater/internal/trigger"
	"stillwater/internal/wire"
)

// Numbers of the board's own trouble, the Detail of a Fault with wire.ReasonBoard. Boards number theirs from
// TroubleOwn up.
const (
	TroubleDrive    = 1 // an output could not be driven
	TroubleStopping = 2 // the board is being stopped
	TroubleOwn      = 16
)

// retriesPerSecond is how often outputs that could not be driven off are tried again.
const retriesPerSecond = 1000

// Pins are a board's outputs.
type Pins interface {
	// Drive sets the outputs in mask to levels (bit 1: on, whatever the polarity of the pin) and returns when they
	// changed.
	Drive(mask, levels uint8) (wire.Tick, error)
}

// Counts are what went wrong on the link and at the pins since the start.
type Counts struct {
	BadFrames   uint32 // pieces of what the host sent that were no frame
	LinkErrors  uint32 // frames that could not be written in full
	DriveErrors uint32
}

// Executor runs one board. Its methods must not be called at the same time as each other, and each call's now must not
// be before that of the call before. After New none allocates, except to make the error of Safe.
type Executor struct {
	state   trigger.State
	all     uint8
	pins    Pins
	link    io.Writer
	decoder wire.Decoder
	counts  Counts
	now     wire.Tick
	failure error     // of the last Drive of all outputs to off; nil when it succeeded
	retry   wire.Tick // when to try again while there is a failure
	actions []trigger.Action
	frame   [wire.MaxFrame]byte
}

// New makes an executor. link gets whole frames, one Write each. A Write must not block: a writer that has no room
// drops the frame and returns an error or a short count, which is counted and otherwise ignored, since the pins come
// first. It must not keep the slice.
func New(state trigger.State, pins Pins, link io.Writer) *Executor {
	return &Executor{
		state:   state,
		all:     uint8(1<<state.Config().OutputLen - 1),
		pins:    pins,
		link:    link,
		actions: make([]trigger.Action, 0, trigger.MaxActions),
	}
}

// Start drives every output to off, then announces the board. Call it first.
func (x *Executor) Start(now wire.Tick) {
	x.run(trigger.Event{Kind: trigger.EventStart, Now: now})
}

// Bytes takes what came from the host, in pieces of any size.
func (x *Executor) Bytes(now wire.Tick, p []byte) {
	for _, b := range p {
		if f, ok := x.decoder.Push(b); ok {
			x.run(trigger.Event{Kind: trigger.EventReceived, Now: now, Frame: f})
			now = x.now
		}
	}
}

// Edge takes a change of an input: its new level, and when it happened. Hand edges over in the order of at.
func (x *Executor) Edge(now wire.Tick, input uint8, high bool, at wire.Tick) {
	x.run(trigger.Event{Kind: trigger.EventEdge, Now: now, At: at, Input: input, High: high})
}

// Lost takes the news that n edges of an input were never seen. The caller then reads the input's level and calls Edge
// when it is not what it was.
func (x *Executor) Lost(now wire.Tick, input uint8, n uint32, at wire.Tick) {
	x.run(trigger.Event{Kind: trigger.EventLost, Now: now, At: at, Input: input, Count: n})
}

// Wake lets time pass. Call it at Next or soon after; calling it more often does no harm.
func (x *Executor) Wake(now wire.Tick) {
	x.run(trigger.Event{Kind: trigger.EventWake, Now: now})
}

// Trouble takes the board's own trouble number n: outputs go safe, the board is in fault.
func (x *Executor) Trouble(now wire.Tick, n uint32) {
	x.run(trigger.Event{Kind: trigger.EventTrouble, Now: now, Count: n})
}

// Next is when Wake wants to be called; false when it need not be until something else happens. It may be in the past:
// then at once.
func (x *Executor) Next() (wire.Tick, bool) {
	at, ok := x.state.Wake()
	if x.failure != nil && (!ok || x.retry.Before(at)) {
		return x.retry, true
	}
	return at, ok
}

// Safe drives every output to off and disarms: call it on any way out. The error says that outputs could not be driven
// and may be on.
func (x *Executor) Safe(now wire.Tick) error {
	_, x.failure = x.pins.Drive(x.all, 0) // before any thinking
	x.run(trigger.Event{Kind: trigger.EventTrouble, Now: now, Count: TroubleStopping})
	if x.failure != nil {
		return fmt.Errorf("executor: outputs may still be on, cut their supply: %w", x.failure)
	}
	return nil
}

// InDoubt says that an output could not be driven, and that since then not all could be driven off: some may be on.
func (x *Executor) InDoubt() bool { return x.failure != nil }

// State is the board's state, for a look.
func (x *Executor) State() *trigger.State { return &x.state }

// Counts are what went wrong so far.
func (x *Executor) Counts() Counts {
	c := x.counts
	c.BadFrames = x.decoder.Bad()
	return c
}

// run steps through e and all that follows from it at once.
func (x *Executor) run(e trigger.Event) {
	x.now = e.Now
	x.retryOff()
	for more := true; more; {
		x.state, x.actions = trigger.Step(x.state, e, x.actions[:0])
		e, more = x.carryOut()
	}
}

// carryOut does what the last step asked for and returns what came of driving, if it drove.
func (x *Executor) carryOut() (trigger.Event, bool) {
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

// drive sets outputs. When that fails the board goes into fault; outputs that cannot even be driven off are tried again
// until they can.
func (x *Executor) drive(mask, levels uint8) (trigger.Event, bool) {
	at, err := x.pins.Drive(mask, levels)
	allOff := mask == x.all && levels == 0
	if err == nil {
		if allOff {
			x.failure = nil
		}
		if x.now.Before(at) {
			x.now = at
		}
		return trigger.Event{Kind: trigger.EventDrove, Now: x.now, At: at, Mask: mask, Levels: levels}, true
	}
	x.failed(err)
	if allOff && x.state.Code() == wire.Faulted {
		return trigger.Event{}, false
	}
	return trigger.Event{Kind: trigger.EventTrouble, Now: x.now, Count: TroubleDrive}, true
}

func (x *Executor) failed(err error) {
	x.failure = err
	x.retry = x.now + wire.Tick(x.state.Config().TickHz/retriesPerSecond)
	if x.counts.DriveErrors != 1<<32-1 {
		x.counts.DriveErrors++
	}
}

func (x *Executor) retryOff() {
	if x.failure == nil || x.now.Before(x.retry) {
		return
	}
	if _, err := x.pins.Drive(x.all, 0); err != nil {
		x.failed(err)
		return
	}
	x.failure = nil
}

func (x *Executor) send(f *wire.Frame) {
	p := wire.AppendFrame(x.frame[:0], *f)
	if n, err := x.link.Write(p); (err != nil || n != len(p)) && x.counts.LinkErrors != 1<<32-1 {
		x.counts.LinkErrors++
	}
}
