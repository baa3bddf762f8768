package control

import (
	"context"
	"errors"
	"fmt"
	"time"

	"stillwater/internal/board"
	"stillwater/internal/sentence"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

// maxArmDelay is long enough to walk across a room and dry one's hands. Common practice, no source.
const maxArmDelay = time.Minute

// arm loads the program of the set and arms the board for a number of shots, or begins to count down to that.
func (c *Control) arm(ctx context.Context, client string, cmd Command) error {
	// A phone that drops off in the middle must not leave the board half armed, so its context counts for nothing here.
	ctx, a, err := c.beginArming(context.WithoutCancel(ctx), client, cmd)
	if err != nil {
		return err
	}
	if err = a.link.board.Load(ctx, a.run.program); err == nil {
		err = ctx.Err()
	}
	if err == nil && cmd.DelayS > 0 {
		return c.countDown(a)
	}
	return c.armBoard(ctx, a, err)
}

// armBoard arms the board, which has the program, unless that failed with err.
func (c *Control) armBoard(ctx context.Context, a arming, err error) error {
	if err == nil {
		err = a.link.board.Arm(ctx, a.run.shots)
	}
	undo, err := c.endArming(a, err)
	if undo != nil {
		<-undo.done
	}
	if err == nil {
		c.log.Info("armed", "shots", a.run.shots, "dry_run", a.run.dry())
	}
	return err
}

// countDown arms when the run's delay is over, unless it is disarmed before. The board is safe until then.
func (c *Control) countDown(a arming) error {
	c.mu.Lock()
	if c.current != a.run {
		c.mu.Unlock()
		return c.armBoard(context.Background(), a, context.Canceled)
	}
	defer c.mu.Unlock()
	c.endRequest(a.request)
	c.arming = false
	r := a.run
	r.timer.stop()
	r.timer = c.tasks.after(time.Until(r.armsAt), func() { c.countedDown(r, a.link) })
	c.reason = "arms when the time is up; disarm cancels it"
	if r.dry() {
		c.reason = "a dry run begins when the time is up; disarm cancels it"
	}
	c.publish()
	return nil
}

// countedDown arms the board at the end of a countdown that nothing ended.
func (c *Control) countedDown(r *run, l *link) {
	c.mu.Lock()
	if c.current != r || c.stopping {
		c.mu.Unlock()
		return
	}
	c.arming = true
	r.timer = c.tasks.after(c.opts.ArmFor, func() { c.armingExpired(r) })
	ctx, q := c.beginRequest(context.Background())
	c.mu.Unlock()
	if err := c.armBoard(ctx, arming{request: q, run: r, link: l}, nil); err != nil {
		c.log.Warn("not armed after the delay", "err", err)
	}
}

// arming is a command to arm that is with the board.
type arming struct {
	request *request
	run     *run
	link    *link
}

// beginArming checks everything that must be so before arming, and makes it the current run.
func (c *Control) beginArming(
	ctx context.Context, client string, cmd Command,
) (context.Context, arming, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if err := c.checkArm(client, cmd); err != nil {
		return ctx, arming{}, err
	}
	r := &run{set: c.set, program: c.plan.program, session: c.session, shots: cmd.Shots}
	r.armsAt = time.Now().Add(time.Duration(cmd.DelayS) * time.Second)
	r.ends = r.armsAt.Add(c.opts.ArmFor)
	if cmd.Dry {
		c.beginDryRun(r)
	}
	r.waitsGo, r.repeat, r.pace = r.needsGo(), newRepeat(cmd), newPace(cmd)
	r.timer = c.tasks.after(c.opts.ArmFor, func() { c.armingExpired(r) })
	c.current, c.lastRun, c.arming = r, r, true
	c.arrangeRoom(r.set)
	c.reason, c.notice = "arming", ""
	c.watchHolder(time.Now())
	c.publish()
	ctx, q := c.beginRequest(ctx)
	return ctx, arming{request: q, run: r, link: c.link}, nil
}

// arrangeRoom puts a set into the simulated room, if there is one.
func (c *Control) arrangeRoom(set shot.Set) {
	if c.opts.Room != nil {
		c.opts.Room.Arrange(set)
	}
}

func (c *Control) checkArm(client string, cmd Command) error {
	if err := c.checkStart(client, cmd); err != nil {
		return err
	}
	switch {
	case cmd.Shots < 1 || cmd.Shots > maxShots:
		return refusal("shots", fmt.Sprintf("%d shots cannot be armed.", cmd.Shots),
			fmt.Sprintf("Ask for 1 to %d.", maxShots))
	case cmd.DelayS < 0 || cmd.DelayS > int(maxArmDelay/time.Second):
		return refusal("delay_s", fmt.Sprintf("It cannot wait %d s before it arms.", cmd.DelayS),
			fmt.Sprintf("Ask for 0 to %d s.", maxArmDelay/time.Second))
	case c.reachable() == nil:
		return refusal("arm", sentence.From(c.reason), "Wait until it is connected.")
	case c.current != nil || c.arming:
		return refusal("arm", "It is armed already.", "Disarm first.")
	case c.measuringLag():
		return errMeasuring
	case c.buttonDown() != "":
		return refusal("arm", fmt.Sprintf("The %s is held down, so it could not disarm.", c.buttonDown()),
			"Release it, or check its plug and its level.")
	case c.state() == Fault:
		return refusal("arm", "The board has a fault: "+c.reason+".", "Remove its cause, then disarm to clear it.")
	case c.state() != Safe:
		return refusal("arm", "The board is not at rest yet.", "Disarm first.")
	}
	if err := c.checkCare(); err != nil {
		return err
	}
	if c.plan.refusal != nil {
		return c.plan.refusal
	}
	if err := c.checkPace(cmd); err != nil {
		return err
	}
	return c.checkRepeat(cmd)
}

// endArming looks at how the board answered. A board that may be armed and should not be is disarmed: the arming is
// over when that is.
func (c *Control) endArming(a arming, failed error) (undo *disarming, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.endRequest(a.request)
	c.arming = false
	r := a.run
	defer c.publish()
	switch {
	case c.current == r && failed == nil:
		if !r.confirmed {
			c.boardState, c.left, c.reason = wire.Armed, r.shots, armedWords(r)
		}
		c.paceIfDue() // the board may have said before its answer that it is armed
		return nil, nil
	case r.ended && r.confirmed && failed == nil:
		return nil, nil // armed, and over already
	case c.current == r, r.ended && !errors.Is(failed, context.Canceled):
		// If the board gave no answer in time and was made safe, that it was disarmed on request is not why.
		c.reason = fmt.Sprintf("not armed: %v", failed)
		err = notArmed(r, failed)
	default:
		err = refusal("arm", "It was disarmed before arming was done: "+c.reason+".", "Arm again.")
	}
	if c.link == a.link {
		undo = c.makeSafe()
	}
	return undo, err
}

func notArmed(r *run, failed error) *Refusal {
	var refused *board.RefusedError
	if r.dry() && errors.As(failed, &refused) && refused.Reason == wire.ReasonBadProgram {
		return refusal("dry", "This board's firmware is too old for a dry run.",
			"Update it: stillwater flash.")
	}
	return refusal("arm", fmt.Sprintf("The board could not be armed: %v.", failed), "Try again.")
}

// armingExpired disarms when an arming has lasted as long as it may.
func (c *Control) armingExpired(r *run) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.current == r {
		c.beginDisarm(fmt.Sprintf("disarmed: it was armed for %s, the longest allowed", durationWords(c.opts.ArmFor)))
	}
}

