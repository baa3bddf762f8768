package bench

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
	// noLimit is the program's limit for lateness: every pulse is to be measured, however late it is.
	noLimit = time.Second
)

// How a real output is measured.
const (
	// loopInterval leaves the board's reports of an input, one in 50 ms, time to tell each edge apart.
	loopInterval = 120 * time.Millisecond
	// flashInterval keeps what shines to less than three flashes a second: flashing light can trigger epilepsy.
	flashInterval = 350 * time.Millisecond
	loopWidth     = 2 * time.Millisecond
	edgeTimeout   = 250 * time.Millisecond // within which an edge that came must be reported
)

// NoPin stands for no input, or for all outputs of a board without pins.
const NoPin = -1

// Bench measures through the board protocol, as a shot is fired.
type Bench struct {
	Client   *board.Client
	Interval time.Duration // mean, from pulse to pulse
	Output   int           // the output to switch, or NoPin
	Input    int           // the input that it is wired back to, or NoPin
	Progress func(done int)

	done int
}

// Pulse is how late one pulse began: as the board's software found after switching, and as the kernel stamped the edge
// at an input.
type Pulse struct {
	Software, Stamped time.Duration
	Looped            bool // Stamped holds
}

// Measure fires n pulses at random times.
func (b *Bench) Measure(ctx context.Context, n int, random *rand.Rand) ([]Pulse, error) {
	pulses := make([]Pulse, 0, n)
	for len(pulses) < n {
		fire := b.nullShots
		if b.Output >= 0 {
			fire = b.realShot
		}
		more, err := fire(ctx, random)
		if err != nil {
			return nil, err
		}
		more = more[:min(len(more), n-len(pulses))]
		pulses = append(pulses, more...)
		b.done += len(more)
		b.Progress(b.done)
	}
	return pulses, nil
}

// nullShots fires some shots, each with a pulse on every output.
func (b *Bench) nullShots(ctx context.Context, random *rand.Rand) (pulses []Pulse, err error) {
	p := b.program()
	at := time.Duration(0)
	for output := range b.Client.Identity().Outputs {
		at += b.random(random, b.Interval)
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
			pulses = append(pulses, Pulse{Software: b.late(c)})
		}
	}
	return pulses, nil
}

// realShot fires one pulse of one real output, and waits for its edge at the input if there is one.
func (b *Bench) realShot(ctx context.Context, random *rand.Rand) ([]Pulse, error) {
	out := b.Client.Identity().Outputs[b.Output]
	p := b.program()
	p.Cues = []shot.Cue{{Output: uint8(b.Output), Offset: b.random(random, b.Interval),
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
	pulse := Pulse{Software: b.late(c)}
	if b.Input >= 0 {
		planned := wire.Tick(uint64(c.Planned / b.Client.Identity().Tick))
		pulse.Looped = true
		pulse.Stamped = time.Duration(edge.At.Sub(planned)) * b.Client.Identity().Tick
	}
	return []Pulse{pulse}, nil
}

// rest waits from one pulse to the next, and discards what the board reports meanwhile: the edge of a pulse's end must
// not be taken for the next one's beginning.
func (b *Bench) rest(ctx context.Context, kind wire.OutputKind) error {
	rest := time.NewTimer(RestOf(kind))
	defer rest.Stop()
	for {
		select {
		case e, ok := <-b.Client.Events():
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

// RestOf is the least time from one pulse of a real output to the next.
func RestOf(kind wire.OutputKind) time.Duration {
	if kind == wire.OutputFlash || kind == wire.OutputLamp {
		return flashInterval
	}
	return loopInterval
}

// late is how late a pulse began. The board truncates its times to whole ticks, so a tick is added: no lateness looks
// smaller than it was.
func (b *Bench) late(c board.CueReport) time.Duration {
	return c.Late() + b.Client.Identity().Tick
}

// random is a time around the mean given: half of it to half as much again, to the tick.
func (b *Bench) random(r *rand.Rand, mean time.Duration) time.Duration {
	return (mean/2 + time.Duration(r.Int64N(int64(mean)))).Truncate(b.Client.Identity().Tick)
}

// program has no clock input: Go starts it.
func (b *Bench) program() shot.Program {
	return shot.Program{Nth: 1, Table: []shot.Point{{Delay: b.Client.Identity().Lead}}, Late: noLimit}
}

func (b *Bench) arm(ctx context.Context, p shot.Program, shots int) error {
	if err := b.Client.Load(ctx, p); err != nil {
		return err
	}
	return b.Client.Arm(ctx, shots)
}

// fire sends Go and waits until the shot is over, and for the first edge at the input if there is one.
func (b *Bench) fire(ctx context.Context) (s board.ShotReport, edge wire.Edge, err error) {
	ctx, cancel := context.WithTimeoutCause(ctx, 10*time.Second, errors.New("the board did not end its shot"))
	defer cancel()
	if err := b.Client.Go(ctx); err != nil {
		if refused := new(board.RefusedError); errors.As(err, &refused) && refused.Reason == wire.ReasonNotArmed {
			err = fmt.Errorf("%w; it disarmed by itself between two pulses, as it does when it hears nothing for a second: "+
				"give this machine less to do", err)
		}
		return s, edge, err
	}
	over, seen := false, b.Input < 0
	var noEdge <-chan time.Time
	for !over || !seen {
		select {
		case e, ok := <-b.Client.Events():
			switch {
			case !ok:
				return s, edge, board.ErrGone
			case e.Gone != nil:
				return s, edge, e.Gone
			case e.Fault != nil:
				return s, edge, fmt.Errorf("the board is in fault: %v", e.Fault.Reason)
			case e.Shot != nil:
				s, over = *e.Shot, true
				noEdge = time.After(edgeTimeout)
			case e.Edge != nil && int(e.Edge.Input) == b.Input && !seen:
				if edge, seen = *e.Edge, true; edge.Count != 1 {
					return s, edge, b.extraEdges(edge.Count)
				}
			}
		case <-noEdge:
			return s, edge, b.noEdge()
		case <-ctx.Done():
			return s, edge, context.Cause(ctx)
		}
	}
	if s.Status != wire.Done || s.Missing > 0 || len(s.Cues) == 0 {
		return s, edge, fmt.Errorf("the board's shot ended as %q with %d of its pulses reported", s.Status, len(s.Cues))
	}
	return s, edge, nil
}

// noEdge says what to check when no edge came back.
func (b *Bench) noEdge() error {
	id := b.Client.Identity()
	return fmt.Errorf("output %q switched and no edge came in at input %q: wire the output's pin to the input's pin "+
		"(3.3 V only), and see that the input's bias and debounce let the edge through", id.Outputs[b.Output].Name,
		id.Inputs[b.Input].Name)
}

// extraEdges says that more than the pulse's beginning was seen.
func (b *Bench) extraEdges(n uint16) error {
	return fmt.Errorf("input %q saw %d edges where one was expected: see that nothing else is connected to it, and that "+
		"it is wired to output %q", b.Client.Identity().Inputs[b.Input].Name, n,
		b.Client.Identity().Outputs[b.Output].Name)
}
