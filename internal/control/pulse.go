package control

import (
	"context"
	"fmt"
	"strings"
	"time"

	"stillwater/internal/board"
	"stillwater/internal/sentence"
	"stillwater/internal/wire"
)

// minPulseInterval keeps tests to less than three flashes a second: flashing light can trigger epilepsy.
const minPulseInterval = 350 * time.Millisecond

// testDuration is how long a test switches an output on, if the board allows as much: long enough to be seen or heard,
// and no longer. Common practice, no source.
func testDuration(kind wire.OutputKind) time.Duration {
	switch kind {
	case wire.OutputFlash:
		return 5 * time.Millisecond
	case wire.OutputValve:
		return 50 * time.Millisecond
	}
	return 300 * time.Millisecond
}

// maxPriming is the longest run of a valve at one command: enough to fill a tip, too little to flood a table. Common
// practice, no source.
const maxPriming = time.Second

// TrialWidth is how long a test switches an output on: long enough to be seen or heard, and no longer than it may be.
func TrialWidth(out board.OutputInfo) time.Duration {
	return atMost(out, testDuration(out.Kind))
}

// primeWidth is how long priming opens a valve; 0: the output is none. It is a tenth below the longest on-time: a board
// that is busy and ends it a little late has no fault.
func primeWidth(out board.OutputInfo) time.Duration {
	if out.Kind != wire.OutputValve {
		return 0
	}
	if out.MaxOn > 0 {
		return min(maxPriming, out.MaxOn*9/10)
	}
	return maxPriming
}

// atMost is d, or as long as the output may be on if that is less.
func atMost(out board.OutputInfo, d time.Duration) time.Duration {
	if out.MaxOn > 0 {
		return min(d, out.MaxOn)
	}
	return d
}

func outputsOf(id board.Identity) []OutputView {
	list := []OutputView{}
	for _, out := range id.Outputs {
		list = append(list, OutputView{Name: out.Name, TestMs: ms(TrialWidth(out)), PrimeMs: ms(primeWidth(out))})
	}
	return list
}

// pulse tests one output, or primes a valve: opens it for nearly as long as it may be, so that its tip fills. What the
// board did comes as an event.
func (c *Control) pulse(ctx context.Context, client string, cmd Command) error {
	width, done := TrialWidth, "tested"
	if cmd.Type == "prime" {
		width, done = primeWidth, "primed"
	}
	c.mu.Lock()
	l, output, err := c.beginPulse(client, cmd, width)
	if err != nil {
		c.mu.Unlock()
		return err
	}
	ctx, q := c.beginRequest(ctx)
	c.mu.Unlock()
	err = l.board.Pulse(ctx, uint8(output), width(l.id.Outputs[output]))
	c.mu.Lock()
	defer c.mu.Unlock()
	c.endRequest(q)
	if err != nil {
		return refusal("output", fmt.Sprintf("The output %s was not %s: %v.", cmd.Output, done, err),
			"Check the board's state, then try again.")
	}
	return nil
}

// beginPulse checks everything that must be so before an output is switched by hand, and says which one is meant. The
// mutex is held.
func (c *Control) beginPulse(
	client string, cmd Command, width func(board.OutputInfo) time.Duration,
) (l *link, output int, err error) {
	if err := c.checkTest(client, cmd); err != nil {
		return nil, 0, err
	}
	for i, out := range c.link.id.Outputs {
		if out.Name != cmd.Output {
			continue
		}
		on := width(out)
		if on == 0 {
			return nil, 0, refusal("output", fmt.Sprintf("The output %s is not a valve.", cmd.Output),
				"Choose a valve to prime.")
		}
		// A coil that is on for at most half of the time heats up at most half as much: common practice, no source.
		c.nextPulse = time.Now().Add(max(minPulseInterval, 2*on))
		c.outputs[i].Tested, c.pulseWidth, c.priming = "", on, cmd.Type == "prime"
		return c.link, i, nil
	}
	return nil, 0, refusal("output", fmt.Sprintf("The board has no output %q.", cmd.Output), "Reload the page.")
}

// checkTest checks everything that must be so before an output is switched by hand. The mutex is held.
func (c *Control) checkTest(client string, cmd Command) error {
	if err := c.checkStart(client, cmd); err != nil {
		return err
	}
	if c.requireDisarmed("output", "") != nil {
		return refusal("output", "Outputs are not tested while armed.", "Disarm first.")
	}
	switch {
	case c.reachable() == nil:
		return refusal("output", sentence.From(c.reason), "Wait until it is connected.")
	case !c.careDone():
		return refusal("care", "The checklist is not done.", "Read and tick every point before anything is switched.")
	case c.measuringLag():
		return errMeasuring
	case time.Now().Before(c.nextPulse):
		return refusal("output", "That is too soon after the last one.", "Wait a second, so that nothing gets hot.")
	}
	return nil
}

// minCut is by how much a pulse must be shorter than planned to have been cut short, not just switched late as boards
// do: own choice.
const minCut = time.Millisecond

// cutWords say which valves were switched off before their opening was over; "" none.
func cutWords(r *run, cues ...board.CueReport) string {
	var cut []string
	for _, cue := range cues {
		if r == nil || !cue.Opening || cue.Index >= len(r.program.Opening) {
			continue
		}
		planned, on := r.program.Opening[cue.Index], cue.Off-cue.On
		if strings.HasPrefix(planned.Name, "valve") && on < planned.Width-minCut {
			name := planned.Name
			if name == "valve" {
				name = "the valve" // there is only one
			}
			cut = append(cut, fmt.Sprintf("%s was switched off after %.0f of %.0f ms", name, ms(on), ms(planned.Width)))
		}
	}
	return strings.Join(cut, "; ")
}

// handlePulse handles the report of a test pulse.
func (c *Control) handlePulse(p board.CueReport) {
	if int(p.Output) < len(c.outputs) {
		out := &c.outputs[p.Output]
		out.Tested = fmt.Sprintf("planned at once for %.1f ms; on after %.3f ms, for %.3f ms",
			ms(c.pulseWidth), ms(p.On-p.Planned), ms(p.Off-p.On))
		if c.priming {
			out.Tested = fmt.Sprintf("it ran for %.0f ms; repeat until it drips at once", ms(p.Off-p.On))
			if on := p.Off - p.On; on < c.pulseWidth-minCut {
				out.Tested = fmt.Sprintf("it was switched off after %.0f of %.0f ms; prime it again", ms(on), ms(c.pulseWidth))
			}
		}
	}
	c.lagPulse(p)
	c.publish()
}
