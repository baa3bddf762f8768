package control

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"stillwater/internal/board"
	"stillwater/internal/wire"
)

// Disarm wins. Time is cut into epochs: every disarm, and whatever else makes the board safe before its shots are done,
// begins a new one. Each snapshot has the number of its epoch, and a command that may switch something on names the
// epoch of the snapshot it was asked from; in a later epoch it is refused, wherever it waited meanwhile. What is with
// the board or the simulated room when an epoch ends is cut short, and a disarm is done only when the board has
// confirmed it after the last of that ended. See DEVELOPERS.md.

// stateTimeout is how long a board's state may follow its confirmation of a disarm, which is a few bytes away.
const stateTimeout = 250 * time.Millisecond

// request is a command that is with the board or the simulated room.
type request struct {
	cancel context.CancelFunc
	ended  chan struct{}
}

// disarming is a disarm under way.
type disarming struct {
	link     *link
	why      string
	logLevel slog.Level    // of its success: phones may disarm a safe board as often as they like
	pending  []*request    // what was with the board when it began
	inactive chan struct{} // holds one token when the board says that it is not armed
	over     bool          // guarded by the control's mutex
	done     chan struct{}
	err      error // set before done is closed
}

// newEpoch makes void what was asked before, and cuts short what is with the board or the room. The mutex is held, and
// the caller publishes.
func (c *Control) newEpoch() {
	c.epoch++
	if c.link != nil {
		c.link.cancelGestures()
	}
	c.stopLag()
	for q := range c.requests {
		q.cancel()
	}
}

// checkStart refuses a command that may switch something on unless its client holds the controls and has seen all that
// ended an arming. The mutex is held.
func (c *Control) checkStart(client string, cmd Command) error {
	if err := c.requireHolder(client); err != nil {
		return err
	}
	switch {
	case cmd.Epoch == 0:
		return refusal("epoch", "The message does not say which state it was sent in.", "Reload the page.")
	case cmd.Epoch != c.epoch:
		return refusal("epoch", "It was disarmed after this was asked for"+c.whySafe()+".",
			"Check the state, then try again.")
	case c.stopping:
		return refusal("", "Stillwater is stopping.", "Start it again.")
	}
	return nil
}

// whySafe says after a colon why nothing is armed. The mutex is held.
func (c *Control) whySafe() string {
	if c.current != nil {
		return ""
	}
	return because(c.reason)
}

// afterDisarm waits while a disarm is under way: whoever knows of it may already ask for what comes after it.
func (c *Control) afterDisarm(ctx context.Context) {
	c.mu.Lock()
	d := c.disarming
	c.mu.Unlock()
	if d == nil {
		return
	}
	select {
	case <-d.done:
	case <-ctx.Done():
	}
}

// beginRequest registers a request to the board or the room. Its context ends with the epoch. The mutex is held.
func (c *Control) beginRequest(ctx context.Context) (context.Context, *request) {
	ctx, cancel := context.WithTimeout(ctx, commandTimeout)
	q := &request{cancel: cancel, ended: make(chan struct{})}
	c.requests[q] = struct{}{}
	return ctx, q
}

// endRequest ends a request: nothing of it is on its way any more. The mutex is held.
func (c *Control) endRequest(q *request) {
	q.cancel()
	delete(c.requests, q)
	close(q.ended)
}

// disarm makes the board safe and waits until that is confirmed.
func (c *Control) disarm(why string) error {
	c.mu.Lock()
	d := c.beginDisarm(why)
	c.mu.Unlock()
	<-d.done
	return d.err
}

// beginDisarm begins a new epoch and makes the board safe, or joins the disarm that is doing so: nothing was begun
// since. Why is said to everybody; "" keeps the reason there is. The mutex is held.
func (c *Control) beginDisarm(why string) *disarming {
	logLevel := slog.LevelDebug
	if c.active() || c.current != nil || len(c.requests) > 0 {
		logLevel = slog.LevelInfo
	}
	c.newEpoch()
	if c.current != nil {
		c.current.timer.stop()
		c.current.repeat.stop()
		c.current.pace.stop()
		c.current, c.notice = nil, c.current.unseenWords()
	}
	if c.link != nil && why != "" {
		c.reason = why
	}
	if d := c.joinable(); d != nil {
		return d
	}
	d := &disarming{
		link: c.reachable(), why: why, logLevel: logLevel, inactive: make(chan struct{}, 1), done: make(chan struct{}),
	}
	if d.link == nil {
		d.err = refusal("", "There is no board to disarm: "+c.reason+".",
			"It makes itself safe a second after the connection is lost. To be sure, use the kill switch.")
		c.publish()
		close(d.done)
		return d
	}
	for q := range c.requests {
		d.pending = append(d.pending, q)
	}
	c.disarming = d
	c.tasks.run(func() { c.runDisarm(d) })
	return d
}

