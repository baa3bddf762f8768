package control

import (
	"context"
	"time"

	"stillwater/internal/wire"
)

// While a board is armed the trims alone can be changed, for the shots to come. A board changes no program while it is
// armed: when it waits for the next shot it is disarmed, gets the program anew, and is armed for the shots that are
// left. To everybody else that is one arming. Whoever disarms meanwhile ends it, as any command that is with the board.

// canRetrim reports whether that field of the set may change though the board is armed. The mutex is held.
func (c *Control) canRetrim(field string) bool {
	r := c.current
	trim := field == "trim."+string(c.set.Kind) || field == "drops.gap_trim" && c.set.WorksOutGap()
	return r != nil && r.confirmed && !r.dry() && c.active() && trim
}

// retrimIfDue has the board get the program of the set as it is now, if it has another one and waits for a shot: not
// during one, nor while the flash recycles or the shutter is open. The mutex is held.
func (c *Control) retrimIfDue() {
	r := c.current
	if r == nil || r.set == c.set || r.replaced != nil || !r.confirmed || r.dry() || c.arming || c.plan.refusal != nil ||
		c.boardState != wire.Armed || r.needsGo() && !r.waitsGo {
		return
	}
	c.arming = true
	r.replaced = make(chan struct{})
	ctx, q := c.beginRequest(context.Background())
	a := arming{request: q, run: r, link: c.link}
	c.tasks.run(func() { c.retrim(ctx, a, r.replaced) })
}

// retrim disarms the board, and when that is done arms it with the new program, for the shots that the board's last
// report says are left: one may have been made meanwhile.
func (c *Control) retrim(ctx context.Context, a arming, safe <-chan struct{}) {
	err := a.link.board.Disarm(ctx)
	if err == nil {
		select {
		case <-safe:
		case <-ctx.Done():
			err = ctx.Err()
		}
	}
	over := false
	if err == nil {
		over, err = c.replaceRun(&a)
	}
	if over {
		return
	}
	if err == nil {
		err = a.link.board.Load(ctx, a.run.program)
	}
	if err == nil {
		err = ctx.Err()
	}
	if err := c.armBoard(ctx, a, err); err != nil {
		c.log.Warn("not armed with the new trim", "err", err)
	}
}

// replaceRun puts a run with the set as it is now in the place of one whose board is safe for that, unless that is
// over, its shots being done. It fails if something else ended it.
func (c *Control) replaceRun(a *arming) (over bool, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	old := a.run
	if c.current != old {
		return false, context.Canceled
	}
	c.boardState = wire.Safe
	if c.left == 0 {
		c.endRequest(a.request)
		c.arming = false
		c.endRun()
		c.reason = wire.ReasonShotsDone.String()
		c.publish()
		return true, nil
	}
	r := &run{set: c.set, program: c.plan.program, session: old.session, shots: c.left, armsAt: old.armsAt, ends: old.ends}
	r.waitsGo, r.repeat = r.needsGo(), old.repeat
	if old.pace != nil {
		old.pace.stop()
		r.pace = &pace{every: old.pace.every}
	}
	old.timer.stop()
	r.timer = c.tasks.after(time.Until(r.ends), func() { c.armingExpired(r) })
	c.current, c.lastRun, a.run = r, r, r
	c.arrangeRoom(r.set)
	return false, nil
}

// replacing handles the report that the board is safe, and why, if it was disarmed to get another program: false if
// that is not why. The mutex is held.
func (c *Control) replacing(why wire.Reason) bool {
	if c.current == nil || c.current.replaced == nil {
		return false
	}
	select {
	case <-c.current.replaced:
	default:
		close(c.current.replaced)
	}
	if why == wire.ReasonShotsDone {
		c.left = 0
	}
	return why == wire.ReasonRequested || why == wire.ReasonShotsDone
}
