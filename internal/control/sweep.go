package control

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"stillwater/internal/phys"
	"stillwater/internal/sentence"
	"stillwater/internal/shot"
	"stillwater/internal/tuning"
)

// sweep is a plain sweep of the trim under way: each shot that is done takes the next.
type sweep struct {
	plan     tuning.Sweep
	shuffled bool
	trims    []time.Duration
	done     int
}

// SweepView is a sweep under way as the page shows it.
type SweepView struct {
	Tries int     `json:"tries"` // in all
	Done  int     `json:"done"`
	AtMs  float64 `json:"at_ms"` // the trim of the next
	Words string  `json:"words"`
}

// startSweep begins a sweep, or, with no tries of each trim, ends the one under way. The trim becomes the first.
func (c *Control) startSweep(client string, cmd Command) error {
	if cmd.Each == 0 {
		c.mu.Lock()
		defer c.mu.Unlock()
		if err := c.requireHolder(client); err != nil {
			return err
		}
		c.sweep = nil
		c.publish()
		return nil
	}
	made, err := newSweep(cmd)
	if err != nil {
		return err
	}
	c.mu.Lock()
	field := "trim." + string(c.set.Kind)
	c.sweep = nil
	c.mu.Unlock()
	if err := c.putField(client, field, trimText(made.trims[0])); err != nil {
		return err
	}
	c.update(func() {
		if c.set.OwnTrim().Duration() == made.trims[0] {
			c.sweep = made
		}
	})
	return nil
}

func newSweep(cmd Command) (*sweep, error) {
	fields := map[string]float64{"from_ms": cmd.FromMs, "to_ms": cmd.ToMs, "step_ms": cmd.StepMs}
	for name, value := range fields {
		if math.IsNaN(value) || math.Abs(value) > maxSweepMs {
			return nil, refusal(name, fmt.Sprintf("A sweep of trims goes from -%d to %d ms.", maxSweepMs, maxSweepMs),
				"Use a time in between.")
		}
	}
	s := &sweep{shuffled: cmd.Shuffled, plan: tuning.Sweep{From: inTicks(cmd.FromMs), To: inTicks(cmd.ToMs),
		Step: inTicks(cmd.StepMs), Each: cmd.Each}}
	var shuffle func(int, func(i, k int))
	if cmd.Shuffled {
		shuffle = rand.Shuffle
	}
	var err error
	if s.trims, err = s.plan.Trims(shuffle); err != nil {
		return nil, refusal("sweep", sentence.From(err.Error()), "Correct the sweep.")
	}
	return s, nil
}

// maxSweepMs is as far as a trim goes.
const maxSweepMs = 2000

// inTicks is a time of a sweep in whole tenths of a millisecond, as a trim is written.
func inTicks(ms float64) time.Duration {
	return time.Duration(math.Round(ms*10)) * (time.Millisecond / 10)
}

func trimText(trim time.Duration) string { return phys.Seconds(trim).String() }

// sweepOn takes the next trim of a sweep after a shot that was done, and ends it after the last. One whose trim a
// person has changed is over. The mutex is held.
func (c *Control) sweepOn(made shot.Set, ok bool) {
	s := c.sweep
	if s == nil || !ok {
		return
	}
	at := s.trims[s.done]
	if made.OwnTrim().Duration() != at {
		return // made before
	}
	if s.done++; s.done == len(s.trims) {
		c.sweep = nil
		c.notice = fmt.Sprintf("the sweep is done: %d tries. Judge them, and the best delay is worked out", len(s.trims))
		return
	}
	if next := s.trims[s.done]; next != at {
		c.tasks.run(func() { c.putSwept(s, next) })
	}
}

// putSwept puts the trim of a sweep into the set, as its holder would.
func (c *Control) putSwept(s *sweep, trim time.Duration) {
	c.mu.Lock()
	holder, field, still := c.phones.holder, "trim."+string(c.set.Kind), c.sweep == s
	c.mu.Unlock()
	if !still {
		return
	}
	if err := c.putField(holder, field, trimText(trim)); err != nil {
		c.update(func() {
			if c.sweep == s {
				c.sweep = nil
				c.notice = fmt.Sprintf("the sweep has ended because its next trim was refused: %v", err)
			}
		})
	}
}

// sweepIfOwn ends a sweep when the set is no longer as it left it. The mutex is held.
func (c *Control) sweepIfOwn(before, now shot.Set) {
	s := c.sweep
	if s == nil {
		return
	}
	before.Trim, now.Trim = shot.TrimSet{}, shot.TrimSet{}
	if trim := c.set.OwnTrim().Duration(); before != now || trim != s.trims[s.done] {
		c.sweep = nil
	}
}

// view is the sweep as the page shows it; nil: there is none.
func (s *sweep) view() *SweepView {
	if s == nil {
		return nil
	}
	order := "in order"
	if s.shuffled {
		order = "shuffled"
	}
	return &SweepView{Tries: len(s.trims), Done: s.done, AtMs: ms(s.trims[s.done]),
		Words: fmt.Sprintf("Sweep, %s: try %d of %d. Each shot takes the next trim.", order, s.done+1, len(s.trims))}
}
