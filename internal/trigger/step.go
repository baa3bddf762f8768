package trigger

import "stillwater/internal/wire"

// MaxActions is more than any one Step returns.
const MaxActions = 96

// step is the work of one Step. There is at most one Drive and it comes first, so that nothing is said before the
// outputs are as said.
type step struct {
	s      State
	now    wire.Tick
	out    []Action
	mask   uint8 // what to drive
	levels uint8
}

// Step takes one event and returns the next state and what to do, appended to buf. It allocates nothing when buf has
// room for MaxActions. There is at most one ActionDrive among the actions, and it is the first.
func Step(s State, e Event, buf []Action) (State, []Action) {
	x := step{s: s, now: e.Now, out: append(buf, Action{Kind: ActionDrive})}
	x.settle(&e)
	x.stop(&e)
	x.advance()
	x.handle(&e)
	x.finish()
	x.flush()
	drive := len(buf)
	if x.mask == 0 {
		x.out = append(x.out[:drive], x.out[drive+1:]...)
	} else {
		x.out[drive].Mask, x.out[drive].Levels = x.mask, x.levels
	}
	return x.s, x.out
}

// settle puts down when the outputs ordered before this event changed: as EventDrove says, else when they were ordered.
func (x *step) settle(e *Event) {
	for i := range x.s.jobs {
		j := &x.s.jobs[i]
		switch j.phase {
		case starting:
			j.on = e.drove(j.bit(), j.bit(), j.on)
			j.off = j.on + wire.Tick(j.width)
			j.phase = lit
			x.s.onSince[j.output] = j.on
		case ending:
			j.off = e.drove(j.bit(), 0, j.off)
			j.phase = ended
		}
	}
}

// drove is when e says that the output took the level, if it does and it can be true, else when it was ordered.
func (e *Event) drove(bit, level uint8, ordered wire.Tick) wire.Tick {
	if e.Kind != EventDrove || e.Mask&bit == 0 || e.Levels&bit != level || e.At.Before(ordered) || e.Now.Before(e.At) {
		return ordered
	}
	return e.At
}

// stop makes the board safe at once if e demands it, before anything that is due gets a chance to start.
func (x *step) stop(e *Event) {
	s := &x.s
	switch e.Kind {
	case EventTrouble:
		x.fault(wire.ReasonBoard, e.Count, x.now)
	case EventEdge:
		if s.stops(e.Input, e.High) {
			s.setLevel(e.Input, e.High)
			x.fault(wire.ReasonKill, uint32(e.Input), x.stamp(e.At))
		}
	case EventLost:
		// What a kill input did unseen may have been a stop.
		if e.Input < s.cfg.InputLen && s.cfg.Inputs[e.Input].Kind == wire.InputKill {
			x.fault(wire.ReasonKill, uint32(e.Input), x.stamp(e.At))
		}
	case EventReceived:
		if _, err := wire.ParseDisarm(e.Frame); err != nil {
			return
		}
		if s.killed() {
			x.safe(wire.Faulted, wire.ReasonKill, wire.Disarmed)
		} else {
			x.safe(wire.Safe, wire.ReasonRequested, wire.Disarmed)
		}
	}
}

// advance does what is due by now.
func (x *step) advance() {
	s := &x.s
	x.forget()
	if s.guarded() && x.now.Sub(s.heard) >= int32(s.cfg.TickHz) {
		x.fault(wire.ReasonLinkQuiet, 0, x.now)
		return
	}
	for i := range s.cfg.OutputLen {
		if x.tooLong(i) {
			x.fault(wire.ReasonMaxOn, uint32(i), x.now)
			return
		}
	}
	if s.code == wire.Resting && !x.now.Before(s.shot.restEnd) {
		x.rested()
	}
	x.runJobs()
}

