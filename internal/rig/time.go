package rig

import (
	"math"
	"runtime"
	"time"

	"stillwater/internal/wire"
)

// servedEach is the period of the rig's loop while a link timeout is possible, and how late the loop may then be. A
// timeout thus takes 50 runs of the loop at least: on a starved machine, where what the host does waits for its turn
// behind a thousand others, so does the loop.
const servedEach = 10 * time.Millisecond

// maxBehind is how late the loop may be for an edge or a cue: far less than the shots of any set differ by, so that a
// busy machine spoils no practice shot.
const maxBehind = 200 * time.Microsecond

// clock is the time since the rig's start, without the time in which this process got no processor. Host and board both
// stop then, so that it must not cause a link timeout or a late cue.
type clock struct {
	zero    time.Time
	due     time.Duration // when the loop runs again; noDue: only when something changes
	slack   time.Duration // how late it may then be
	stopped time.Duration
}

const noDue = math.MaxInt64 - servedEach

// now is never more than the slack after the loop is due.
func (c *clock) now(host time.Time) time.Duration {
	now := host.Sub(c.zero) - c.stopped
	if late := now - c.due - c.slack; late > 0 {
		c.stopped += late
		now -= late
	}
	return now
}

// expect says when the loop runs again, or should have run. The clock never runs backwards.
func (c *clock) expect(due, slack, now time.Duration) {
	c.due, c.slack = max(due, now-slack), slack
}

// time is the time since the rig's start. The caller holds the mutex.
func (r *Rig) time() time.Duration {
	if r.opts.manual {
		return r.now
	}
	return r.clock.now(time.Now())
}

// tickOf is the board's clock at a time.
func (r *Rig) tickOf(at time.Duration) wire.Tick {
	return r.opts.StartTick + wire.Tick(at/tick)
}

func (r *Rig) tickNow() wire.Tick { return r.tickOf(r.time()) }

// timeOf is the time, less than half a wrap from now, at which the board's clock reaches t.
func (r *Rig) timeOf(t wire.Tick) time.Duration {
	now := r.time().Truncate(tick)
	return now + time.Duration(t.Sub(r.tickOf(now)))*tick
}

// next is when something is due, and whether that is the board's wake-up rather than an edge.
func (r *Rig) next() (at time.Duration, board, ok bool) {
	if t, wakes := r.exec.Next(); wakes {
		at, board, ok = r.timeOf(t), true, true
	}
	if len(r.edges) > 0 && (!ok || r.edges[0].at <= at) {
		at, board, ok = r.edges[0].at, false, true
	}
	return at, board, ok
}

// runNext runs what is due next.
func (r *Rig) runNext() {
	_, board, ok := r.next()
	switch {
	case !ok:
	case board:
		r.exec.Wake(r.tickNow())
	default:
		e := r.edges[0]
		r.edges = r.edges[1:]
		r.change(e.input, e.high, e.at)
	}
}

// run runs what is due, when it is due, until the rig is closed.
func (r *Rig) run() {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		wait, spin, ok := r.catchUp()
		if !ok {
			select {
			case <-r.done:
				return
			case <-r.changedCh:
				continue
			}
		}
		at := time.Now().Add(wait)
		if sleep := wait - spin; sleep > 0 {
			timer.Reset(sleep)
			select {
			case <-r.done:
				return
			case <-r.changedCh:
				continue
			case <-timer.C:
			}
		}
		if spin > 0 {
			r.spinUntil(at)
		}
	}
}

// catchUp runs all that is due and returns how long until the next is, and how much of that to spin: a board that is
// armed or has an output on must be exact, one that is idle need not.
func (r *Rig) catchUp() (wait, spin time.Duration, ok bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for !r.closed {
		now := r.time()
		at, board, ok := r.next()
		if !ok || at > now {
			return r.sleep(now, at, board, ok)
		}
		r.clock.expect(at, maxBehind, now)
		r.runNext()
	}
	return 0, 0, false
}

// sleep is how long the loop may sleep: until what is due next, but at most servedEach while a link timeout is
// possible.
func (r *Rig) sleep(now, at time.Duration, board, ok bool) (wait, spin time.Duration, _ bool) {
	code := r.exec.State().Code()
	if atRest := (code == wire.Safe || code == wire.Faulted) && r.outputs == 0; atRest {
		r.clock.expect(noDue, servedEach, now)
		return at - now, 0, ok
	}
	if !ok || at > now+servedEach {
		slack := servedEach
		if ok { // what is due comes no later for it
			slack = min(slack, at-now-servedEach+maxBehind)
		}
		r.clock.expect(now+servedEach, slack, now)
		return servedEach, 0, true
	}
	r.clock.expect(at, maxBehind, now)
	if board {
		spin = max(r.opts.Spin, 0)
	}
	return at - now, spin, true
}

// spinUntil busy-waits, yielding to other goroutines, until a time or a change.
func (r *Rig) spinUntil(at time.Time) {
	for time.Now().Before(at) {
		select {
		case <-r.changedCh:
			return
		case <-r.done:
			return
		default:
			runtime.Gosched()
		}
	}
}
