package trigger

import "stillwater/internal/wire"

// makeSafe makes the board safe at once if e demands it, before anything that is due can start.
func (x *step) makeSafe(e *Event) {
	s := &x.s
	switch e.Kind {
	case EventFault:
		x.fault(wire.ReasonBoard, e.Count, x.now)
	case EventEdge:
		if s.isKillLevel(e.Input, e.High) {
			s.setLevel(e.Input, e.High)
			x.fault(wire.ReasonKill, uint32(e.Input), x.clampToNow(e.At))
		}
	case EventLost:
		// One of the lost edges of a kill input may have been a stop.
		if e.Input < s.cfg.InputLen && s.cfg.Inputs[e.Input].Kind == wire.InputKill {
			x.fault(wire.ReasonKill, uint32(e.Input), x.clampToNow(e.At))
		}
	case EventReceived:
		if _, err := wire.ParseDisarm(e.Frame); err != nil {
			return
		}
		if s.killActive() {
			x.disarm(wire.Faulted, wire.ReasonKill, wire.Disarmed)
		} else {
			x.disarm(wire.Safe, wire.ReasonRequested, wire.Disarmed)
		}
	}
}

// killActive reports whether any kill input is at its stop level.
func (s *State) killActive() bool {
	for i := range s.cfg.InputLen {
		if s.isKillLevel(i, s.inputs&(1<<i) != 0) {
			return true
		}
	}
	return false
}

// isKillLevel reports whether this level of this input means stop.
func (s *State) isKillLevel(input uint8, high bool) bool {
	return input < s.cfg.InputLen && s.cfg.Inputs[input].Kind == wire.InputKill &&
		high == s.cfg.Inputs[input].ActiveHigh
}

// fault makes the board safe and reports why. A faulted board keeps its first reason and reports no other.
func (x *step) fault(reason wire.Reason, detail uint32, at wire.Tick) {
	if x.s.code == wire.Faulted {
		x.allOff()
		return
	}
	switch reason {
	case wire.ReasonKill:
		x.disarm(wire.Faulted, reason, wire.Killed)
	case wire.ReasonLinkTimeout: // the board itself is fine, and a host that returns may arm it
		x.disarm(wire.Safe, reason, wire.LinkTimeout)
	default:
		x.disarm(wire.Faulted, reason, wire.Aborted)
	}
	x.send(wire.Fault{Reason: reason, Detail: detail, At: at}.Frame(0))
	x.sendState()
}

// disarm drives every output off, ends any shot in progress with status, and disarms. The caller sends the State.
func (x *step) disarm(code wire.StateCode, reason wire.Reason, status wire.Status) {
	s := &x.s
	x.allOff()
	x.sendCues()
	if s.code == wire.Firing {
		x.endShot(status)
	} else if s.opened {
		s.nextShot()
	}
	s.code, s.reason, s.left = code, reason, 0
	s.opened, s.testing = false, false
	s.gate, s.count, s.ignoreBefore = stamp{}, 0, stamp{}
	s.holdOff = [wire.MaxPins]stamp{}
}

// allOff drives every output off, ends the pulses that are on and drops the others.
func (x *step) allOff() {
	x.drive(x.s.allOutputs, 0)
	for i := range x.s.pulses {
		p := &x.s.pulses[i]
		switch p.phase {
		case pulseScheduled, pulseStarting: // one ordered on in this very Step was never on
			p.phase = pulseIdle
		case pulseOn, pulseEnding:
			p.phase, p.off = pulseEnded, x.now
		}
	}
}
