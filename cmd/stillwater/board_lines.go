package main

import (
	"errors"
	"fmt"
	"log/slog"
	"math/rand/v2"

	"stillwater/internal/config"
	"stillwater/internal/gpiochip"
	"stillwater/internal/phys"
	"stillwater/internal/realtime"
	"stillwater/internal/trigger"
	"stillwater/internal/wire"
)

// heldInputs are input lines that can be let go.
type heldInputs interface {
	sensors
	Close() error
}

// heldOutputs are output lines that can be let go, which switches them off. Fds are the descriptors that hold them.
type heldOutputs interface {
	switches
	Fds() []int
	Close() error
}

// lines are the lines of a board, held. Those that were not taken are nil.
type lines struct {
	outputs   heldOutputs
	heartbeat heldOutputs // one line, for the hardware's guard
	inputs    heldInputs
}

// openOutputs takes the outputs, which go to their off level, and the heartbeat's line, which goes low.
func openOutputs(b config.Board, l *lines) error {
	machine := gpiochip.Look()
	outs := make([]gpiochip.Output, len(b.Outputs))
	for i, o := range b.Outputs {
		line, err := find(machine, o.Line)
		if err != nil {
			return fmt.Errorf("output %q: %w", o.Name, err)
		}
		outs[i] = gpiochip.Output{Line: line, ActiveLow: o.SafeHigh}
	}
	outputs, err := gpiochip.OpenOutputs(consumer, outs)
	if err != nil {
		return fmt.Errorf("outputs: %w", err)
	}
	l.outputs = outputs
	if b.Drive == config.Mapped {
		if err := outputs.Map(machine.Host); err != nil {
			return fmt.Errorf("drive = \"mapped\": %w", err)
		}
	}
	slog.Info(saysDrive + outputs.Drive())
	return openHeartbeat(machine, b, l)
}

func openHeartbeat(machine gpiochip.Machine, b config.Board, l *lines) error {
	if b.Heartbeat == nil {
		return nil
	}
	line, err := find(machine, *b.Heartbeat)
	if err != nil {
		return fmt.Errorf("heartbeat: %w", err)
	}
	heartbeat, err := gpiochip.OpenOutputs(consumer, []gpiochip.Output{{Line: line}})
	if err != nil {
		return fmt.Errorf("heartbeat: %w", err)
	}
	l.heartbeat = heartbeat
	return nil
}

// openInputs takes the inputs.
func openInputs(b config.Board, l *lines) error {
	machine := gpiochip.Look()
	ins := make([]gpiochip.Input, len(b.Inputs))
	for i, in := range b.Inputs {
		line, err := find(machine, in.Line)
		if err != nil {
			return fmt.Errorf("input %q: %w", in.Name, err)
		}
		ins[i] = gpiochip.Input{Line: line, Bias: bias(in.Bias), Debounce: in.Debounce}
	}
	inputs, err := gpiochip.OpenInputs(consumer, ins)
	if err != nil {
		return fmt.Errorf("inputs: %w", err)
	}
	l.inputs = inputs
	for _, i := range inputs.Undebounced() {
		slog.Warn(fmt.Sprintf("board: input %q: %s", b.Inputs[i].Name, withoutDebounce(b.Inputs[i])))
	}
	return nil
}

// withoutDebounce says what an input whose chip refused debounce does instead. Sensors have none to begin with: it
// would move their stamps, and the program's hold-off takes their bounce.
func withoutDebounce(in config.Input) string {
	s := fmt.Sprintf("its chip refuses a debounce of %v: ", phys.Seconds(in.Debounce))
	if in.Role == config.Kill {
		return s + "the first edge stops everything, whatever bounces after it, and so does a short disturbance"
	}
	return s + "its first edge counts, and its bounce shows as further edges"
}

// close lets all lines go, the outputs last: that switches them off. Doing it again is no error.
func (l *lines) close() error {
	var errs []error
	if l.inputs != nil {
		errs = append(errs, l.inputs.Close())
	}
	if l.heartbeat != nil {
		errs = append(errs, l.heartbeat.Close())
	}
	if l.outputs != nil {
		errs = append(errs, l.outputs.Close())
	}
	*l = lines{}
	return errors.Join(errs...)
}

func bias(b config.Bias) gpiochip.Bias {
	switch b {
	case config.PullUp:
		return gpiochip.PullUp
	case config.PullDown:
		return gpiochip.PullDown
	case config.NoBias:
		return gpiochip.NoBias
	default:
		return gpiochip.AsIs
	}
}

// boardConfig is what the board announces and keeps to. levels are those of the inputs now.
func boardConfig(b config.Board, levels uint8) trigger.Config {
	c := trigger.Config{
		BootID:     rand.Uint32(),
		Reset:      wire.ResetProcess,
		TickHz:     realtime.TickHz,
		Lead:       realtime.Ticks(boardLead),
		SafeWithin: realtime.Ticks(boardSafeWithin),
		Firmware:   wireName("linux gpio"),
		Levels:     levels,
		InputLen:   uint8(len(b.Inputs)),
		OutputLen:  uint8(len(b.Outputs)),
	}
	for i, in := range b.Inputs {
		c.Inputs[i] = trigger.Input{Kind: in.Role.Kind(), Name: wireName(in.Name), KillHigh: in.ActiveHigh}
	}
	for i, out := range b.Outputs {
		c.Outputs[i] = trigger.Output{Kind: out.Kind, Name: wireName(out.Name), MaxOn: realtime.Ticks(out.LongestOn)}
	}
	return c
}

func wireName(s string) (n wire.Name) {
	copy(n[:], s)
	return n
}
