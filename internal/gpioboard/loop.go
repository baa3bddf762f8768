package gpioboard

import (
	"context"
	"errors"
	"io"
	"time"

	"stillwater/internal/executor"
	"stillwater/internal/gpiochip"
	"stillwater/internal/realtime"
	"stillwater/internal/trigger"
	"stillwater/internal/wire"
)

const (
	// decideAhead is how long before a pulse the loop stops looking at edges and the link. In that time the logic decides
	// what to switch, so that only the switching is left to do when the pulse is due.
	decideAhead = 20 * time.Microsecond
	// armedWakeEvery is how often an armed board wakes up only to measure how late it wakes.
	armedWakeEvery = 20 * time.Millisecond
	// housekeepEvery is how often a board that stays disarmed does its housekeeping.
	housekeepEvery = time.Minute
)

// edgesPerLook is how many edges are delivered before the link is read again: a backlog of edges, up to a thousand a
// chip, must not delay a disarm. It cannot delay a pulse: each edge is delivered with the time it is then, and what is
// due goes first.
const edgesPerLook = 32

// Details of a fault with wire.ReasonBoard.
const (
	faultInputs    = executor.FaultOwn + iota // edges or levels cannot be read
	faultClock                                // the clock drifted
	faultHeartbeat                            // the heartbeat's line cannot be driven
)

// inputs are the board's input lines, watched for edges.
type inputs interface {
	Len() int
	Fd(chip int) int
	Read(chip int, b *gpiochip.Batch) error
	Levels() (uint8, error)
}

// outputs are the board's output lines.
type outputs interface {
	Set(mask, levels uint8) error
}

// clock is the board's clock.
type clock interface {
	Ns() int64
	Now() wire.Tick
	Tick(ns int64) wire.Tick
	Until(t wire.Tick) time.Duration
	Spin(t wire.Tick) wire.Tick
	Check() error
}

// waiter waits for edges, the link and time.
type waiter interface {
	Sleep(until int64, writable bool) (timeUp bool, err error)
	Poll() (any bool, err error)
	Ready(i int) bool
	Close() error
}

// thread follows whether timing matters: while the board is armed.
type thread interface {
	Arm()
	Disarm()
}

// loop is a running board.
type loop struct {
	clock     clock
	waiter    waiter
	link      *realtime.Link
	inputs    inputs
	outputs   outputs
	board     *executor.Executor
	lead      realtime.Lead
	thread    thread     // nil: none
	heartbeat *heartbeat // nil: none

	active      bool      // the board is armed, or an output is on
	housekept   int64     // when the disarmed board last did its housekeeping
	driveAt     wire.Tick // with hold: outputs must not change before
	hold        bool
	heartbeatAt wire.Tick // with beating: when the heartbeat wants a pass
	beating     bool

	batches []gpiochip.Batch // one a chip
	next    []int            // in each batch, the edge to deliver next
	levels  uint8            // of the inputs, as last delivered to the board
	bytes   [256]byte        // some frames: those of one read get the same time
}

func newLoop(ctx context.Context, state trigger.State, in inputs, out outputs, link *realtime.Link, levels uint8) (
	*loop, error,
) {
	clock, err := realtime.NewClock()
	if err != nil {
		return nil, err
	}
	fds := []int{link.Fd()}
	for chip := range in.Len() {
		fds = append(fds, in.Fd(chip))
	}
	waiter, err := realtime.NewWaiter(ctx, fds...)
	if err != nil {
		return nil, err
	}
	warmUp()
	return assemble(state, clock, waiter, in, out, link, levels), nil
}

// assemble makes a loop of its parts, and touches the memory that edges will be read into.
func assemble(state trigger.State, c clock, w waiter, in inputs, out outputs, link *realtime.Link, levels uint8) *loop {
	l := &loop{clock: c, waiter: w, housekept: c.Ns(), link: link, inputs: in, outputs: out, levels: levels,
		batches: make([]gpiochip.Batch, in.Len()), next: make([]int, in.Len())}
	for chip := range l.batches {
		b := gpiochip.NewBatch()
		clear(b.Events[:cap(b.Events)])
		l.batches[chip] = b
	}
	l.board = executor.New(state, l, link)
	return l
}

