package setup

import (
	"context"
	"fmt"
	"strings"
	"time"

	"stillwater/internal/board"
	"stillwater/internal/care"
	"stillwater/internal/control"
	"stillwater/internal/wire"
)

// Board is a board at rest, whose sensors and outputs are tried.
type Board interface {
	Identity() board.Identity
	Events() <-chan board.Event
	Disarm(ctx context.Context) error
	Pulse(ctx context.Context, output uint8, width time.Duration) error
	Close() error
}

// Trial is the result of trying one sensor or output.
type Trial struct {
	Name   string `json:"name"`
	Result string `json:"result"` // "works", "skipped", "not connected" or what is wrong
}

// Works is the result of what was seen to work; absent that of a pin to which nothing is connected.
const (
	Works  = "works"
	absent = "not connected"
)

// restPulse keeps tests to less than three flashes a second: flashing light can trigger epilepsy.
const restPulse = 400 * time.Millisecond

// settleTime is three times as long as a board may keep an edge to itself.
const settleTime = 150 * time.Millisecond

// Try has each sensor tried, then each output.
func (t *Terminal) Try(ctx context.Context, b Board) ([]Trial, error) {
	t.Say("\nEach sensor now, one after the other. Enter alone goes on to the next one; %s says that\n"+
		"there is none.", No)
	var all []Trial
	for i, in := range b.Identity().Inputs {
		result, err := t.trySensor(ctx, b, uint8(i), in)
		if err != nil {
			return all, err
		}
		all = append(all, Trial{in.Name, result})
	}
	held, err := t.outputsMay(ctx)
	if held && err == nil {
		err = b.Disarm(ctx) // the kill switch that was tried stops everything until it is released and this is said
	}
	for i, out := range b.Identity().Outputs {
		result := "skipped"
		if held && err == nil {
			result, err = t.tryOutput(ctx, b, uint8(i), out)
		}
		if err != nil {
			return all, err
		}
		all = append(all, Trial{out.Name, result})
	}
	return all, err
}

// toDo is what makes a sensor see something.
func toDo(in board.InputInfo) string {
	for _, p := range Parts() {
		if p.Name == in.Name && p.try != "" {
			return p.try
		}
	}
	switch in.Kind {
	case wire.InputMicrophone:
		return "clap"
	case wire.InputKill, wire.InputButton:
		return "press " + in.Name + ", and release it"
	case wire.InputSync:
		return "release the camera by hand"
	}
	return "break the beam " + in.Name
}

func (t *Terminal) trySensor(ctx context.Context, b Board, input uint8, in board.InputInfo) (string, error) {
	if err := t.settle(ctx, b); err != nil {
		return "", err
	}
	t.Say("%s: %s now ...", in.Name, toDo(in))
	for {
		select {
		case <-ctx.Done():
			return "", context.Cause(ctx)
		case line, more := <-t.lines:
			switch {
			case !more:
				return "", ErrEnded
			case strings.EqualFold(strings.TrimSpace(line), No):
				return absent, nil
			}
			t.Say("  nothing was seen: check its lead, supply, light and pin")
			return "nothing was seen", nil
		case e, more := <-b.Events():
			switch {
			case !more || e.Gone != nil:
				return "", gone(e)
			case e.Edge == nil || e.Edge.Input != input:
			case e.Edge.Count == 1 && e.Edge.High != in.ActiveHigh:
				t.Say("  it went to its idle level, where it should have been before: if you had not touched it, its level\n" +
					"  is the wrong way round (active), or it is not aligned. Once more:")
			default:
				t.Say("  seen.")
				return Works, nil
			}
		}
	}
}

func gone(e board.Event) error {
	if e.Gone != nil {
		return fmt.Errorf("the board disconnected: %w", e.Gone)
	}
	return board.ErrGone
}

// outputsMay asks whether it is safe to switch something on.
func (t *Terminal) outputsMay(ctx context.Context) (bool, error) {
	t.Say("\nThe outputs: each is switched once, when you say so, and only then. Is all of this true?")
	for _, c := range care.Checklist() {
		t.Say("- %s", c.Text)
	}
	return t.Confirm(ctx, "All of it, and no hand is near a valve or a flash", false)
}

// tryOutput switches an output once, if it is asked to, and asks what happened.
func (t *Terminal) tryOutput(ctx context.Context, b Board, output uint8, out board.OutputInfo) (string, error) {
	width := control.TrialWidth(out)
	yes, err := t.Confirm(ctx, fmt.Sprintf("%s: hands away. Switch it on for %v", out.Name, width), false)
	if err != nil || !yes {
		return "skipped", err
	}
	if err := b.Pulse(ctx, output, width); err != nil {
		t.Say("  it was not switched: %v", err)
		return "not switched: " + err.Error(), nil
	}
	if err := t.awaitPulse(ctx, b, output); err != nil {
		return "", err
	}
	if yes, err = t.Confirm(ctx, "  It was switched. Did it do what it should", true); err != nil || yes {
		return Works, err
	}
	t.Say("  its lead, its polarity, the unit's own switch, the kill switch, and whether the guard's lamps are lit")
	return "switched, and nothing happened", nil
}

// awaitPulse waits until the board says that the pulse is over, and as long as it takes until the next one may come.
func (t *Terminal) awaitPulse(ctx context.Context, b Board, output uint8) error {
	rest := time.NewTimer(restPulse)
	defer rest.Stop()
	for over, rested := false, false; !over || !rested; {
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case e, more := <-b.Events():
			if !more || e.Gone != nil {
				return gone(e)
			}
			over = over || e.Pulse != nil && e.Pulse.Output == output
		case <-rest.C:
			rested = true
		}
	}
	return nil
}

// settle takes what the board reported before now: it is not what somebody does next.
func (t *Terminal) settle(ctx context.Context, b Board) error {
	soon := time.NewTimer(settleTime)
	defer soon.Stop()
	for {
		select {
		case <-ctx.Done():
			return context.Cause(ctx)
		case e, more := <-b.Events():
			if !more || e.Gone != nil {
				return gone(e)
			}
		case <-soon.C:
			return nil
		}
	}
}

// worked counts the trials with a result.
func worked(trials []Trial) string {
	var not []string
	for _, one := range trials {
		if one.Result != Works && one.Result != absent {
			not = append(not, one.Name+" ("+one.Result+")")
		}
	}
	if len(not) == 0 {
		return "Everything that was tried works."
	}
	return "Not seen to work: " + strings.Join(not, ", ") + "."
}
