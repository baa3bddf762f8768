package control

import (
	"context"
	"errors"
	"fmt"
	"time"

	"stillwater/internal/board"
	"stillwater/internal/wire"
)

// arm loads the program of the set and arms the board for a number of shots.
func (c *Control) arm(ctx context.Context, client string, shots int) error {
	// A phone that drops off in the middle must not leave the board half armed, so its context counts for nothing here.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), boardWithin)
	defer cancel()
	r, l, err := c.beginArming(client, shots, cancel)
	if err != nil {
		return err
	}
	if err = l.board.Load(ctx, r.program); err == nil {
		if err = ctx.Err(); err == nil {
			err = l.board.Arm(ctx, shots)
		}
	}
	again, err := c.endArming(r, l, err)
	if again {
		c.disarm("")
	}
	c.update(func() { c.arming = false })
	return err
}

// beginArming checks everything that must be so before arming, and takes the controls of it.
func (c *Control) beginArming(client string, shots int, cancel context.CancelFunc) (*run, *link, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if err := c.mayArm(client, shots); err != nil {
		return nil, nil, err
	}
	r := &run{
		set: c.set, program: c.plan.program, session: c.session, shots: shots, cancel: cancel,
		ends: time.Now().Add(c.opts.ArmFor),
	}
	r.waitsGo = r.needsGo()
	r.timer = time.AfterFunc(c.opts.ArmFor, func() { c.timeOver(r) })
	c.want, c.last, c.arming = r, r, true
	c.reason, c.notice = "arming", ""
	c.publish()
	return r, c.link, nil
}

func (c *Control) mayArm(client string, shots int) error {
	if err := c.holds(client); err != nil {
		return err
	}
	switch {
	case shots < 1 || shots > mostShots:
		return refusal("shots", fmt.Sprintf("%d shots cannot be armed.", shots), fmt.Sprintf("Ask for 1 to %d.", mostShots))
	case c.stopping:
		return refusal("", "Stillwater is stopping.", "Start it again.")
	case c.link == nil:
		return refusal("", sentence(c.reason), "Wait until it is connected.")
	case c.want != nil || c.arming:
		return refusal("", "It is armed already.", "Disarm first.")
	case c.state() == Fault:
		return refusal("", "The board has a fault: "+c.reason+".", "Mend its cause, then disarm to clear it.")
	case c.state() != Safe:
		return refusal("", "The board is not at rest yet.", "Disarm first.")
	case !c.careDone():
		return refusal("care", "The checklist is not done.", "Read and tick every point for this session.")
	case c.plan.refusal != nil:
		return c.plan.refusal
	}
	return nil
}

// endArming looks at how the board answered. When again is true the board must be disarmed (once more), because it may
// be armed and should not be.
func (c *Control) endArming(r *run, l *link, failed error) (again bool, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case c.want == r && failed == nil:
		if !r.seen {
			c.said, c.left, c.reason = wire.Armed, r.shots, armedWords(r)
		}
		c.log.Info("armed", "shots", r.shots)
		return false, nil
	case r.ended && failed == nil:
		return false, nil // armed, and over already
	case c.want == r:
		r.stop()
		c.want = nil
		c.reason = fmt.Sprintf("not armed: %v", failed)
		return c.link == l, refusal("", fmt.Sprintf("The board could not be armed: %v.", failed), "Try again.")
	case r.ended && failed != nil && !errors.Is(failed, context.Canceled):
		// The board gave no answer in time and was made safe: that it was disarmed on request is not why.
		c.reason = fmt.Sprintf("not armed: %v", failed)
		return c.link == l, refusal("", fmt.Sprintf("The board could not be armed: %v.", failed), "Try again.")
	}
	return c.link == l, refusal("", "It was disarmed before it was armed: "+c.reason+".", "Arm again.")
}

// timeOver ends an arming that lasted as long as it may.
func (c *Control) timeOver(r *run) {
	c.mu.Lock()
	mine := c.want == r
	c.mu.Unlock()
	if mine {
		c.disarm(fmt.Sprintf("disarmed: it was armed for %s, the longest allowed", lasting(c.opts.ArmFor)))
	}
}

// disarm makes the board safe and says why; "" keeps the reason there is. It waits for the board's word and for nothing
// else. A board that does not give its word is cut off: it goes safe by itself when it hears nothing.
func (c *Control) disarm(why string) error {
	c.mu.Lock()
	l := c.link
	if c.want != nil {
		c.want.stop()
		c.want, c.notice = nil, ""
	}
	if l != nil && why != "" {
		c.reason = why
	}
	c.mu.Unlock()
	if l == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), safeWithin)
	defer cancel()
	err := l.board.Disarm(ctx)
	var refused *board.RefusedError
	switch {
	case err == nil:
		c.log.Info("disarmed", "why", why)
		c.update(func() {})
		return nil
	case errors.As(err, &refused):
		return refusal("", fmt.Sprintf("The board refused: %v.", err), "Use the kill switch.")
	}
	c.log.Error("the board did not confirm the disarm; cutting it off", "err", err)
	c.update(func() {
		l.failed = fmt.Sprintf("the board did not confirm the disarm (%v) and was cut off; it goes safe by itself after a "+
			"second of silence", err)
	})
	l.board.Close()
	return refusal("", fmt.Sprintf("The board did not confirm the disarm: %v.", err),
		"Use the kill switch, or cut the outputs' supply.")
}

// goAhead plays the opening cues, or starts the delay.
func (c *Control) goAhead(ctx context.Context, client string) error {
	c.mu.Lock()
	err := c.holds(client)
	r, l := c.want, c.link
	if err == nil && (r == nil || l == nil || c.state() == Safe) {
		err = refusal("", "Nothing is armed.", "Arm first.")
	}
	if err == nil && !r.needsGo() {
		err = refusal("", "This set needs no go: its sensor starts the shot.", "Let the drop, throw or sound go.")
	}
	c.mu.Unlock()
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, boardWithin)
	defer cancel()
	if err := l.board.Go(ctx); err != nil {
		return refusal("", fmt.Sprintf("Go did not work: %v.", err), "Wait for the shot before it to end, or arm again.")
	}
	c.update(func() {
		if c.want == r {
			r.waitsGo = false
			c.reason, c.notice = armedWords(r), ""
		}
	})
	return nil
}
