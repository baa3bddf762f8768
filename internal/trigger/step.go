package trigger

import "stillwater/internal/wire"

// MaxActions bounds the actions of one Step.
const MaxActions = 96

// step is the work of one Step. Its one Drive action comes first, so that every report describes outputs as driven.
type step struct {
	s           State
	now         wire.Tick
	actions     []Action
	driveMask   uint8
	driveLevels uint8
}

// Step takes one event and returns the next state and the actions it asks for, appended to buf. It does not allocate if
// buf has room for MaxActions. There is at most one ActionDrive, and it is the first action.
func Step(s State, e Event, buf []Action) (State, []Action) {
	x := step{s: s, now: e.Now, actions: append(buf, Action{Kind: ActionDrive})}
	x.recordDriven(&e)
	x.makeSafe(&e)
	x.runDue()
	x.handleEvent(&e)
	x.reportPulses()
	x.sendReports()
	drive := len(buf)
	if x.driveMask == 0 {
		x.actions = append(x.actions[:drive], x.actions[drive+1:]...)
	} else {
		x.actions[drive].Mask, x.actions[drive].Levels = x.driveMask, x.driveLevels
	}
	return x.s, x.actions
}

// recordDriven records when the outputs ordered before this event changed: the time EventDriven reports, or else the
// time they were ordered.
func (x *step) recordDriven(e *Event) {
	for i := range x.s.pulses {
		p := &x.s.pulses[i]
		switch p.phase {
		case pulseStarting:
			p.on = e.drivenAt(p.mask(), p.mask(), p.on)
			p.off = p.on + wire.Tick(p.width)
			p.phase = pulseOn
			x.s.onSince[p.output] = p.on
		case pulseEnding:
			p.off = e.drivenAt(p.mask(), 0, p.off)
			p.phase = pulseEnded
		}
	}
}

// drivenAt is when e reports that an output took the level, or ordered if e does not or reports an impossible time.
func (e *Event) drivenAt(mask, level uint8, ordered wire.Tick) wire.Tick {
	if e.Kind != EventDriven || e.Mask&mask == 0 || e.Levels&mask != level || e.At.Before(ordered) || e.Now.Before(e.At) {
		return ordered
	}
	return e.At
}

// handleEvent handles what is particular to the event.
func (x *step) handleEvent(e *Event) {
	switch e.Kind {
	case EventStart:
		x.start()
	case EventEdge:
		x.edge(e.Input, e.High, x.clampToNow(e.At))
	case EventLost:
		x.edgesLost(e.Input, e.Count, x.clampToNow(e.At))
	case EventReceived:
		x.s.lastHeard = x.now
		x.request(&e.Frame)
	}
}

// start drives every output off and announces the board.
func (x *step) start() {
	x.allOff()
	x.send(x.s.identity().Frame(0))
	if x.s.killActive() {
		x.fault(wire.ReasonKill, uint32(x.s.activeKill()), x.now)
		return
	}
	x.sendState()
}

// activeKill is the first kill input at its stop level.
func (s *State) activeKill() uint8 {
	for i := range s.cfg.InputLen {
		if s.isKillLevel(i, s.inputs&(1<<i) != 0) {
			return i
		}
	}
	return wire.NoInput
}

// clampToNow returns at, or now if that is earlier: a stamp cannot lie in the future.
func (x *step) clampToNow(at wire.Tick) wire.Tick {
	if x.now.Before(at) {
		return x.now
	}
	return at
}