// makeSafe begins a disarm unless one is under way: nobody asked, but the board may be armed and should not be. The
// mutex is held.
func (c *Control) makeSafe() *disarming {
	if d := c.joinable(); d != nil {
		return d
	}
	return c.beginDisarm("")
}

// joinable is the disarm under way, if it is one of the board there is now. The mutex is held.
func (c *Control) joinable() *disarming {
	if c.disarming == nil || c.disarming.link != c.link {
		return nil
	}
	return c.disarming
}

// reachable is the board there is, unless it was cut off. The mutex is held.
func (c *Control) reachable() *link {
	if c.link == nil || c.link.failed != "" {
		return nil
	}
	return c.link
}

// runDisarm waits for the board's confirmation and for nothing else, at most disarmTimeout.
func (c *Control) runDisarm(d *disarming) {
	ctx, cancel := context.WithTimeout(context.Background(), disarmTimeout)
	defer cancel()
	late := make(chan struct{})
	inTime := context.AfterFunc(ctx, func() { // even if the link takes nothing more, not even this request
		defer close(late)
		c.finishDisarm(d, ctx.Err())
	})
	err := d.send(ctx)
	if err == nil {
		c.waitInactive(d)
	}
	if !inTime() {
		<-late
	}
	c.finishDisarm(d, err)
}

// send disarms at once, and again when what was with the board before has ended: that may have reached the board
// later.
func (d *disarming) send(ctx context.Context) error {
	err := d.link.board.Disarm(ctx)
	for _, q := range d.pending {
		select {
		case <-q.ended:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	if len(d.pending) > 0 {
		err = d.link.board.Disarm(ctx)
	}
	return err
}

// signalInactive says that the board is not armed any more.
func (d *disarming) signalInactive() {
	select {
	case d.inactive <- struct{}{}:
	default:
	}
}

// waitInactive lets the board's state catch up with its confirmation, so that what is shown next is that it is safe.
func (c *Control) waitInactive(d *disarming) {
	end := time.After(stateTimeout)
	for c.isActive(d.link) {
		select {
		case <-d.inactive:
		case <-end:
			return
		}
	}
}

func (c *Control) isActive(l *link) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.link == l && c.active()
}

// finishDisarm ends a disarm; the first call counts. A board that did not confirm is cut off: it goes safe by itself
// after a link timeout.
func (c *Control) finishDisarm(d *disarming, err error) {
	c.mu.Lock()
	if d.over {
		c.mu.Unlock()
		return
	}
	d.over = true
	if c.disarming == d {
		c.disarming = nil
	}
	var refused *board.RefusedError
	cut := false
	switch {
	case err == nil:
	case errors.As(err, &refused):
		d.err = refusal("", fmt.Sprintf("The board refused: %v.", err), "Use the kill switch.")
	default:
		cut = true
		d.err = refusal("", fmt.Sprintf("The board did not confirm the disarm: %v.", err),
			"Use the kill switch, or cut the outputs' supply.")
		d.link.failed = fmt.Sprintf("the board did not confirm the disarm (%v) and was cut off; it makes itself safe "+
			"after a second without a host", err)
	}
	c.publish()
	c.mu.Unlock()
	close(d.done)
	if !cut {
		level := d.logLevel
		if err != nil {
			level = slog.LevelWarn
		}
		c.log.Log(context.Background(), level, "disarmed", "why", d.why, "err", err)
		return
	}
	d.link.board.Close()
	c.log.Error("the board did not confirm the disarm and was cut off", "err", err)
}

// active reports whether the board may fire. The mutex is held.
func (c *Control) active() bool {
	return c.boardState == wire.Armed || c.boardState == wire.Firing || c.boardState == wire.Resting
}
