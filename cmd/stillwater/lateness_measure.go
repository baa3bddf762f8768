package main

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"stillwater/internal/board"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

// How a board without pins is measured.
const (
	nullShots = 4                      // with one program
	nullWidth = 100 * time.Microsecond // of a pulse
	// anyLateness is the limit given to the board: every pulse is to be measured, however late it is.
	anyLateness = time.Second
)

// How a real output is measured.
const (
	// loopEvery leaves the board's reports of an input, one in 50 ms, time to tell each edge apart.
	loopEvery = 120 * time.Millisecond
	// flashEvery keeps what shines to less than three flashes a second: flashing light can trigger epilepsy.
	flashEvery = 350 * time.Millisecond
	loopWidth  = 2 * time.Millisecond
	loopAnswer = 250 * time.Millisecond // within which an edge that comes must have been told
)

// latenessBench measures by way of the board protocol, as a shot is fired.
type latenessBench struct {
	client   *board.Client
	interval time.Duration
	output   int // of a real board; -1: all outputs of a board without pins
	input    int // -1: none
	progress func(done int)
	done     int
}

// measure fires n pulses at random times.
func (b *latenessBench) measure(ctx context.Context, n int, random *rand.Rand) ([]pulseTime, error) {
	pulses := make([]pulseTime, 0, n)
	for len(pulses) < n {
		fire := b.nullShots
		if b.output >= 0 {
			fire = b.realShot
		}
		more, err := fire(ctx, random)
		if err != nil {
			return nil, err
		}
		more = more[:min(len(more), n-len(pulses))]
		pulses = append(pulses, more...)
		b.done += len(more)
		b.progress(b.done)
	}
	return pulses, nil
}

// nullShots fires some shots, each with a pulse on every output.
func (b *latenessBench) nullShots(ctx context.Context, random *rand.Rand) (pulses []pulseTime, err error) {
	p := b.program()
	at := time.Duration(0)
	for output := range b.client.Identity().Outputs {
		at += b.random(random, b.interval)
		p.Cues = append(p.Cues, shot.Cue{Output: uint8(output), Offset: at, Width: nullWidth})
	}
	if err := b.arm(ctx, p, nullShots); err != nil {
		return nil, err
	}
	for range nullShots {
		s, _, err := b.fire(ctx)
		if err != nil {
			return nil, err
		}
		for _, c := range s.Cues {
			pulses = append(pulses, pulseTime{software: b.late(c)})
		}
	}
	return pulses, nil
}

// realShot fires one pulse of one real output, and waits for its edge at the input if there is one.
func (b *latenessBench) realShot(ctx context.Context, random *rand.Rand) ([]pulseTime, error) {
	out := b.client.Identity().Outputs[b.output]
	p := b.program()
	p.Cues = []shot.Cue{{Output: uint8(b.output), Offset: b.random(random, b.interval),
		Width: min(loopWidth, out.MaxOn)}}
	if err := b.arm(ctx, p, 1); err != nil {
		return nil, err
	}
	if err := b.rest(ctx, out.Kind); err != nil {
		return nil, err
	}
	s, edge, err := b.fire(ctx)
	if err != nil {
		return nil, err
	}
	c := s.Cues[0]
	pulse := pulseTime{software: b.late(c)}
	if b.input >= 0 {
		planned := wire.Tick(uint64(c.Planned / b.client.Identity().Tick))
		pulse.looped = true
		pulse.stamped = time.Duration(edge.At.Sub(planned)) * b.client.Identity().Tick
	}
	return []pulseTime{pulse}, nil
}

// rest waits from one pulse to the next, and forgets what the board tells meanwhile: the edge of a pulse's end is not
// to be taken for the next one's beginning.
func (b *latenessBench) rest(ctx context.Context, kind wire.OutputKind) error {
	rest := time.NewTimer(restOf(kind))
	defer rest.Stop()
	for {
		select {
		case e, ok := <-b.client.Events():
			if !ok || e.Gone != nil {
				return errors.Join(board.ErrGone, e.Gone)
			}
		case <-rest.C:
			return nil
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

// restOf is the time from one pulse of an output to the next.
func restOf(kind wire.OutputKind) time.Duration {
	if kind == wire.OutputFlash || kind == wire.OutputLamp {
		return flashEvery
	}
	return loopEvery
}

// late is how late a pulse began. The board cuts its times off to whole ticks and the plan is one: a tick is added, so
// that no lateness looks smaller than it was.
func (b *latenessBench) late(c board.CueReport) time.Duration {
	return c.Late() + b.client.Identity().Tick
}

// random is a time around the mean given: half of it to half as much again, to the tick.
func (b *latenessBench) random(r *rand.Rand, mean time.Duration) time.Duration {
	return (mean/2 + time.Duration(r.Int64N(int64(mean)))).Truncate(b.client.Identity().Tick)
}

// program is one without a clock input: Go begins it.
func (b *latenessBench) program() shot.Program {
	return shot.Program{Nth: 1, Table: []shot.Point{{Delay: b.client.Identity().Lead}}, Late: anyLateness}
}

func (b *latenessBench) arm(ctx context.Context, p shot.Program, shots int) error {
	if err := b.client.Load(ctx, p); err != nil {
		return err
	}
	return b.client.Arm(ctx, shots)
}

// fire gives Go and waits until the shot is over, and for the first edge at the input if there is one.
func (b *latenessBench) fire(ctx context.Context) (s board.Shot, edge wire.Edge, err error) {
	ctx, cancel := context.WithTimeoutCause(ctx, 10*time.Second, errors.New("the board did not end its shot"))
	defer cancel()
	if err := b.client.Go(ctx); err != nil {
		return s, edge, err
	}
	over, seen := false, b.input < 0
	var noEdge <-chan time.Time
	for !over || !seen {
		select {
		case e, ok := <-b.client.Events():
			switch {
			case !ok:
				return s, edge, board.ErrGone
			case e.Gone != nil:
				return s, edge, e.Gone
			case e.Fault != nil:
				return s, edge, fmt.Errorf("the board is in fault: %v", e.Fault.Reason)
			case e.Shot != nil:
				s, over = *e.Shot, true
				noEdge = time.After(loopAnswer)
			case e.Edge != nil && int(e.Edge.Input) == b.input && !seen:
				if edge, seen = *e.Edge, true; edge.Count != 1 {
					return s, edge, b.crowded(edge.Count)
				}
			}
		case <-noEdge:
			return s, edge, b.unlooped()
		case <-ctx.Done():
			return s, edge, context.Cause(ctx)
		}
	}
	if s.Status != wire.Done || s.Missing > 0 || len(s.Cues) == 0 {
		return s, edge, fmt.Errorf("the board's shot ended as %q with %d of its pulses reported", s.Status, len(s.Cues))
	}
	return s, edge, nil
}

// unlooped says what to look at when no edge came back.
func (b *latenessBench) unlooped() error {
	id := b.client.Identity()
	return fmt.Errorf("output %q switched and no edge came in at input %q: wire the output's pin to the input's pin "+
		"(3.3 V only), and see that the input's bias and debounce let the edge through", id.Outputs[b.output].Name,
		id.Inputs[b.input].Name)
}

// crowded says that more than the pulse's beginning was seen.
func (b *latenessBench) crowded(n uint16) error {
	return fmt.Errorf("input %q saw %d edges where one was expected: see that nothing else is connected to it, and that "+
		"it is wired to output %q", b.client.Identity().Inputs[b.input].Name, n,
		b.client.Identity().Outputs[b.output].Name)
}
