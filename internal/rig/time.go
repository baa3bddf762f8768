package rig

import (
	"runtime"
	"time"

	"stillwater/internal/wire"
)

// time is the rig's time now, from its start.
func (r *Rig) time() time.Duration {
	if r.opts.Manual {
		return r.now
	}
	return time.Since(r.zero)
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

// Now is the rig's time, from its start.
func (r *Rig) Now() time.Duration {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.time()
}

// Advance moves a manual rig's time on, through everything that happens in between, each at its exact time.
func (r *Rig) Advance(d time.Duration) {
	r.mu.Lock()
	defer r.mu.Unlock()
	end := r.now + d
	for !r.closed {
		at, _, ok := r.next()
		if !ok || at > end {
			break
		}
		r.now = max(r.now, at)
		r.happen()
	}
	r.now = max(r.now, end)
}

// next is when something is due, and whether it is the board's business and not an edge.
func (r *Rig) next() (at time.Duration, board, ok bool) {
	if t, wakes := r.exec.Next(); wakes {
		at, board, ok = r.timeOf(t), true, true
	}
	if len(r.edges) > 0 && (!ok || r.edges[0].at <= at) {
		at, board, ok = r.edges[0].at, false, true
	}
	return at, board, ok
}

// happen lets the one thing happen that is due next.
func (r *Rig) happen() {
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

// run lets things happen at their time until the rig is closed.
func (r *Rig) run() {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		at, sharp, ok := r.catchUp()
		if !ok {
			select {
			case <-r.done:
				return
			case <-r.poke:
				continue
			}
		}
		spin := time.Duration(0)
		if sharp {
			spin = max(r.opts.Spin, 0)
		}
		if sleep := at - r.time() - spin; sleep > 0 {
			timer.Reset(sleep)
			select {
			case <-r.done:
				return
			case <-r.poke:
				continue
			case <-timer.C:
			}
		}
		if spin > 0 {
			r.spinUntil(at)
		}
	}
}

// catchUp lets all happen that is due and says when the next thing is, and whether to be sharp about it: a board that
// is armed or has an output on keeps its times, one at rest need not.
func (r *Rig) catchUp() (at time.Duration, sharp, ok bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for !r.closed {
		at, board, ok := r.next()
		if !ok || at > r.time() {
			code := r.exec.State().Code()
			atRest := (code == wire.Safe || code == wire.Faulted) && r.lit == 0
			return at, board && !atRest, ok
		}
		r.happen()
	}
	return 0, false, false
}

// spinUntil waits for a time that is near, letting others run, unless something new comes first.
func (r *Rig) spinUntil(at time.Duration) {
	for r.time() < at {
		select {
		case <-r.poke:
			return
		case <-r.done:
			return
		default:
			runtime.Gosched()
		}
	}
}
