package trigger

import "stillwater/internal/wire"

// Wake is when s next needs an EventWake; false if it is waiting for nothing. A time in the past means at once.
func (s *State) Wake() (wire.Tick, bool) {
	var w earliest
	if s.linkWatched() {
		w.add(s.lastHeard + wire.Tick(s.cfg.TickHz))
	}
	if s.code == wire.Resting {
		w.add(s.shot.restEnd)
	}
	if s.opened && s.code == wire.Armed && !s.pulsing() {
		w.add(s.windowEnd())
	}
	for i := range s.pulses {
		w.addPulse(&s.pulses[i], s.outputs)
	}
	for i := range s.cfg.OutputLen {
		if s.outputs&(1<<i) != 0 {
			w.add(s.onSince[i] + wire.Tick(s.cfg.Outputs[i].MaxOn))
		}
	}
	for i := range s.cfg.InputLen {
		r := &s.reports[i]
		w.addLimiter(&r.edge)
		w.addLimiter(&r.rejected)
		w.addLimiter(&r.lost)
	}
	return w.at, w.set
}

// windowEnd is when an opening without a shot ends, if its pulses are over: then no edge can be the n-th any more.
func (s *State) windowEnd() wire.Tick {
	if s.program.Gate.Input != wire.NoInput {
		return s.base
	}
	return s.base + wire.Tick(s.program.GateMax) + 1
}

// earliest is the first of the times added.
type earliest stamp

func (w *earliest) add(t wire.Tick) {
	if !w.set || t.Before(w.at) {
		w.at, w.set = t, true
	}
}

func (w *earliest) addPulse(p *pulse, outputs uint8) {
	switch p.phase {
	case pulseScheduled:
		if outputs&p.mask() == 0 { // else the previous pulse on this output ends first
			w.add(p.start)
		}
	case pulseStarting:
		w.add(p.on)
	case pulseOn, pulseEnding:
		w.add(p.off)
	}
}

func (w *earliest) addLimiter(l *limiter) {
	if l.open {
		w.add(l.until)
	}
}

// runDue does what is due by now.
func (x *step) runDue() {
	s := &x.s
	x.expireStamps()
	if s.linkWatched() && x.now.Sub(s.lastHeard) >= int32(s.cfg.TickHz) {
		x.fault(wire.ReasonLinkTimeout, 0, x.now)
		return
	}
	for i := range s.cfg.OutputLen {
		if x.onTooLong(i) {
			x.fault(wire.ReasonMaxOn, uint32(i), x.now)
			return
		}
	}
	if s.code == wire.Resting && !x.now.Before(s.shot.restEnd) {
		x.endRest()
	}
	x.runPulses()
}

// expireStamps drops stamps before a wrap could make them look new. While armed there is an event at least each second,
// or the link times out; disarming leaves no stamps.
func (x *step) expireStamps() {
	const old = 1 << 30
	for i := range x.s.holdOff {
		x.s.holdOff[i].expire(x.now, old)
	}
	x.s.gate.expire(x.now, old)
	x.s.ignoreBefore.expire(x.now, old)
}

func (t *stamp) expire(now wire.Tick, old int32) {
	if t.set && now.Sub(t.at) > old {
		t.set = false
	}
}

// linkWatched reports whether a link timeout must make the board safe.
func (s *State) linkWatched() bool { return s.armed() || s.outputs != 0 }

// onTooLong reports whether an output was, or is about to be, on longer than its limit. As the last line of defence it
// checks the output itself, not the schedule. A pulse as wide as the limit may end slightly late.
func (x *step) onTooLong(output uint8) bool {
	s := &x.s
	if s.outputs&(1<<output) == 0 {
		return false
	}
	over := x.now.Sub(s.onSince[output]) - int32(s.cfg.Outputs[output].MaxOn)
	if over < 0 {
		return false
	}
	for i := range s.pulses {
		if p := &s.pulses[i]; p.phase == pulseOn && p.output == output && !x.now.Before(p.off) {
			return over > int32(s.cfg.SafeWithin)
		}
	}
	return true
}

// endRest ends the rest: armed again, or safe after the last shot.
func (x *step) endRest() {
	s := &x.s
	if s.left == 0 {
		x.disarm(wire.Safe, wire.ReasonShotsDone, wire.Done)
		x.sendState()
		return
	}
	s.ignoreBefore, s.ignoreReason = stamp{s.shot.restEnd, true}, wire.ReasonResting
	s.code = wire.Armed
	x.sendArmed()
}

// runPulses ends and starts the pulses that are due.
func (x *step) runPulses() {
	s := &x.s
	for i := range s.pulses {
		p := &s.pulses[i]
		if behind := x.now.Sub(p.start); p.phase == pulseScheduled && behind > int32(s.program.Late) {
			x.late(p.start)
			return
		}
	}
	for i := range s.pulses {
		p := &s.pulses[i]
		switch {
		case p.phase == pulseOn && !x.now.Before(p.off):
			p.phase, p.off = pulseEnding, x.now
			x.drive(p.mask(), 0)
		case p.phase == pulseScheduled && !x.now.Before(p.start) && s.outputs&p.mask() == 0 && x.driveMask&p.mask() == 0:
			x.turnOn(p)
		}
	}
}

// late abandons what is in progress because a planned start was missed: the shot, or the opening cues before one.
func (x *step) late(planned wire.Tick) {
	s := &x.s
	x.allOff()
	x.sendCues()
	if s.code == wire.Firing {
		x.endShot(wire.Late)
		x.beginRest(wire.ReasonLate)
		return
	}
	x.send(wire.Rejected{
		Reason: wire.ReasonLate, Input: wire.NoInput, Count: 1, At: planned, Interval: uint32(x.now.Sub(planned)),
	}.Frame(0))
	x.endOpening()
}

// turnOn orders a pulse's output on.
func (x *step) turnOn(p *pulse) {
	p.phase, p.on = pulseStarting, x.now
	x.s.onSince[p.output] = x.now
	x.drive(p.mask(), p.mask())
}

// drive adds to the outputs that this Step drives.
func (x *step) drive(mask, levels uint8) {
	x.driveMask |= mask
	x.driveLevels = x.driveLevels&^mask | levels
	x.s.outputs = x.s.outputs&^mask | levels
}
