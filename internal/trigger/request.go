package trigger

import "stillwater/internal/wire"

// request answers one frame from the host. Form is checked before state: type, length, values, then permission.
func (x *step) request(f *wire.Frame) {
	switch f.Type {
	case wire.TypeIdentify:
		x.identify(f)
	case wire.TypePing:
		x.ping(f)
	case wire.TypeLoad:
		x.load(f)
	case wire.TypeCommit:
		x.commit(f)
	case wire.TypeArm:
		x.arm(f)
	case wire.TypeDisarm:
		if _, err := wire.ParseDisarm(*f); err != nil {
			x.malformed(f, err)
			return
		}
		x.ack(f) // makeSafe did the work
		x.sendState()
	case wire.TypeGo:
		x.startGo(f)
	case wire.TypePulse:
		x.testPulse(f)
	case wire.TypeSetLevel:
		x.setThreshold(f)
	default:
		x.refuse(f, wire.ReasonUnknownType, uint32(f.Type))
	}
}

func (x *step) identify(f *wire.Frame) {
	if _, err := wire.ParseIdentify(*f); err != nil {
		x.malformed(f, err)
		return
	}
	s := &x.s
	x.send(s.identity().Frame(0))
	for i := range s.cfg.InputLen {
		x.send(s.inputInfo(i).Frame(0))
	}
	for i := range s.cfg.OutputLen {
		x.send(s.outputInfo(i).Frame(0))
	}
	x.ack(f)
	x.sendState()
}

func (x *step) ping(f *wire.Frame) {
	m, err := wire.ParsePing(*f)
	if err != nil {
		x.malformed(f, err)
		return
	}
	x.send(wire.Pong{Token: m.Token, Now: x.now}.Frame(0))
}

// load stores one part of a program. This discards the committed program, so that a board needs memory for only one.
func (x *step) load(f *wire.Frame) {
	s := &x.s
	m, err := wire.ParseLoadPart(*f)
	switch {
	case err != nil:
		x.malformed(f, err)
	case s.armed():
		x.refuse(f, wire.ReasonArmed, 0)
	case int(m.Offset)+int(m.N) > len(s.loadBuffer):
		x.refuse(f, wire.ReasonBadLength, uint32(len(s.loadBuffer)))
	default:
		copy(s.loadBuffer[m.Offset:], m.Data[:m.N])
		s.committed = false
		x.ack(f)
	}
}

func (x *step) commit(f *wire.Frame) {
	s := &x.s
	m, err := wire.ParseCommit(*f)
	if err != nil {
		x.malformed(f, err)
		return
	}
	if s.armed() {
		x.refuse(f, wire.ReasonArmed, 0)
		return
	}
	s.committed = false
	problem := x.install(m)
	if !problem.OK() {
		x.refuse(f, problem.Reason, problem.Detail)
		return
	}
	s.committed = true
	x.ack(f)
}

// install checks the loaded program and makes it the current one.
func (x *step) install(m wire.Commit) wire.Problem {
	s := &x.s
	if int(m.Length) > len(s.loadBuffer) {
		return wire.Problem{Reason: wire.ReasonBadLength, Detail: uint32(len(s.loadBuffer))}
	}
	encoded := s.loadBuffer[:m.Length]
	if wire.CRC(encoded) != m.CRC {
		return wire.Problem{Reason: wire.ReasonBadCRC}
	}
	program, problem := wire.ParseProgram(encoded)
	if !problem.OK() {
		return problem
	}
	limits := s.Limits()
	if problem := program.Check(&limits); !problem.OK() {
		return problem
	}
	s.program = program
	return wire.Problem{}
}

func (x *step) arm(f *wire.Frame) {
	s := &x.s
	m, err := wire.ParseArm(*f)
	if err != nil {
		x.malformed(f, err)
		return
	}
	reason := x.blockedBy()
	if reason == wire.ReasonNone && !s.committed {
		reason = wire.ReasonNoProgram
	}
	if reason != wire.ReasonNone {
		x.refuse(f, reason, 0)
		return
	}
	s.code, s.left = wire.Armed, m.Shots
	s.bounced, s.lost, s.shot.bounced = 0, 0, 0
	s.ignoreBefore, s.ignoreReason = stamp{x.now, true}, wire.ReasonNotArmed
	x.ack(f)
	x.sendArmed()
}

