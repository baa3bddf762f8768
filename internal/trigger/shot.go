package trigger

import "stillwater/internal/wire"

// edge takes one change of an input.
func (x *step) edge(input uint8, high bool, at wire.Tick) {
	s := &x.s
	if input >= s.cfg.InputLen {
		return
	}
	s.setLevel(input, high)
	s.reports[input].noteEdge(high, at)
	if !s.armed() {
		return
	}
	p := &s.program
	clock := input == p.Clock.Input && high != p.Clock.Falling
	gate := input == p.Gate.Input && high != p.Gate.Falling
	if !clock && !gate {
		return
	}
	if h := s.hold[input]; h.set && at.Sub(h.at) < int32(p.HoldOff) {
		x.bounce()
		return
	}
	s.hold[input] = stamp{at, true}
	switch reason := s.deaf(at); {
	case reason != wire.ReasonNone:
		x.reject(reason, input, at, 0)
	case gate:
		x.gateEdge(at)
	case p.Gate.Input != wire.NoInput:
		x.gatedClock(input, at)
	default:
		x.countedClock(input, at)
	}
}

// armed says whether edges mean anything.
func (s *State) armed() bool {
	return s.code == wire.Armed || s.code == wire.Firing || s.code == wire.Resting
}

// deaf is why an edge with this stamp cannot begin a shot, or none.
func (s *State) deaf(at wire.Tick) wire.Reason {
	switch {
	case s.code == wire.Firing:
		return wire.ReasonBusy
	case s.code == wire.Resting:
		return wire.ReasonResting
	case s.mustGo() && !s.opened:
		return wire.ReasonNotOpened
	case s.notBefore.set && at.Before(s.notBefore.at):
		return s.before
	}
	return wire.ReasonNone
}

func (x *step) bounce() {
	x.s.bounced = add16(x.s.bounced, 1)
	x.s.shot.bounced = add16(x.s.shot.bounced, 1)
}

// gateEdge remembers the gate. The first edge of a ragged front counts: one that follows while the gate still waits for
// its clock is taken for a bounce.
func (x *step) gateEdge(at wire.Tick) {
	g := &x.s.gate
	if g.set && at.Sub(g.at) <= int32(x.s.program.GateMax) {
		x.bounce()
		return
	}
	*g = stamp{at, true}
}

// gatedClock takes a clock edge of a program with a gate. The gate is used up whatever comes of it.
func (x *step) gatedClock(input uint8, at wire.Tick) {
	s, p := &x.s, &x.s.program
	g := s.gate
	s.gate = stamp{}
	interval := at.Sub(g.at)
	switch {
	// After twice the longest interval it is another throw, not a slow one.
	case !g.set, interval < 0, interval > 2*int32(p.GateMax):
		x.reject(wire.ReasonNoGate, input, at, 0)
	case interval < int32(p.GateMin):
		x.reject(wire.ReasonTooFast, input, at, uint32(interval))
	case interval > int32(p.GateMax):
		x.reject(wire.ReasonTooSlow, input, at, uint32(interval))
	default:
		x.accept(g.at, at, interpolate(p.Table[:p.TableLen], uint32(interval)))
	}
}

// countedClock takes a clock edge of a program without a gate.
func (x *step) countedClock(input uint8, at wire.Tick) {
	s := &x.s
	s.count++
	if s.count < s.program.Nth {
		x.reject(wire.ReasonNotNth, input, at, uint32(s.count))
		return
	}
	x.accept(at, at, s.program.Table[0].Delay)
}

// interpolate is the delay for an interval inside the table: linear between two points, rounded toward the first.
func interpolate(table []wire.Point, interval uint32) uint32 {
	i := 1
	for i < len(table)-1 && interval > table[i].Interval {
		i++
	}
	a, b := table[i-1], table[i]
	into, span := uint64(interval-a.Interval), uint64(b.Interval-a.Interval)
	if b.Delay < a.Delay {
		return a.Delay - uint32(uint64(a.Delay-b.Delay)*into/span)
	}
	return a.Delay + uint32(uint64(b.Delay-a.Delay)*into/span)
}

// accept begins a shot: every cue gets its time, counted from the edge's stamp. If one cannot be met, none is tried.
func (x *step) accept(gate, clock wire.Tick, delay uint32) {
	s, p := &x.s, &x.s.program
	s.gate, s.count = stamp{}, 0
	s.code, s.reason = wire.Firing, wire.ReasonNone
	moment := clock + wire.Tick(delay)
	s.shot.gate, s.shot.clock, s.shot.delay = gate, clock, delay
	s.shot.restEnd = moment + wire.Tick(p.Rest)
	soonest := x.now + wire.Tick(s.cfg.Lead)
	late := false
	for i, c := range p.Cues[:p.CueLen] {
		s.jobs[i] = job{phase: waiting, output: c.Output, width: c.Width, start: moment.Add(c.Offset)}
		late = late || s.jobs[i].start.Before(soonest)
	}
	if late {
		x.late(moment)
		return
	}
	x.sendState()
}

// open plans the opening cues from base.
func (x *step) open(base wire.Tick) {
	s, p := &x.s, &x.s.program
	for i, c := range p.Opening[:p.OpenLen] {
		s.jobs[wire.MaxCues+i] = job{phase: waiting, output: c.Output, width: c.Width, start: base.Add(c.Offset)}
	}
	s.opened = true
	s.notBefore, s.before = stamp{x.now, true}, wire.ReasonNotOpened
}

