package trigger

import (
	"fmt"

	"stillwater/internal/wire"
)

// Bounds of Config.TickHz: coarse enough for 32-bit ticks, fine enough for a millisecond.
const (
	minTickHz = 1000
	maxTickHz = 1 << 30
)

// State is everything a board knows. It is a value: Step takes one and returns the next.
type State struct {
	cfg Config
	all uint8 // every output

	code    wire.StateCode
	reason  wire.Reason
	left    uint16 // shots still to come
	inputs  uint8  // levels
	outputs uint8  // on
	seq     uint8  // of the next frame
	heard   wire.Tick

	loaded  [wire.MaxProgram]byte
	program wire.Program
	ready   bool // program may be armed

	opened    bool // Go was given, its opening cues are not over
	count     uint8
	gate      stamp
	notBefore stamp // edges stamped earlier belong to what was before
	before    wire.Reason
	hold      [wire.MaxPins]stamp
	bounced   uint16 // since Arm
	lost      uint16 // since Arm

	shot    shot
	testing bool // the pulse under way is a test
	jobs    [2 * wire.MaxCues]job
	onSince [wire.MaxPins]wire.Tick
	reports [wire.MaxPins]reports
}

// shot is the shot under way or, before it is accepted, the next one: opening cues report its number.
type shot struct {
	number  uint16
	cues    uint8 // reported
	bounced uint16
	gate    wire.Tick
	clock   wire.Tick
	delay   uint32
	restEnd wire.Tick
}

// stamp is a time that may not be there.
type stamp struct {
	at  wire.Tick
	set bool
}

// phase is how far a pulse is.
type phase uint8

const (
	idle     phase = iota
	waiting        // for its start
	starting       // ordered on, at on
	lit            // on since on, until off
	ending         // ordered off, at off
	ended          // off since off, not reported
)

// job is one pulse: the first MaxCues of a State are the cues (or a test pulse), the rest the opening cues.
type job struct {
	phase  phase
	output uint8
	width  uint32
	start  wire.Tick
	on     wire.Tick
	off    wire.Tick
}

// New makes the state of a board that has just started; its first event must be EventStart. It refuses a board that
// could not keep the protocol's promises.
func New(cfg Config) (State, error) {
	switch {
	case cfg.TickHz < minTickHz || cfg.TickHz > maxTickHz:
		return State{}, fmt.Errorf("trigger: %d ticks a second, must be %d to %d", cfg.TickHz, minTickHz, maxTickHz)
	case cfg.Lead > wire.MaxDelay || cfg.SafeWithin > wire.MaxDelay:
		return State{}, fmt.Errorf("trigger: lead %d and safe-within %d ticks must be %d at most",
			cfg.Lead, cfg.SafeWithin, wire.MaxDelay)
	case cfg.InputLen > wire.MaxPins || cfg.OutputLen > wire.MaxPins || cfg.OutputLen == 0:
		return State{}, fmt.Errorf("trigger: %d inputs and %d outputs, must be 0 to %d and 1 to %d",
			cfg.InputLen, cfg.OutputLen, wire.MaxPins, wire.MaxPins)
	}
	s := State{cfg: cfg, all: uint8(1<<cfg.OutputLen - 1), reason: wire.ReasonNone, shot: shot{number: 1}}
	s.inputs = cfg.Levels & uint8(1<<cfg.InputLen-1)
	if _, err := wire.ParseIdentity(s.identity().Frame(0)); err != nil {
		return State{}, fmt.Errorf("trigger: identity: %w", err)
	}
	for i := range cfg.InputLen {
		if _, err := wire.ParseInputInfo(s.inputInfo(i).Frame(0)); err != nil {
			return State{}, fmt.Errorf("trigger: input %d: %w", i, err)
		}
	}
	for i := range cfg.OutputLen {
		if maxOn := cfg.Outputs[i].MaxOn; maxOn == 0 || maxOn > wire.MaxWidth {
			return State{}, fmt.Errorf("trigger: output %d (%s): longest on-time is %d ticks, must be 1 to %d",
				i, cfg.Outputs[i].Name, maxOn, wire.MaxWidth)
		}
		if _, err := wire.ParseOutputInfo(s.outputInfo(i).Frame(0)); err != nil {
			return State{}, fmt.Errorf("trigger: output %d: %w", i, err)
		}
	}
	return s, nil
}

