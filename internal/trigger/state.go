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

// State is the complete state of a board. It is a value: Step takes one and returns the next.
type State struct {
	cfg        Config
	allOutputs uint8 // a mask

	code      wire.StateCode
	reason    wire.Reason
	left      uint16 // shots
	inputs    uint8  // levels
	outputs   uint8  // on
	seq       uint8  // of the next frame
	lastHeard wire.Tick

	loadBuffer [wire.MaxProgram]byte
	program    wire.Program
	committed  bool // program may be armed

	opened       bool      // Go was given, and its opening cues and its window are not over
	base         wire.Tick // what the opening cues and the window count from
	count        uint8     // of clock edges, without a gate
	gate         stamp
	ignoreBefore stamp // edges stamped earlier are rejected with ignoreReason
	ignoreReason wire.Reason
	holdOff      [wire.MaxPins]stamp // the last edge that was not bounce
	bounced      uint16              // since Arm
	lost         uint16              // since Arm

	shot    shot
	testing bool // the pulse in progress is a test
	pulses  [2 * wire.MaxCues]pulse
	onSince [wire.MaxPins]wire.Tick
	reports [wire.MaxPins]inputReports
}

// shot is the shot in progress or, until one is accepted, the next: opening cues report its number.
type shot struct {
	number  uint16
	cues    uint8 // reported
	bounced uint16
	gateAt  wire.Tick
	clockAt wire.Tick
	delay   uint32
	restEnd wire.Tick
}

// stamp is an optional time.
type stamp struct {
	at  wire.Tick
	set bool
}

// pulsePhase is the progress of a pulse.
type pulsePhase uint8

const (
	pulseIdle      pulsePhase = iota
	pulseScheduled            // to start at start
	pulseStarting             // ordered on, at on
	pulseOn                   // on since on, until off
	pulseEnding               // ordered off, at off
	pulseEnded                // off since off, not reported
)

// pulse is one pulse. The first MaxCues of a State are the cues, or a test pulse in the first place, the rest the
// opening cues.
type pulse struct {
	phase  pulsePhase
	output uint8
	width  uint32
	start  wire.Tick
	on     wire.Tick
	off    wire.Tick
}

func (p *pulse) mask() uint8 { return 1 << p.output }

// New returns the state of a board that has just started; its first event must be EventStart. It rejects a
// configuration that cannot keep the protocol's promises.
func New(cfg Config) (State, error) {
	switch {
	case cfg.TickHz < minTickHz || cfg.TickHz > maxTickHz:
		return State{}, fmt.Errorf("trigger: %d ticks a second, must be %d to %d", cfg.TickHz, minTickHz, maxTickHz)
	case cfg.Lead > wire.MaxDelay || cfg.SafeWithin > wire.MaxDelay:
		return State{}, fmt.Errorf("trigger: lead %d and safe-within %d ticks must be %d at most",
			cfg.Lead, cfg.SafeWithin, wire.MaxDelay)
	case cfg.EdgeLead < cfg.Lead || cfg.GateLead < cfg.EdgeLead || cfg.GateLead > wire.MaxDelay:
		return State{}, fmt.Errorf("trigger: leads of %d ticks, %d from an edge and %d with a gate must not become shorter, "+
			"nor be above %d", cfg.Lead, cfg.EdgeLead, cfg.GateLead, wire.MaxDelay)
	case cfg.InputLen > wire.MaxPins || cfg.OutputLen > wire.MaxPins || cfg.OutputLen == 0:
		return State{}, fmt.Errorf("trigger: %d inputs and %d outputs, must be 0 to %d and 1 to %d",
			cfg.InputLen, cfg.OutputLen, wire.MaxPins, wire.MaxPins)
	}
	s := State{cfg: cfg, allOutputs: uint8(1<<cfg.OutputLen - 1), reason: wire.ReasonNone, shot: shot{number: 1}}
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

// Left is the number of shots left.
func (s *State) Left() uint16 { return s.left }

// Outputs are the outputs that are on, or ordered on, one bit each.
func (s *State) Outputs() uint8 { return s.outputs }

// Config is the configuration the state was made with.
func (s *State) Config() Config { return s.cfg }

// Limits are the limits of a program on this board.
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

func (s *State) identity() wire.Identity {
	return wire.Identity{
		Version: wire.Version, Reset: s.cfg.Reset, BootID: s.cfg.BootID, TickHz: s.cfg.TickHz, Lead: s.cfg.Lead,
		EdgeLead: s.cfg.EdgeLead, GateLead: s.cfg.GateLead, SafeWithin: s.cfg.SafeWithin,
		Inputs: s.cfg.InputLen, Outputs: s.cfg.OutputLen, Table: wire.MaxTable, Cues: wire.MaxCues, Firmware: s.cfg.Firmware,
	}
}

func (s *State) inputInfo(i uint8) wire.InputInfo {
	return wire.InputInfo{Index: i, Kind: s.cfg.Inputs[i].Kind, ActiveHigh: s.cfg.Inputs[i].ActiveHigh,
		Name: s.cfg.Inputs[i].Name}
}

func (s *State) outputInfo(i uint8) wire.OutputInfo {
	o := &s.cfg.Outputs[i]
	return wire.OutputInfo{Index: i, Kind: o.Kind, MaxOn: o.MaxOn, Name: o.Name}
}
