package main

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
	// blindFor is how long before a pulse the loop stops looking at edges and host. In that time the logic decides what
	// to switch, so that nothing is left to do at the moment but to switch it.
	blindFor = 20 * time.Microsecond
	// practiceEvery is how often an armed board wakes up for nothing but to see how late it does.
	practiceEvery = 20 * time.Millisecond
	// tendEvery is how often a board that stays disarmed looks after itself.
	tendEvery = time.Minute
)

// edgesPerLook is how many edges are delivered before the host is listened to again: what waits after a storm of
// edges, a thousand a chip, must not hold up a disarm. Time needs no such care: each edge is delivered with the time it
// is then, and what is due goes first.
const edgesPerLook = 32

// The board's own trouble, the Detail of a fault with wire.ReasonBoard.
const (
	troubleInputs = executor.FaultOwn + iota // edges or levels cannot be read
	troubleClock                             // the clock drifted
	troublePulse                             // the heartbeat's line cannot be driven
)

// sensors are the board's inputs, watched.
type sensors interface {
	Len() int
	Fd(chip int) int
	Read(chip int, b *gpiochip.Batch) error
	Levels() (uint8, error)
}

// switches are the board's outputs.
type switches interface {
	Set(mask, levels uint8) error
}

// timekeeper is the board's clock.
type timekeeper interface {
	Ns() int64
	Now() wire.Tick
	Tick(ns int64) wire.Tick
	Until(t wire.Tick) time.Duration
	Spin(t wire.Tick) wire.Tick
	Check() error
}

// sleeper waits for edges, the host and time.
type sleeper interface {
	Sleep(until int64, writable bool) (timeUp bool, err error)
	Poll() (any bool, err error)
	Ready(i int) bool
	Close() error
}

// attention is what the process gives to its timing while the board is armed, and makes up for when it no longer is.
type attention interface {
	Arm()
	Disarm()
}

// pulse is looked after once in each pass of a healthy loop; next is when it wants the next pass. cue is when the board
// wants to be woken, if it is cued; sure says that the outputs are as they were last driven.
type pulse interface {
	beat(now, cue wire.Tick, cued, sure bool) (next wire.Tick, ok bool, err error)
	rest() // there is time to say how it went: nothing is armed
}

// loop is a running board.
type loop struct {
	clock   timekeeper
	waiter  sleeper
	link    *realtime.Link
	inputs  sensors
	outputs switches
	board   *executor.Executor
	lead    realtime.Lead
	thread  attention // nil: none
	pulse   pulse     // nil: none
	awake   bool      // the board is armed, or an output is on
	tended  int64     // when the disarmed board last looked after itself
	due     wire.Tick // with timed: outputs must not change before
	timed   bool
	beatAt  wire.Tick // with beats: when the pulse wants a pass
	beats   bool
	batches []gpiochip.Batch // one a chip
	next    []int            // in each batch, the edge to deliver next
	levels  uint8            // of the inputs, as last told to the board
	bytes   [256]byte        // some frames: all of one read are judged at one time
}

func newLoop(ctx context.Context, state trigger.State, in sensors, out switches, link *realtime.Link, levels uint8) (
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
	rehearse()
	return loopOn(state, clock, waiter, in, out, link, levels), nil
}

// loopOn makes a loop of its parts, and touches the memory that edges will come into.
func loopOn(state trigger.State, clock timekeeper, waiter sleeper, in sensors, out switches, link *realtime.Link,
	levels uint8) *loop {
	l := &loop{clock: clock, waiter: waiter, tended: clock.Ns(), link: link, inputs: in, outputs: out, levels: levels,
		batches: make([]gpiochip.Batch, in.Len()), next: make([]int, in.Len())}
	for chip := range l.batches {
		b := gpiochip.NewBatch()
		clear(b.Events[:cap(b.Events)])
		l.batches[chip] = b
	}
	l.board = executor.New(state, l, link)
	return l
}

// Drive switches outputs, not before they are due, and says when they had changed.
func (l *loop) Drive(mask, levels uint8) (wire.Tick, error) {
	if l.timed {
		l.clock.Spin(l.due)
	}
	err := l.outputs.Set(mask, levels)
	return l.clock.Now(), err
}