// Drive switches outputs, not before they are due, and returns when they had changed.
func (l *loop) Drive(mask, levels uint8) (wire.Tick, error) {
	if l.hold {
		l.clock.Spin(l.driveAt)
	}
	err := l.outputs.Set(mask, levels)
	return l.clock.Now(), err
}

// run runs the board until ctx is done or the host is gone. However it returns, the outputs go safe first.
func (l *loop) run(ctx context.Context) (err error) {
	defer func() {
		err = errors.Join(err, l.board.Safe(l.clock.Now()))
		_ = l.link.Flush() // the host may be gone
		if l.active && l.thread != nil {
			l.thread.Disarm() // the next host may be long in coming
		}
	}()
	l.board.Start(l.clock.Now())
	for ctx.Err() == nil {
		switch err := l.step(); {
		case errors.Is(err, io.EOF):
			return nil
		case err != nil:
			return err
		}
	}
	return nil
}

// step waits for the next thing to happen and handles it. While armed it allocates nothing.
func (l *loop) step() error {
	if err := l.tickHeartbeat(); err != nil {
		return l.fail(faultHeartbeat, err)
	}
	if err := l.wait(); err != nil {
		return err
	}
	if err := l.deliverEdges(); err != nil {
		return err
	}
	if err := l.serviceLink(); err != nil {
		return err
	}
	return l.followState()
}

func (l *loop) tickHeartbeat() (err error) {
	if l.heartbeat == nil {
		return nil
	}
	cue, cued := l.board.Next()
	l.heartbeatAt, l.beating, err = l.heartbeat.tick(l.clock.Now(), cue, cued, !l.board.OutputsUncertain())
	return err
}

// wait sleeps until shortly before the board wants to be woken, then spins. It returns early for an edge or the host.
func (l *loop) wait() error {
	now := l.clock.Ns()
	ahead := l.lead.Ahead(now)
	next, timed := l.board.Next()
	if timed && l.clock.Until(next) <= ahead {
		return l.spinUntil(next, now)
	}
	until := l.nextWake(now)
	if timed {
		until = earlier(until, now+int64(l.clock.Until(next)-ahead))
	}
	timeUp, err := l.waiter.Sleep(until, l.link.Pending())
	if timeUp {
		l.lead.Woke(time.Duration(l.clock.Ns() - until))
	}
	return err
}

// nextWake is when the loop wants a pass whatever the board wants, 0 for never.
func (l *loop) nextWake(now int64) (until int64) {
	if l.beating {
		until = now + int64(l.clock.Until(l.heartbeatAt))
	}
	if l.active {
		return earlier(until, now+int64(armedWakeEvery))
	}
	return earlier(until, l.housekept+int64(housekeepEvery))
}

// earlier is the first of two times, either of which may be 0 for never.
func earlier(a, b int64) int64 {
	if a == 0 || b != 0 && b < a {
		return b
	}
	return a
}

// spinUntil spins until next, polling for edges and the host: if there is something it returns and leaves the rest for
// later. Shortly before next it lets the board act, which then switches its outputs at next and not before.
func (l *loop) spinUntil(next wire.Tick, since int64) error {
	for l.clock.Until(next) > decideAhead {
		if any, err := l.waiter.Poll(); any || err != nil {
			l.noteSpin(since)
			return err
		}
	}
	now := l.clock.Now()
	if now.Before(next) {
		now = next
	}
	l.driveAt, l.hold = next, true
	l.board.Wake(now)
	l.hold = false
	l.clock.Spin(next) // which the board was given as the time
	l.noteSpin(since)
	_, err := l.waiter.Poll()
	return err
}

func (l *loop) noteSpin(since int64) {
	now := l.clock.Ns()
	l.lead.Spun(now, time.Duration(now-since))
}

// followState prepares the thread when the board arms, and does the housekeeping when it has disarmed and from time to
// time after that.
func (l *loop) followState() error {
	state := l.board.State()
	code := state.Code()
	active := code == wire.Armed || code == wire.Firing || code == wire.Resting || state.Outputs() != 0
	switch {
	case active && !l.active:
		l.active = true
		if l.thread != nil {
			l.thread.Arm()
		}
	case active:
	case l.active, l.clock.Ns()-l.housekept >= int64(housekeepEvery):
		l.active = false
		return l.housekeep()
	}
	return nil
}