// Code is the state of the board.
func (s *State) Code() wire.StateCode { return s.code }

// Reason is why the board is in that state.
func (s *State) Reason() wire.Reason { return s.reason }

// Left is how many shots are still to come.
func (s *State) Left() uint16 { return s.left }

// Outputs are the outputs ordered on, one bit each.
func (s *State) Outputs() uint8 { return s.outputs }

// Config is what the board is made of.
func (s *State) Config() Config { return s.cfg }

// Limits are what a program must keep to on this board.
func (s *State) Limits() wire.Limits {
	l := wire.Limits{
		Inputs: s.cfg.InputLen, Outputs: s.cfg.OutputLen,
		Table: wire.MaxTable, Cues: wire.MaxCues, Kill: s.killInputs(), Lead: s.cfg.Lead,
	}
	for i := range l.MaxOn {
		l.MaxOn[i] = s.cfg.Outputs[i].MaxOn
	}
	return l
}

// Wake is when s next wants an EventWake; false when it waits for nothing. It may be in the past: then at once.
func (s *State) Wake() (wire.Tick, bool) {
	var w earliest
	if s.guarded() {
		w.add(s.heard + wire.Tick(s.cfg.TickHz))
	}
	if s.code == wire.Resting {
		w.add(s.shot.restEnd)
	}
	for i := range s.jobs {
		w.addJob(&s.jobs[i], s.outputs)
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

// earliest is the first of the times added.
type earliest stamp

func (w *earliest) add(t wire.Tick) {
	if !w.set || t.Before(w.at) {
		w.at, w.set = t, true
	}
}

func (w *earliest) addJob(j *job, outputs uint8) {
	switch j.phase {
	case waiting:
		if outputs&j.bit() == 0 { // else the end of the pulse before it comes first
			w.add(j.start)
		}
	case starting:
		w.add(j.on)
	case lit, ending:
		w.add(j.off)
	}
}

func (w *earliest) addLimiter(l *limiter) {
	if l.open {
		w.add(l.until)
	}
}

func (j *job) bit() uint8 { return 1 << j.output }

// guarded says whether a quiet link must make the board safe.
func (s *State) guarded() bool {
	return s.code == wire.Armed || s.code == wire.Firing || s.code == wire.Resting || s.outputs != 0
}

// killInputs are the kill inputs, one bit each.
func (s *State) killInputs() uint8 {
	var mask uint8
	for i := range s.cfg.InputLen {
		if s.cfg.Inputs[i].Kind == wire.InputKill {
			mask |= 1 << i
		}
	}
	return mask
}

// killed says whether any kill input is at the level that means stop.
func (s *State) killed() bool {
	for i := range s.cfg.InputLen {
		if s.stops(i, s.inputs&(1<<i) != 0) {
			return true
		}
	}
	return false
}

// stops says whether this level of this input means stop.
func (s *State) stops(input uint8, high bool) bool {
	return input < s.cfg.InputLen && s.cfg.Inputs[input].Kind == wire.InputKill &&
		high == s.cfg.Inputs[input].KillHigh
}

// busy says whether any pulse is under way or planned.
func (s *State) busy() bool {
	for i := range s.jobs {
		if s.jobs[i].phase != idle {
			return true
		}
	}
	return false
}

// mustGo says whether the program needs Go before each shot.
func (s *State) mustGo() bool { return s.program.OpenLen > 0 || s.program.Clock.Input == wire.NoInput }

func (s *State) identity() wire.Identity {
	return wire.Identity{
		Version: wire.Version, Reset: s.cfg.Reset, BootID: s.cfg.BootID, TickHz: s.cfg.TickHz, Lead: s.cfg.Lead,
		SafeWithin: s.cfg.SafeWithin, Inputs: s.cfg.InputLen, Outputs: s.cfg.OutputLen,
		Table: wire.MaxTable, Cues: wire.MaxCues, Firmware: s.cfg.Firmware,
	}
}

func (s *State) inputInfo(i uint8) wire.InputInfo {
	return wire.InputInfo{Index: i, Kind: s.cfg.Inputs[i].Kind, Name: s.cfg.Inputs[i].Name}
}

func (s *State) outputInfo(i uint8) wire.OutputInfo {
	o := &s.cfg.Outputs[i]
	return wire.OutputInfo{Index: i, Kind: o.Kind, MaxOn: o.MaxOn, Name: o.Name}
}