// forget drops stamps before they grow so old that a wrap would make them look new. While armed there is an event at
// least each second, or the link is quiet; at rest there are no stamps.
func (x *step) forget() {
	const old = 1 << 30
	for i := range x.s.hold {
		x.s.hold[i].dropIf(x.now, old)
	}
	x.s.gate.dropIf(x.now, old)
	x.s.notBefore.dropIf(x.now, old)
}

func (t *stamp) dropIf(now wire.Tick, old int32) {
	if t.set && now.Sub(t.at) > old {
		t.set = false
	}
}

// tooLong says whether an output was, or is about to be, on longer than its limit. This looks at the output, not at
// what is planned for it: it is the last guard. A pulse as long as the limit may end a little behind it.
func (x *step) tooLong(output uint8) bool {
	s := &x.s
	if s.outputs&(1<<output) == 0 {
		return false
	}
	over := x.now.Sub(s.onSince[output]) - int32(s.cfg.Outputs[output].MaxOn)
	if over < 0 {
		return false
	}
	for i := range s.jobs {
		if j := &s.jobs[i]; j.phase == lit && j.output == output && !x.now.Before(j.off) {
			return over > int32(s.cfg.SafeWithin)
		}
	}
	return true
}

// runJobs ends and starts the pulses that are due.
func (x *step) runJobs() {
	s := &x.s
	for i := range s.jobs {
		j := &s.jobs[i]
		if behind := x.now.Sub(j.start); j.phase == waiting && behind > int32(s.program.Late) {
			x.late(j.start)
			return
		}
	}
	for i := range s.jobs {
		j := &s.jobs[i]
		switch {
		case j.phase == lit && !x.now.Before(j.off):
			j.phase, j.off = ending, x.now
			x.drive(j.bit(), 0)
		case j.phase == waiting && !x.now.Before(j.start) && s.outputs&j.bit() == 0 && x.mask&j.bit() == 0:
			x.light(j)
		}
	}
}

// light orders a pulse on.
func (x *step) light(j *job) {
	j.phase, j.on = starting, x.now
	x.s.onSince[j.output] = x.now
	x.drive(j.bit(), j.bit())
}

// drive adds to what this Step drives.
func (x *step) drive(mask, levels uint8) {
	x.mask |= mask
	x.levels = x.levels&^mask | levels
	x.s.outputs = x.s.outputs&^mask | levels
}

// allOff drives every output off and cuts every pulse short.
func (x *step) allOff() {
	x.drive(x.s.all, 0)
	for i := range x.s.jobs {
		j := &x.s.jobs[i]
		switch j.phase {
		case waiting, starting: // one ordered on in this very Step never was on
			j.phase = idle
		case lit, ending:
			j.phase, j.off = ended, x.now
		}
	}
}

// handle does what the event itself asks for.
func (x *step) handle(e *Event) {
	switch e.Kind {
	case EventStart:
		x.start()
	case EventEdge:
		x.edge(e.Input, e.High, x.stamp(e.At))
	case EventLost:
		x.edgesLost(e.Input, e.Count, x.stamp(e.At))
	case EventReceived:
		x.s.heard = x.now
		x.received(&e.Frame)
	}
}

// start drives every output off and announces the board.
func (x *step) start() {
	x.allOff()
	x.send(x.s.identity().Frame(0))
	if x.s.killed() {
		x.fault(wire.ReasonKill, uint32(x.s.killer()), x.now)
		return
	}
	x.sendState()
}

// stamp is a time that is not after now, as nothing that happened can be.
func (x *step) stamp(at wire.Tick) wire.Tick {
	if x.now.Before(at) {
		return x.now
	}
	return at
}

func (s *State) setLevel(input uint8, high bool) {
	s.inputs &^= 1 << input
	if high {
		s.inputs |= 1 << input
	}
}

// killer is the first kill input at the level that means stop.
func (s *State) killer() uint8 {
	for i := range s.cfg.InputLen {
		if s.stops(i, s.inputs&(1<<i) != 0) {
			return i
		}
	}
	return wire.NoInput
}