// run runs the board until ctx is done or the host is gone. On the way out, whatever the way, outputs go safe.
func (l *loop) run(ctx context.Context) (err error) {
	defer func() {
		err = errors.Join(err, l.board.Safe(l.clock.Now()))
		_ = l.link.Flush() // the host may be gone
		if l.awake && l.thread != nil {
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

// step waits for the next thing to happen and deals with it. While armed it allocates nothing.
func (l *loop) step() error {
	if err := l.beat(); err != nil {
		return l.giveUp(troublePulse, err)
	}
	if err := l.wait(); err != nil {
		return err
	}
	if err := l.sense(); err != nil {
		return err
	}
	if err := l.talk(); err != nil {
		return err
	}
	return l.attend()
}

func (l *loop) beat() (err error) {
	if l.pulse == nil {
		return nil
	}
	cue, cued := l.board.Next()
	l.beatAt, l.beats, err = l.pulse.beat(l.clock.Now(), cue, cued, !l.board.OutputsUncertain())
	return err
}

// wait sleeps until shortly before the board wants to be woken, then spins. It returns early for an edge or the host.
func (l *loop) wait() error {
	now := l.clock.Ns()
	ahead := l.lead.Ahead(now)
	next, timed := l.board.Next()
	if timed && l.clock.Until(next) <= ahead {
		return l.meet(next, now)
	}
	until := l.rouse(now)
	if timed {
		until = earlier(until, now+int64(l.clock.Until(next)-ahead))
	}
	timeUp, err := l.waiter.Sleep(until, l.link.Pending())
	if timeUp {
		l.lead.Woke(time.Duration(l.clock.Ns() - until))
	}
	return err
}

// rouse is when the loop wants to come round whatever the board wants, 0 for never.
func (l *loop) rouse(now int64) (until int64) {
	if l.beats {
		until = now + int64(l.clock.Until(l.beatAt))
	}
	if l.awake {
		return earlier(until, now+int64(practiceEvery))
	}
	return earlier(until, l.tended+int64(tendEvery))
}

// earlier is the first of two times, either of which may be 0 for never.
func earlier(a, b int64) int64 {
	if a == 0 || b != 0 && b < a {
		return b
	}
	return a
}

// meet spins until next, and looks at edges and the host on the way: if there is something it leaves the rest for
// later. At last it lets the board act, which then switches its outputs at next and not before.
func (l *loop) meet(next wire.Tick, since int64) error {
	for l.clock.Until(next) > blindFor {
		if any, err := l.waiter.Poll(); any || err != nil {
			l.spun(since)
			return err
		}
	}
	now := l.clock.Now()
	if now.Before(next) {
		now = next
	}
	l.due, l.timed = next, true
	l.board.Wake(now)
	l.timed = false
	l.clock.Spin(next) // the board was told that it is
	l.spun(since)
	_, err := l.waiter.Poll()
	return err
}

func (l *loop) spun(since int64) {
	now := l.clock.Ns()
	l.lead.Spun(now, time.Duration(now-since))
}

// attend gives the process's attention to a board that arms. One that is disarmed has time to look after itself, at
// once and then now and again.
func (l *loop) attend() error {
	state := l.board.State()
	code := state.Code()
	awake := code == wire.Armed || code == wire.Firing || code == wire.Resting || state.Outputs() != 0
	switch {
	case awake && !l.awake:
		l.awake = true
		if l.thread != nil {
			l.thread.Arm()
		}
	case awake:
	case l.awake, l.clock.Ns()-l.tended >= int64(tendEvery):
		l.awake = false
		return l.tend()
	}
	return nil
}

// tend collects garbage and looks whether the clock still tells the time of the edges.
func (l *loop) tend() error {
	l.tended = l.clock.Ns()
	if l.pulse != nil {
		l.pulse.rest()
	}
	if l.thread != nil {
		l.thread.Disarm()
	}
	if err := l.clock.Check(); err != nil {
		return l.giveUp(troubleClock, err)
	}
	return nil
}

// sense delivers the edges that wait, of all chips in the order of their stamps.
func (l *loop) sense() error {
	gap, err := l.read()
	if err != nil {
		return l.giveUp(troubleInputs, err)
	}
	if gap {
		l.lost()
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
		if err := l.talk(); err != nil {
			return err
		}
	}
	if !gap {
		return nil
	}
	if err := l.level(); err != nil {
		return l.giveUp(troubleInputs, err)
	}
	return nil
}

// read takes the edges that wait into the batches, and says whether some were lost.
func (l *loop) read() (gap bool, err error) {
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

// giveUp is the end of a board that cannot see its inputs or tell their time.
func (l *loop) giveUp(trouble uint32, err error) error {
	l.board.Fault(l.clock.Now(), trouble)
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
	if now.Before(at) { // by no more than the clock's doubt
		at = now
	}
	l.board.Edge(now, input, high, at)
}

// lost tells the board about lost edges before the edges that came after them.
func (l *loop) lost() {
	now := l.clock.Now()
	for chip := range l.batches {
		for input, n := range l.batches[chip].Lost {
			if n > 0 {
				l.board.Lost(now, uint8(input), n, now)
			}
		}
	}
}

// level tells the board levels that it cannot know because edges were lost: a kill switch must not be missed.
func (l *loop) level() error {
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

// talk hears the host and lets it hear.
func (l *loop) talk() error {
	if err := l.listen(); err != nil {
		return err
	}
	return l.link.Flush()
}

// listen passes on what the host sent. io.EOF: the host is gone.
func (l *loop) listen() error {
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
