package control

import (
	"context"
	"errors"
	"fmt"
	"time"

	"stillwater/internal/board"
)

// A run may be repeated: after the first Go, which a person gives, Go is given again at an interval, as many times as
// were asked for. That is part of the arming: it ends with the run, whatever ends that, and with its last Go. While
// nobody can see the holder's page no Go is given.

// Bounds of the interval. The board's own rest after a shot keeps flashes at three a second or fewer in any case; the
// shortest interval leaves a person time to let go of a dripping dish. Common practice, no source.
const (
	minRepeat = 2 * time.Second
	maxRepeat = 2 * time.Minute
)

// repeat is what is left of a run that is repeated. Every Go that the board takes counts, also one that gave no shot.
type repeat struct {
	every time.Duration
	times int
	left  int       // Gos
	next  time.Time // when the next is due; zero: the first is awaited
	due   bool      // its time has come, and the board was not ready for it
	timer *timer
}

// RepeatView is a run that is repeated, as the page shows it.
type RepeatView struct {
	EveryS float64 `json:"every_s"`
	Times  int     `json:"times"`
	Left   int     `json:"left"`    // Gos still to come
	NextAt int64   `json:"next_at"` // Unix ms when the next one is due; 0: the first is awaited, or none is left
}

// checkRepeat refuses an interval that is impossible, or that has no use. The mutex is held.
func (c *Control) checkRepeat(cmd Command) error {
	every := time.Duration(cmd.RepeatS) * time.Second
	switch {
	case cmd.RepeatS == 0:
		return nil
	case cmd.RepeatS < int(minRepeat/time.Second) || cmd.RepeatS > int(maxRepeat/time.Second):
		return refusal("repeat_s", fmt.Sprintf("It cannot be repeated every %d s.", cmd.RepeatS),
			fmt.Sprintf("Ask for %d to %d s.", minRepeat/time.Second, maxRepeat/time.Second))
	case cmd.Dry:
		return refusal("repeat_s", "A dry run cannot be repeated by itself.", "Set the interval to 0.")
	case time.Duration(cmd.Shots)*every > c.opts.ArmFor: // one interval is for the first Go, and for the last drop
		return refusal("repeat_s", fmt.Sprintf("%d times every %d s would take longer than the %s that it stays armed.",
			cmd.Shots, cmd.RepeatS, durationWords(c.opts.ArmFor)),
			fmt.Sprintf("Ask for %d shots at most, or a shorter interval.", int(c.opts.ArmFor/every)))
	case c.plan.refusal == nil && !(&run{program: c.plan.program}).needsGo():
		return refusal("repeat_s", "This set needs no Go: there is nothing to repeat.", "Arm it without an interval.")
	}
	return nil
}

// newRepeat is how a run is repeated; nil: it is not.
func newRepeat(cmd Command) *repeat {
	if cmd.RepeatS == 0 {
		return nil
	}
	return &repeat{every: time.Duration(cmd.RepeatS) * time.Second, times: cmd.Shots, left: cmd.Shots}
}

// stop ends it. It may be called for nil.
func (p *repeat) stop() {
	if p != nil && p.timer != nil {
		p.timer.stop()
	}
}

// countGo counts a Go that is about to be given, whoever gives it, and begins to wait for the next. The mutex is held.
func (c *Control) countGo(r *run) {
	p := r.repeat
	if p == nil {
		return
	}
	p.stop()
	p.left--
	p.due, p.next = false, time.Time{}
	if p.left > 0 {
		c.waitRepeat(p)
	}
}

// checkGosLeft refuses a Go beyond those that were asked for. It may be called for nil.
func (p *repeat) checkGosLeft() error {
	if p == nil || p.left > 0 {
		return nil
	}
	return refusal("go", fmt.Sprintf("Go was given %d times, as asked.", p.times), "Arm again for more.")
}

// uncountGo takes back a Go that the board refused, as one does that comes too soon. The mutex is held.
func (c *Control) uncountGo(r *run, err error) {
	p := r.repeat
	if p == nil || c.current == nil || c.current.repeat != p || !errors.As(err, new(*board.RefusedError)) {
		return
	}
	p.left++
	if p.next.IsZero() {
		c.waitRepeat(p)
	}
}

func (c *Control) waitRepeat(p *repeat) {
	p.due, p.next = false, time.Now().Add(p.every)
	p.timer = c.tasks.after(p.every, func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		p.due = true
		c.repeatIfDue()
	})
}

// repeatIfDue gives the next Go when its time has come and the board waits for it, and disarms when all were given and
// the board still has shots left. The mutex is held.
func (c *Control) repeatIfDue() {
	r := c.current
	if r == nil || r.repeat == nil || !c.waitsGo() || c.arming || r.replaced != nil || c.stopping {
		return
	}
	p := r.repeat
	switch {
	case p.left == 0:
		c.beginDisarm(fmt.Sprintf("disarmed: Go was given %d times, as asked", p.times))
	case !p.due:
	case c.phones.away():
		c.waitRepeat(p)
		c.notice = "no Go: the phone that holds the controls is locked or shows something else"
	default:
		p.due = false
		c.repeatGo(r)
	}
	c.publish()
}

// repeatGo gives Go in the place of a phone. The mutex is held.
func (c *Control) repeatGo(r *run) {
	epoch := c.epoch
	c.tasks.run(func() {
		err := c.sendGo(context.Background(), epoch, func() error {
			if c.epoch != epoch || c.current != r || !r.waitsGo || c.stopping || c.phones.away() {
				return refusal("go", "It was disarmed meanwhile, or Go was given.", "Check the state.")
			}
			return nil
		})
		if err == nil {
			return
		}
		c.update(func() {
			p := r.repeat
			if c.current == nil || c.current.repeat != p || p.left == 0 {
				return
			}
			if !p.due && !p.next.After(time.Now()) { // a board that refused it has had the next one waited for
				c.waitRepeat(p)
			}
			c.notice = fmt.Sprintf("no Go this time: %v", err)
		})
	})
}

// view is the repeat as the page shows it; nil: the run is not repeated.
func (p *repeat) view(sent time.Time) *RepeatView {
	if p == nil {
		return nil
	}
	v := &RepeatView{EveryS: p.every.Seconds(), Times: p.times, Left: p.left}
	if !p.next.IsZero() {
		v.NextAt = sent.Add(time.Until(p.next)).UnixMilli()
	}
	return v
}

// begun reports whether the first Go was given and others come by themselves.
func (p *repeat) begun() bool { return p != nil && p.left < p.times && p.left > 0 }

// words say how Go goes on.
func (p *repeat) words() string {
	switch {
	case p.begun():
		return fmt.Sprintf("Go repeats every %s, %d more times", durationWords(p.every), p.left)
	case p == nil || p.left == 0:
		return ""
	}
	return fmt.Sprintf("after your first Go, again every %s, %d times in all", durationWords(p.every), p.times)
}