// blockedBy is why the board can neither be armed nor pulse an output, or ReasonNone.
func (x *step) blockedBy() wire.Reason {
	s := &x.s
	switch {
	case s.killActive():
		return wire.ReasonKill
	case s.code == wire.Faulted:
		return wire.ReasonFaulted
	case s.armed():
		return wire.ReasonArmed
	case s.pulsing() || x.driveMask != 0: // this Step must not reverse what it drives
		return wire.ReasonBusy
	}
	return wire.ReasonNone
}

// startGo starts the opening cues, and the delay if there is no clock input. Go counts from now + lead, so that a cue
// at offset zero can be met.
func (x *step) startGo(f *wire.Frame) {
	s := &x.s
	if _, err := wire.ParseGo(*f); err != nil {
		x.malformed(f, err)
		return
	}
	switch {
	case s.code == wire.Firing, s.code == wire.Armed && s.opened:
		x.refuse(f, wire.ReasonBusy, 0)
	case s.code == wire.Resting:
		x.refuse(f, wire.ReasonResting, 0)
	case s.code != wire.Armed:
		x.refuse(f, wire.ReasonNotArmed, 0)
	case !s.needsGo():
		x.refuse(f, wire.ReasonUnsupported, 0)
	default:
		x.ack(f)
		base := x.now + wire.Tick(s.cfg.Lead)
		x.scheduleOpening(base)
		if s.program.Clock.Input == wire.NoInput {
			x.accept(base, base, s.program.Table[0].Delay)
		} else {
			x.sendArmed()
		}
	}
}

// scheduleOpening schedules the opening cues relative to base.
func (x *step) scheduleOpening(base wire.Tick) {
	s, p := &x.s, &x.s.program
	s.base = base
	for i, c := range p.Opening[:p.OpenLen] {
		s.pulses[wire.MaxCues+i] = pulse{phase: pulseScheduled, output: c.Output, width: c.Width, start: base.Add(c.Offset)}
	}
	s.opened = true
	s.ignoreBefore, s.ignoreReason = stamp{x.now, true}, wire.ReasonNotOpened
}

func (x *step) testPulse(f *wire.Frame) {
	s := &x.s
	m, err := wire.ParsePulse(*f)
	if err != nil {
		x.malformed(f, err)
		return
	}
	if m.Output >= s.cfg.OutputLen {
		x.refuse(f, wire.ReasonNoSuchPin, uint32(m.Output))
		return
	}
	if limit := s.cfg.Outputs[m.Output].MaxOn; m.Width > limit {
		x.refuse(f, wire.ReasonMaxOn, limit)
		return
	}
	if reason := x.blockedBy(); reason != wire.ReasonNone {
		x.refuse(f, reason, 0)
		return
	}
	s.testing = true
	s.pulses[0] = pulse{output: m.Output, width: m.Width, start: x.now}
	x.turnOn(&s.pulses[0])
	x.ack(f)
}

func (x *step) setThreshold(f *wire.Frame) {
	m, err := wire.ParseSetLevel(*f)
	switch {
	case err != nil:
		x.malformed(f, err)
	case m.Input >= x.s.cfg.InputLen:
		x.refuse(f, wire.ReasonNoSuchPin, uint32(m.Input))
	default:
		x.refuse(f, wire.ReasonUnsupported, uint32(m.Input))
	}
}

func (x *step) ack(f *wire.Frame) { x.send(wire.Ack{Seq: f.Seq, Type: f.Type}.Frame(0)) }

func (x *step) refuse(f *wire.Frame, reason wire.Reason, detail uint32) {
	x.send(wire.Refused{Seq: f.Seq, Type: f.Type, Reason: reason, Detail: detail}.Frame(0))
}

// malformed refuses a payload that its parser rejected.
func (x *step) malformed(f *wire.Frame, err error) {
	// Parsers return a bare PayloadError; errors.As would allocate.
	if at, ok := err.(wire.PayloadError); ok && at != wire.WrongLength {
		x.refuse(f, wire.ReasonBadValue, uint32(at))
		return
	}
	x.refuse(f, wire.ReasonBadLength, uint32(f.N))
}
