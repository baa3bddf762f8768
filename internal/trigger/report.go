package trigger

import "stillwater/internal/wire"

// reportPulses reports pulses that ended. With the last of them end the shot, the opening or the test.
func (x *step) reportPulses() {
	s := &x.s
	x.sendCues()
	if s.pulsing() {
		return
	}
	s.testing = false
	switch {
	case s.code == wire.Firing:
		x.endShot(wire.Done)
		x.beginRest(wire.ReasonNone)
	case s.opened && s.code == wire.Armed && !x.now.Before(s.windowEnd()):
		x.endOpening()
	}
}

// sendCues sends a Cue for each pulse that ended.
func (x *step) sendCues() {
	s := &x.s
	for i := range s.pulses {
		p := &s.pulses[i]
		if p.phase != pulseEnded {
			continue
		}
		p.phase = pulseIdle
		cue := wire.Cue{
			Shot: s.shot.number, Index: uint8(i % wire.MaxCues), Output: p.output, Opening: i >= wire.MaxCues,
			Planned: p.start, On: p.on, Off: p.off,
		}
		if s.testing {
			cue.Shot = 0
		} else {
			s.shot.cues++
		}
		x.send(cue.Frame(0))
	}
}

// pulsing reports whether any pulse is in progress or scheduled.
func (s *State) pulsing() bool {
	for i := range s.pulses {
		if s.pulses[i].phase != pulseIdle {
			return true
		}
	}
	return false
}

// endShot sends the one Shot message of an accepted shot.
func (x *step) endShot(status wire.Status) {
	s := &x.s
	x.send(wire.Shot{
		Number: s.shot.number, Status: status, Cues: s.shot.cues,
		GateAt: s.shot.gateAt, ClockAt: s.shot.clockAt, Delay: s.shot.delay, Bounced: s.shot.bounced,
	}.Frame(0))
	s.left--
	s.opened = false
	s.nextShot()
}

// nextShot advances to the next number, skipping zero.
func (s *State) nextShot() {
	s.shot.number++
	if s.shot.number == 0 {
		s.shot.number = 1
	}
	s.shot.cues, s.shot.bounced = 0, 0
}

// beginRest begins the rest after a shot. Even a rest that is already over ends only with the next Step, so that the
// host always sees it.
func (x *step) beginRest(reason wire.Reason) {
	s := &x.s
	if s.shot.restEnd.Before(x.now) {
		s.shot.restEnd = x.now
	}
	s.code, s.reason = wire.Resting, reason
	x.sendState()
}

// endOpening ends an opening without a shot: Go is needed again.
func (x *step) endOpening() {
	s := &x.s
	s.opened = false
	s.gate, s.count = stamp{}, 0
	s.nextShot()
	x.sendArmed()
}

// sendArmed reports that the board is armed, and whether it waits for Go.
func (x *step) sendArmed() {
	s := &x.s
	s.reason = wire.ReasonNone
	if s.needsGo() && !s.opened {
		s.reason = wire.ReasonNotOpened
	}
	x.sendState()
}

// reportsPerSecond limits each kind of report of each input, so that a burst of edges cannot fill the link.
const reportsPerSecond = 20

// limiter lets one report through in each window and counts the events it holds back.
type limiter struct {
	open    bool // a report was sent less than a window before until
	until   wire.Tick
	pending uint32
}

func (l *limiter) add(n uint32) {
	if l.pending += n; l.pending < n {
		l.pending = 1<<32 - 1
	}
}

// take returns the number of pending events, and true if a report is due.
func (l *limiter) take(now wire.Tick, window wire.Tick) (uint32, bool) {
	if l.open && now.Before(l.until) {
		return 0, false
	}
	n := l.pending
	l.open, l.pending = n > 0, 0
	l.until = now + window
	return n, n > 0
}

// inputReports are the pending reports of one input. A message carries the fields of the last event it counts.
type inputReports struct {
	edge, rejected, lost limiter

	edgeHigh bool
	edgeAt   wire.Tick

	rejectReason   wire.Reason
	rejectAt       wire.Tick
	rejectInterval uint32

	lostAt wire.Tick
}

func (r *inputReports) addEdge(high bool, at wire.Tick) {
	r.edgeHigh, r.edgeAt = high, at
	r.edge.add(1)
}

func (r *inputReports) addRejected(reason wire.Reason, at wire.Tick, interval uint32) {
	r.rejectReason, r.rejectAt, r.rejectInterval = reason, at, interval
	r.rejected.add(1)
}

func (r *inputReports) addLost(n uint32, at wire.Tick) {
	r.lostAt = at
	r.lost.add(n)
}

// sendReports sends the reports of inputs that are due.
func (x *step) sendReports() {
	window := wire.Tick(x.s.cfg.TickHz / reportsPerSecond)
	for i := range x.s.cfg.InputLen {
		r := &x.s.reports[i]
		if n, ok := r.edge.take(x.now, window); ok {
			x.send(wire.Edge{Input: i, High: r.edgeHigh, Count: addSaturating(0, n), At: r.edgeAt}.Frame(0))
		}
		if n, ok := r.rejected.take(x.now, window); ok {
			x.send(wire.Rejected{
				Reason: r.rejectReason, Input: i, Count: addSaturating(0, n), At: r.rejectAt, Interval: r.rejectInterval,
			}.Frame(0))
		}
		if n, ok := r.lost.take(x.now, window); ok {
			x.send(wire.Lost{Input: i, Count: n, At: r.lostAt}.Frame(0))
		}
	}
}

func (x *step) sendState() {
	s := &x.s
	x.send(wire.State{
		State: s.code, Reason: s.reason, Left: s.left, Inputs: s.inputs, Outputs: s.outputs,
		Now: x.now, Bounced: s.bounced, Lost: s.lost,
	}.Frame(0))
}

// send numbers a frame and appends it to the actions.
func (x *step) send(f wire.Frame) {
	f.Seq = x.s.seq
	x.s.seq++
	x.actions = append(x.actions, Action{Kind: ActionSend, Frame: f})
}