// sendGo plays the opening cues, or starts the delay, if the check passes. The mutex is held for the check.
func (c *Control) sendGo(ctx context.Context, epoch int64, check func() error) error {
	c.mu.Lock()
	err := check()
	r, l := c.current, c.link
	if err == nil && (r == nil || l == nil || !c.active()) {
		err = refusal("go", "Nothing is armed.", "Arm first.")
	}
	if err == nil && !r.needsGo() {
		err = refusal("go", "This set needs no Go: its sensor starts the shot.", "Let the drop, throw or sound go.")
	}
	if err == nil {
		err = r.repeat.checkGosLeft()
	}
	if err != nil {
		c.mu.Unlock()
		return err
	}
	c.countGo(r)
	r.counted, r.falling = 0, true
	ctx, q := c.beginRequest(ctx)
	c.mu.Unlock()
	err = l.board.Go(ctx)
	c.mu.Lock()
	defer c.mu.Unlock()
	c.endRequest(q)
	switch {
	case errors.Is(err, board.ErrNoAnswer): // and it was disarmed for that
		return refusal("go", fmt.Sprintf("Go did not work: %v.", err), "Arm again.")
	case c.epoch != epoch && c.current != r:
		return refusal("go", "It was disarmed meanwhile: "+c.reason+".", "Arm again.")
	case err != nil:
		c.uncountGo(r, err)
		return refusal("go", fmt.Sprintf("Go did not work: %v.", err), "Wait for the previous shot to end, or arm again.")
	case c.current == r:
		r.waitsGo = false
		c.reason, c.notice = armedWords(r), ""
	}
	c.publish()
	return nil
}
