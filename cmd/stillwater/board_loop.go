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

// spinLead is how long before a wake-up sleeping ends and spinning begins, which has to cover how late a sleep ends.
const spinLead = 200 * time.Microsecond

// edgesPerLook is how many edges are delivered before the host is listened to again: what waits after a storm of
// edges, a thousand a chip, must not hold up a disarm. Time needs no such care: each edge is delivered with the time it
// is then, and what is due goes first.
const edgesPerLook = 32

// The board's own trouble, the Detail of a fault with wire.ReasonBoard.
const troubleInputs = executor.TroubleOwn // edges or levels cannot be read

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

// loop is a running board.
type loop struct {
	clock   *realtime.Clock
	waiter  *realtime.Waiter
	link    *realtime.Link
	inputs  sensors
	outputs switches
	board   *executor.Executor
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
	l := &loop{clock: clock, waiter: waiter, link: link, inputs: in, outputs: out, levels: levels,
		batches: make([]gpiochip.Batch, in.Len()), next: make([]int, in.Len())}
	for chip := range l.batches {
		l.batches[chip] = gpiochip.NewBatch()
	}
	l.board = executor.New(state, l, link)
	return l, nil
}

// Drive switches outputs and says when they had changed.
func (l *loop) Drive(mask, levels uint8) (wire.Tick, error) {
	err := l.outputs.Set(mask, levels)
	return l.clock.Now(), err
}

// run runs the board until ctx is done or the host is gone. On the way out, whatever the way, outputs go safe.
func (l *loop) run(ctx context.Context) (err error) {
	defer func() {
		err = errors.Join(err, l.board.Safe(l.clock.Now()))
		_ = l.link.Flush() // the host may be gone
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

// step waits for the next thing to happen and deals with it. It allocates nothing.
func (l *loop) step() error {
	if err := l.wait(); err != nil {
		return err
	}
	if err := l.sense(); err != nil {
		return err
	}
	return l.talk()
}

// wait sleeps until shortly before the board wants to be woken, then spins. It returns early for an edge or the host,
// but not out of the spin.
func (l *loop) wait() error {
	next, timed := l.board.Next()
	left := l.clock.Until(next)
	switch {
	case timed && left <= spinLead:
		l.board.Wake(l.clock.Spin(next))
		return l.waiter.Poll()
	case timed:
		return l.waiter.Sleep(l.clock.Ns()+int64(left-spinLead), l.link.Pending())
	default:
		return l.waiter.Sleep(0, l.link.Pending())
	}
}

// sense delivers the edges that wait, of all chips in the order of their stamps.
func (l *loop) sense() error {
	gap, err := l.read()
	if err != nil {
		return l.blind(err)
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
		if err := l.waiter.Poll(); err != nil {
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
		return l.blind(err)
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

// blind is the end of a board that cannot see its inputs.
func (l *loop) blind(err error) error {
	l.board.Trouble(l.clock.Now(), troubleInputs)
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