// late gives up what is under way because a planned start was missed: the shot, or the opening cues before one.
func (x *step) late(planned wire.Tick) {
	s := &x.s
	x.allOff()
	x.reportCues()
	if s.code == wire.Firing {
		x.endShot(wire.Late)
		x.rest(wire.ReasonLate)
		return
	}
	x.send(wire.Rejected{
		Reason: wire.ReasonLate, Input: wire.NoInput, Count: 1, At: planned, Interval: uint32(x.now.Sub(planned)),
	}.Frame(0))
	x.close()
}

// close ends an opening that no shot came of: Go is needed again.
func (x *step) close() {
	s := &x.s
	s.opened = false
	s.gate, s.count = stamp{}, 0
	s.nextShot()
	x.ready()
}

// finish reports pulses that ended, and ends the shot, the opening or the test with the last of them.
func (x *step) finish() {
	s := &x.s
	x.reportCues()
	if s.busy() {
		return
	}
	s.testing = false
	switch {
	case s.code == wire.Firing:
		x.endShot(wire.Done)
		x.rest(wire.ReasonNone)
	case s.opened && s.code == wire.Armed:
		x.close()
	}
}

// reportCues sends a Cue for each pulse that ended.
func (x *step) reportCues() {
	s := &x.s
	for i := range s.jobs {
		j := &s.jobs[i]
		if j.phase != ended {
			continue
		}
		j.phase = idle
		cue := wire.Cue{
			Shot: s.shot.number, Index: uint8(i % wire.MaxCues), Output: j.output, Opening: i >= wire.MaxCues,
			Planned: j.start, On: j.on, Off: j.off,
		}
		if s.testing {
			cue.Shot = 0
		} else {
			s.shot.cues++
		}
		x.send(cue.Frame(0))
	}
}

// endShot sends the one Shot message of an accepted shot.
func (x *step) endShot(status wire.Status) {
	s := &x.s
	x.send(wire.Shot{
		Number: s.shot.number, Status: status, Cues: s.shot.cues,
		Gate: s.shot.gate, Clock: s.shot.clock, Delay: s.shot.delay, Bounced: s.shot.bounced,
	}.Frame(0))
	s.left--
	s.opened = false
	s.nextShot()
}

// nextShot makes ready for the next number, which is never zero.
func (s *State) nextShot() {
	s.shot.number++
	if s.shot.number == 0 {
		s.shot.number = 1
	}
	s.shot.cues, s.shot.bounced = 0, 0
}

// rest begins the rest after a shot. Even one that is over ends with the next Step, so that the host always sees it.
func (x *step) rest(reason wire.Reason) {
	s := &x.s
	if s.shot.restEnd.Before(x.now) {
		s.shot.restEnd = x.now
	}
	s.code, s.reason = wire.Resting, reason
	x.sendState()
}

// rested ends the rest: armed again, or done.
func (x *step) rested() {
	s := &x.s
	if s.left == 0 {
		x.safe(wire.Safe, wire.ReasonShotsDone, wire.Done)
		x.sendState()
		return
	}
	s.notBefore, s.before = stamp{s.shot.restEnd, true}, wire.ReasonResting
	s.code = wire.Armed
	x.ready()
}

// ready says that the board is armed, and whether it waits for Go.
func (x *step) ready() {
	s := &x.s
	s.reason = wire.ReasonNone
	if s.mustGo() && !s.opened {
		s.reason = wire.ReasonNotOpened
	}
	x.sendState()
}

// safe drives every output off, ends the shot under way with status, and disarms. The caller sends the State.
func (x *step) safe(code wire.StateCode, reason wire.Reason, status wire.Status) {
	s := &x.s
	x.allOff()
	x.reportCues()
	if s.code == wire.Firing {
		x.endShot(status)
	} else if s.opened {
		s.nextShot()
	}
	s.code, s.reason, s.left = code, reason, 0
	s.opened, s.testing = false, false
	s.gate, s.count, s.notBefore = stamp{}, 0, stamp{}
	s.hold = [wire.MaxPins]stamp{}
}

// fault makes the board safe and says why. A board in fault keeps its first reason, and stays quiet about more.
func (x *step) fault(reason wire.Reason, detail uint32, at wire.Tick) {
	if x.s.code == wire.Faulted {
		x.allOff()
		return
	}
	switch reason {
	case wire.ReasonKill:
		x.safe(wire.Faulted, reason, wire.Killed)
	case wire.ReasonLinkQuiet: // nothing is wrong with the board, and the host that comes back may arm it
		x.safe(wire.Safe, reason, wire.LinkQuiet)
	default:
		x.safe(wire.Faulted, reason, wire.Broken)
	}
	x.send(wire.Fault{Reason: reason, Detail: detail, At: at}.Frame(0))
	x.sendState()
}

// edgesLost starts gate and count again: what was pending can no longer be trusted.
func (x *step) edgesLost(input uint8, n uint32, at wire.Tick) {
	s := &x.s
	if input >= s.cfg.InputLen || n == 0 {
		return
	}
	s.lost = add16(s.lost, n)
	s.reports[input].noteLost(n, at)
	if s.code != wire.Armed || input != s.program.Clock.Input && input != s.program.Gate.Input {
		return
	}
	if s.gate.set || s.count > 0 {
		x.reject(wire.ReasonLostEdges, input, at, 0)
	}
	s.gate, s.count = stamp{}, 0
}

// add16 adds and stops at the largest value.
func add16(a uint16, b uint32) uint16 {
	if b >= uint32(0xFFFF-a) {
		return 0xFFFF
	}
	return a + uint16(b)
}