// housekeep collects garbage and checks that the clock still agrees with that of the edges.
func (l *loop) housekeep() error {
	l.housekept = l.clock.Ns()
	if l.heartbeat != nil {
		l.heartbeat.report()
	}
	if l.thread != nil {
		l.thread.Disarm()
	}
	if err := l.clock.Check(); err != nil {
		return l.fail(faultClock, err)
	}
	return nil
}

// deliverEdges delivers the edges that wait, of all chips in the order of their stamps.
func (l *loop) deliverEdges() error {
	gap, err := l.readEdges()
	if err != nil {
		return l.fail(faultInputs, err)
	}
	if gap {
		l.reportLost()
	}
	for n, chip := 1, l.earliest(); chip >= 0; n, chip = n+1, l.earliest() {
		e := l.batches[chip].Events[l.next[chip]]
		l.next[chip]++
		l.edge(e.Input, e.High, l.clock.Tick(e.At))
		if n%edgesPerLook != 0 {
			continue
		}
		if _, err := l.waiter.Poll(); err != nil {
			return err
		}
		if err := l.serviceLink(); err != nil {
			return err
		}
	}
	if !gap {
		return nil
	}
	if err := l.resyncLevels(); err != nil {
		return l.fail(faultInputs, err)
	}
	return nil
}

// readEdges reads the edges that wait into the batches, and reports whether some were lost.
func (l *loop) readEdges() (gap bool, err error) {
	ready := false
	for chip := range l.batches {
		ready = ready || l.waiter.Ready(1+chip)
	}
	if !ready {
		return false, nil
	}
	for chip := range l.batches {
		if err := l.inputs.Read(chip, &l.batches[chip]); err != nil {
			return false, err
		}
		l.next[chip] = 0
		gap = gap || l.batches[chip].Gap
	}
	return gap, nil
}

// fail reports a fault of the board itself to the host, and returns err, which ends the loop.
func (l *loop) fail(detail uint32, err error) error {
	l.board.Fault(l.clock.Now(), detail)
	_ = l.link.Flush()
	return err
}

// earliest is the chip whose next edge is the oldest, or -1.
func (l *loop) earliest() int {
	first := -1
	var at int64
	for chip, b := range l.batches {
		if i := l.next[chip]; i < len(b.Events) && (first < 0 || b.Events[i].At < at) {
			first, at = chip, b.Events[i].At
		}
	}
	return first
}

func (l *loop) edge(input uint8, high bool, at wire.Tick) {
	l.levels &^= 1 << input
	if high {
		l.levels |= 1 << input
	}
	now := l.clock.Now()
	if now.Before(at) { // by no more than the clock's uncertainty
		at = now
	}
	l.board.Edge(now, input, high, at)
}

// reportLost reports lost edges to the board before the edges that came after them.
func (l *loop) reportLost() {
	now := l.clock.Now()
	for chip := range l.batches {
		for input, n := range l.batches[chip].Lost {
			if n > 0 {
				l.board.Lost(now, uint8(input), n, now)
			}
		}
	}
}

// resyncLevels delivers changes of level that the board missed because edges were lost: a kill switch must not be
// missed.
func (l *loop) resyncLevels() error {
	levels, err := l.inputs.Levels()
	if err != nil {
		return err
	}
	for input := range uint8(wire.MaxPins) {
		if (levels^l.levels)>>input&1 != 0 {
			l.edge(input, levels>>input&1 != 0, l.clock.Now())
		}
	}
	return nil
}

// serviceLink reads from the link and writes to it.
func (l *loop) serviceLink() error {
	if err := l.readLink(); err != nil {
		return err
	}
	return l.link.Flush()
}

// readLink passes on what the host sent. io.EOF: the host is gone.
func (l *loop) readLink() error {
	if !l.waiter.Ready(0) {
		return nil
	}
	n, err := l.link.Read(l.bytes[:])
	if err != nil {
		return err
	}
	if n > 0 {
		l.board.Bytes(l.clock.Now(), l.bytes[:n])
	}
	return nil
}
