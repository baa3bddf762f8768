package trigger

import "stillwater/internal/wire"

// edge handles one change of an input.
func (x *step) edge(input uint8, high bool, at wire.Tick) {
	s := &x.s
	if input >= s.cfg.InputLen {
		return
	}
	s.setLevel(input, high)
	s.reports[input].addEdge(high, at)
	if !s.armed() {
		return
	}
	p := &s.program
	isClock := input == p.Clock.Input && high != p.Clock.Falling
	isGate := input == p.Gate.Input && high != p.Gate.Falling
	if !isClock && !isGate {
		return
	}
	if h := s.holdOff[input]; h.set && at.Sub(h.at) < int32(p.HoldOff) {
		x.countBounce()
		return
	}
	s.holdOff[input] = stamp{at, true}
	switch reason := s.rejectReason(at); {
	case reason != wire.ReasonNone:
		s.reports[input].addRejected(reason, at, 0)
	case isGate:
		x.gateEdge(at)
	case p.Gate.Input != wire.NoInput:
		x.gatedClockEdge(input, at)
	default:
		x.countedClockEdge(input, at)
	}
}

func (s *State) setLevel(input uint8, high bool) {
	s.inputs &^= 1 << input
	if high {
		s.inputs |= 1 << input
	}
}

// armed reports whether edges of the program's inputs are looked at.
func (s *State) armed() bool {
	return s.code == wire.Armed || s.code == wire.Firing || s.code == wire.Resting
}

func (x *step) countBounce() {
	x.s.bounced = addSaturating(x.s.bounced, 1)
	x.s.shot.bounced = addSaturating(x.s.shot.bounced, 1)
}

// rejectReason is why an edge with this stamp cannot begin a shot, or ReasonNone.
func (s *State) rejectReason(at wire.Tick) wire.Reason {
	switch {
	case s.code == wire.Firing:
		return wire.ReasonBusy
	case s.code == wire.Resting:
		return wire.ReasonResting
	case s.needsGo() && !s.opened:
		return wire.ReasonNotOpened
	case s.ignoreBefore.set && at.Before(s.ignoreBefore.at):
		return s.ignoreReason
	}
	return wire.ReasonNone
}

// needsGo reports whether the program needs Go before each shot.
func (s *State) needsGo() bool { return s.program.OpenLen > 0 || s.program.Clock.Input == wire.NoInput }

// gateEdge remembers the gate. The first edge of a ragged front counts: one that follows while the gate still waits for
// its clock edge counts as bounce.
func (x *step) gateEdge(at wire.Tick) {
	g := &x.s.gate
	if g.set && at.Sub(g.at) <= int32(x.s.program.GateMax) {
		x.countBounce()
		return
	}
	*g = stamp{at, true}
}

// gatedClockEdge handles a clock edge of a program with a gate. It consumes the gate even if it is rejected.
func (x *step) gatedClockEdge(input uint8, at wire.Tick) {
	s, p := &x.s, &x.s.program
	g := s.gate
	s.gate = stamp{}
	interval := at.Sub(g.at)
	switch {
	// After twice the longest interval it is another throw, not a slow one.
	case !g.set, interval < 0, interval > 2*int32(p.GateMax):
		s.reports[input].addRejected(wire.ReasonNoGate, at, 0)
	case interval < int32(p.GateMin):
		s.reports[input].addRejected(wire.ReasonTooFast, at, uint32(interval))
	case interval > int32(p.GateMax):
		s.reports[input].addRejected(wire.ReasonTooSlow, at, uint32(interval))
	default:
		x.accept(g.at, at, interpolate(p.Table[:p.TableLen], uint32(interval)))
	}
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

// countedClockEdge handles a clock edge of a program without a gate. Outside a window's times none is the n-th.
func (x *step) countedClockEdge(input uint8, at wire.Tick) {
	s, p := &x.s, &x.s.program
	if s.count+1 < p.Nth {
		s.count++
		s.reports[input].addRejected(wire.ReasonNotNth, at, uint32(s.count))
		return
	}
	sinceGo := at.Sub(s.base)
	switch {
	case p.GateMax > 0 && sinceGo < int32(p.GateMin):
		s.reports[input].addRejected(wire.ReasonTooFast, at, uint32(max(sinceGo, 0)))
	case p.GateMax > 0 && sinceGo > int32(p.GateMax):
		s.reports[input].addRejected(wire.ReasonTooSlow, at, uint32(sinceGo))
	default:
		x.accept(at, at, p.Table[0].Delay)
	}
}

// accept begins a shot: every cue is scheduled relative to the edge's stamp. If one cannot be met, none is fired.
func (x *step) accept(gateAt, clockAt wire.Tick, delay uint32) {
	s, p := &x.s, &x.s.program
	s.gate, s.count = stamp{}, 0
	s.code, s.reason = wire.Firing, wire.ReasonNone
	moment := clockAt + wire.Tick(delay)
	s.shot.gateAt, s.shot.clockAt, s.shot.delay = gateAt, clockAt, delay
	s.shot.restEnd = moment + wire.Tick(p.Rest)
	soonest := x.now + wire.Tick(s.cfg.Lead)
	late := false
	for i, c := range p.Cues[:p.CueLen] {
		s.pulses[i] = pulse{phase: pulseScheduled, output: c.Output, width: c.Width, start: moment.Add(c.Offset)}
		late = late || s.pulses[i].start.Before(soonest)
	}
	if late {
		x.late(moment)
		return
	}
	x.sendState()
}

// edgesLost clears gate and count: what was pending can no longer be trusted.
func (x *step) edgesLost(input uint8, n uint32, at wire.Tick) {
	s := &x.s
	if input >= s.cfg.InputLen || n == 0 {
		return
	}
	s.lost = addSaturating(s.lost, n)
	s.reports[input].addLost(n, at)
	if s.code != wire.Armed || input != s.program.Clock.Input && input != s.program.Gate.Input {
		return
	}
	if s.gate.set || s.count > 0 {
		s.reports[input].addRejected(wire.ReasonLostEdges, at, 0)
	}
	s.gate, s.count = stamp{}, 0
}

// addSaturating adds b to a, up to the largest uint16.
func addSaturating(a uint16, b uint32) uint16 {
	if b >= uint32(0xFFFF-a) {
		return 0xFFFF
	}
	return a + uint16(b)
}
