package rig

import (
	"fmt"
	"time"

	"stillwater/internal/scene"
	"stillwater/internal/shot"
	"stillwater/internal/trigger"
	"stillwater/internal/wire"
)

const (
	// TickHz is the rate of the board's clock: 0.1 us, as on Linux.
	TickHz = 10_000_000
	tick   = time.Second / TickHz

	// lead and safeWithin are what an ordinary process on an ordinary machine nearly always achieves. They are aims, not
	// measured bounds: the rig reports what it did.
	lead       = time.Millisecond
	safeWithin = 10 * time.Millisecond
	edgeLead   = 2 * lead // the edge may be taken up as late as that

	// late is generous: a busy desktop may suspend any process for some milliseconds, which should not end a practice
	// shot. The reports say how late each cue was.
	late = 25 * time.Millisecond
	// holdOff is longer than a drop takes to pass a beam, so that its leaving does not count as another drop.
	holdOff = 20 * time.Millisecond
)

// Inputs of the rig, by index.
const (
	InGate uint8 = iota
	InBeam
	InMicrophone
	InSync
	InKill
	InButton
	inputs
)

// Outputs of the rig, by index.
const (
	OutShutter uint8 = iota
	OutFocus
	OutFlash
	OutValve
	OutValve2
	outputs
)

// inputSpec is one input.
type inputSpec struct {
	name     string
	kind     wire.InputKind
	idleHigh bool
}

// inputSpecs: beams are high while unbroken, contacts while open. The kill switch opens to stop, so that a broken wire
// stops too.
var inputSpecs = [inputs]inputSpec{
	InGate:       {"gate", wire.InputBeam, true},
	InBeam:       {"beam", wire.InputBeam, true},
	InMicrophone: {"microphone", wire.InputMicrophone, false},
	InSync:       {"sync", wire.InputSync, true},
	InKill:       {"kill", wire.InputKill, false},
	InButton:     {"button", wire.InputButton, true},
}

var outputSpecs = [outputs]struct {
	name  string
	kind  wire.OutputKind
	maxOn time.Duration
	does  scene.Output
}{
	OutShutter: {"shutter", wire.OutputShutter, 60 * time.Second, scene.Shutter},
	OutFocus:   {"focus", wire.OutputFocus, 60 * time.Second, scene.Focus},
	OutFlash:   {"flash", wire.OutputFlash, 100 * time.Millisecond, scene.Flash},
	OutValve:   {"valve", wire.OutputValve, 500 * time.Millisecond, scene.Valve},
	OutValve2:  {"valve2", wire.OutputValve, 500 * time.Millisecond, scene.Valve},
}

// sensorInput is the input each sensor of the room is wired to.
var sensorInput = [...]uint8{
	scene.Gate:       InGate,
	scene.Beam:       InBeam,
	scene.Microphone: InMicrophone,
	scene.Sync:       InSync,
}

// Bench is the bench for plans on the rig.
func Bench() shot.Bench {
	in := func(i uint8) *shot.Sensor {
		return &shot.Sensor{Index: i, Name: inputSpecs[i].name, Falling: inputSpecs[i].idleHigh}
	}
	out := func(i uint8, delay time.Duration) *shot.Output {
		return &shot.Output{Index: i, Name: outputSpecs[i].name, MaxOn: outputSpecs[i].maxOn, Delay: delay}
	}
	return shot.Bench{
		Gate:       in(InGate),
		Beam:       in(InBeam),
		Microphone: in(InMicrophone),
		Shutter:    out(OutShutter, 0),
		Flash:      out(OutFlash, scene.FlashDelay),
		Valves:     []shot.Output{*out(OutValve, 0), *out(OutValve2, 0)},
		Lead:       lead,
		EdgeLead:   edgeLead,
		Tick:       tick,
		TableLen:   wire.MaxTable,
		Late:       late,
		HoldOff:    holdOff,
	}
}

// config is the configuration of the rig's board.
func config(bootID uint32) (trigger.Config, error) {
	cfg := trigger.Config{
		BootID:     bootID,
		Reset:      wire.ResetProcess,
		TickHz:     TickHz,
		Lead:       uint32(lead / tick),
		EdgeLead:   uint32(edgeLead / tick),
		GateLead:   uint32(edgeLead / tick),
		SafeWithin: uint32(safeWithin / tick),
		InputLen:   inputs,
		OutputLen:  outputs,
	}
	var err error
	if cfg.Firmware, err = wire.MakeName("simulated"); err != nil {
		return cfg, fmt.Errorf("naming the rig: %w", err)
	}
	for i, spec := range inputSpecs {
		name, err := wire.MakeName(spec.name)
		if err != nil {
			return cfg, fmt.Errorf("naming input %d: %w", i, err)
		}
		cfg.Inputs[i] = trigger.Input{Kind: spec.kind, Name: name, ActiveHigh: !spec.idleHigh}
	}
	for i, spec := range outputSpecs {
		name, err := wire.MakeName(spec.name)
		if err != nil {
			return cfg, fmt.Errorf("naming output %d: %w", i, err)
		}
		cfg.Outputs[i] = trigger.Output{Kind: spec.kind, Name: name, MaxOn: uint32(spec.maxOn / tick)}
	}
	return cfg, nil
}
