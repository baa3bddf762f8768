package control

import (
	"context"
	"errors"
	"fmt"
	"time"

	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

// In the simulated room things may be released at a pace of their own: while it is armed and the board waits for it,
// again and again, until the shots are made. That is part of the arming, and ends with it, whatever ends that. While
// nobody can see the holder's page nothing is released.

// Bounds of the pace: what is released is mostly over within two seconds, and after two minutes nobody looks. Own
// choice.
const (
	minPace = 2 * time.Second
	maxPace = 2 * time.Minute
)

// Most of what is released is at its moment within paceFlies. pacePause is the least time to the next release, in which
// the picture of the last is made. Own choice.
const (
	paceFlies = time.Second
	pacePause = time.Second
)

// openMargin is how long after the shutter should be open a release comes. Own choice.
const openMargin = 100 * time.Millisecond

// pace is how often something is released automatically.
type pace struct {
	every time.Duration
	last  time.Time // when something was let go last; zero: nothing was
	next  time.Time // when the next is due; zero: the board is not ready for one
	timer *timer
}

// checkPace refuses a pace that is impossible. The mutex is held.
func (c *Control) checkPace(cmd Command) error {
	every := time.Duration(cmd.PaceS) * time.Second
	switch {
	case cmd.PaceS == 0:
		return nil
	case c.opts.Room == nil:
		return refusal("pace_s", "Only in the simulated room are things let go by themselves.", "Arm without a pace.")
	case every < minPace || every > maxPace:
		return refusal("pace_s", fmt.Sprintf("Nothing can be let go every %d s.", cmd.PaceS),
			fmt.Sprintf("Ask for %d to %d s.", minPaceFor(c.plan.program, cmd.Dry)/time.Second, maxPace/time.Second))
	case every < minPaceFor(c.plan.program, cmd.Dry):
		return refusal("pace_s", fmt.Sprintf("Nothing can be let go every %d s: %s.", cmd.PaceS,
			whyNoSooner(c.plan.program, cmd.Dry)), fmt.Sprintf("Ask for %d s or more.",
			minPaceFor(c.plan.program, cmd.Dry)/time.Second))
	case cmd.RepeatS != 0:
		return refusal("repeat_s", "With a pace, Go is already given each time.", "Set the interval of Go to 0.")
	case c.set.Kind == shot.Drops:
		return refusal("pace_s", "With this set, valves let the drops go.", "Repeat Go instead.")
	}
	return nil
}

// minPaceFor is the least time between releases, in whole seconds: until the shutter that Go opened is shut, and until
// the flash is charged again.
func minPaceFor(p shot.Program, dry bool) time.Duration {
	least := max(minPace, paceFlies+p.Rest, openUntil(p, dry)+pacePause)
	return (least + time.Second - 1).Truncate(time.Second)
}

// openUntil is when after Go what it opened is shut again; 0: it opens nothing.
func openUntil(p shot.Program, dry bool) (until time.Duration) {
	if dry {
		return 0
	}
	for _, cue := range p.Opening {
		until = max(until, cue.Offset+cue.Width)
	}
	return until
}

// whyNoSooner says what a pace waits for.
func whyNoSooner(p shot.Program, dry bool) string {
	if open := openUntil(p, dry); open+pacePause >= paceFlies+p.Rest {
		return fmt.Sprintf("the shutter is open for %s each time", durationWords(open))
	}
	return fmt.Sprintf("the flash takes %s to recharge", durationWords(p.Rest))
}

// paceChoices are paces to choose from, in seconds: the least, if it is longer than the usual least, and some longer.
func paceChoices(p shot.Program) []int {
	choices := []int{max(4, int(minPaceFor(p, false)/time.Second))}
	for _, s := range []int{6, 10, 20, 40, 80} {
		if s > choices[0] && len(choices) < 4 {
			choices = append(choices, s)
		}
	}
	return choices
}

// newPace is a run's pace; nil: it has none.
func newPace(cmd Command) *pace {
	if cmd.PaceS == 0 {
		return nil
	}
	return &pace{every: time.Duration(cmd.PaceS) * time.Second}
}

// stop ends it. It may be called for nil.
func (p *pace) stop() {
	if p != nil && p.timer != nil {
		p.timer.stop()
		p.next = time.Time{}
	}
}

// paceIfDue begins to wait for the next release, once the board waits for it: counted from the last one, but with time
// for its picture. The mutex is held.
func (c *Control) paceIfDue() {
	r := c.current
	if !c.paced(r) || !r.pace.next.IsZero() {
		return
	}
	in := r.pace.every
	if !r.pace.last.IsZero() {
		in = max(in-time.Since(r.pace.last), pacePause)
	}
	c.waitPace(r, in)
}

// paced reports whether things are released automatically in a run now. The mutex is held.
func (c *Control) paced(r *run) bool {
	return r != nil && r == c.current && r.pace != nil && c.boardState == wire.Armed && !c.arming && r.replaced == nil &&
		!c.stopping
}

// waitPace has the next one let go when it is due. The mutex is held.
func (c *Control) waitPace(r *run, in time.Duration) {
	r.pace.next = time.Now().Add(in)
	r.pace.timer = c.tasks.after(in, func() { c.paceNext(r) })
}

// paceNext makes one release; if the shutter opens at Go, Go is given and the shutter awaited.
func (c *Control) paceNext(r *run) {
	c.mu.Lock()
	r.pace.next = time.Time{}
	ready := c.paced(r)
	if ready {
		r.pace.last = time.Now()
		c.waitPace(r, r.pace.every) // whatever comes of this one
	}
	waitsGo, epoch := r.waitsGo, c.epoch
	if !ready || c.phones.away() {
		c.mu.Unlock()
		return
	}
	c.mu.Unlock()
	if !waitsGo {
		c.paceRelease(r)
		return
	}
	err := c.sendGo(context.Background(), epoch, func() error {
		if c.epoch != epoch || !c.paced(r) || !r.waitsGo {
			return errors.New("it was disarmed meanwhile, or Go was given")
		}
		return nil
	})
	if err == nil {
		light := r.set.Light
		c.tasks.after((light.Lag+3*light.LagScatter).Duration()+openMargin, func() { c.paceRelease(r) })
	}
}

// paceRelease releases something in the simulated room, if that is still due.
func (c *Control) paceRelease(r *run) {
	c.mu.Lock()
	if !c.paced(r) || c.phones.away() {
		c.mu.Unlock()
		return
	}
	ctx, q := c.beginRequest(context.Background())
	set := c.set
	c.mu.Unlock()
	err := c.opts.Room.Release(ctx, set)
	c.mu.Lock()
	defer c.mu.Unlock()
	c.endRequest(q)
	if err == nil {
		c.letGo()
	}
	c.publish()
}

// beforeNext is how long before a release nothing else is begun: a picture under way is given up within a tenth of it.
// Own choice.
const beforeNext = 300 * time.Millisecond

// BetweenReleases reports whether the simulated room is idle before the next automatic release: nothing is timed
// meanwhile, so that there is time for the picture of the last.
func (c *Control) BetweenReleases() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	r := c.current
	return c.paced(r) && time.Until(r.pace.next) > beforeNext && !c.opts.Room.Busy()
}

// nextMs is when the next release is due, Unix ms; 0: none is. It may be called for nil.
func (p *pace) nextMs(sent time.Time) int64 {
	if p == nil || p.next.IsZero() {
		return 0
	}
	return sent.Add(time.Until(p.next)).UnixMilli()
}

// words say that nobody has to let go. It may be called for nil.
func (p *pace) words() string {
	if p == nil {
		return ""
	}
	return fmt.Sprintf(", one every %s", durationWords(p.every))
}
