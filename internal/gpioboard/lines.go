package gpioboard

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
	"stillwater/internal/wiring"
)

// Consumer is what the kernel shows as the holder of the board's lines.
const Consumer = "stillwater"

// InputLines are input lines that the process holds until Close.
type InputLines interface {
	inputs
	Close() error
}

// OutputLines are requested output lines; Close switches them off. Fds are the descriptors that hold them.
type OutputLines interface {
	outputs
	Fds() []int
	Close() error
}

// Lines are the lines of a board. Those that were not opened are nil.
type Lines struct {
	Outputs   OutputLines
	Drive     string      // how the outputs are driven, in words
	Heartbeat OutputLines // one line, for the hardware's guard
	Inputs    InputLines
}

// Pins opens a board's lines, in two steps, and is how its watchdog switches outputs off.
type Pins struct {
	OpenOutputs, OpenInputs func(config.Board, *Lines) error
	SwitchOff               func(fd int) error
}

// ChipPins are the lines of this machine's GPIO chips.
func ChipPins() Pins {
	return Pins{OpenOutputs: openOutputs, OpenInputs: openInputs, SwitchOff: gpiochip.SwitchOff}
}

// FindLine looks up a line of the configuration.
func FindLine(m gpiochip.Machine, l wiring.Line) (gpiochip.LineInfo, error) {
	if l.Pin != "" {
		return m.FindPin(l.Pin)
	}
	return m.FindLine(l.Chip, l.Number)
}

// openOutputs requests the outputs, which go to their off level, and the heartbeat's line, which goes low.
func openOutputs(b config.Board, l *Lines) error {
	machine := gpiochip.Inspect()
	outs := make([]gpiochip.OutputRequest, len(b.Outputs))
	for i, o := range b.Outputs {
		line, err := FindLine(machine, o.Line)
		if err != nil {
			return fmt.Errorf("output %q: %w", o.Name, err)
		}
		outs[i] = gpiochip.OutputRequest{Line: line, ActiveLow: o.SafeHigh}
	}
	outputs, err := gpiochip.OpenOutputs(Consumer, outs)
	if err != nil {
		return fmt.Errorf("outputs: %w", err)
	}
	l.Outputs = outputs
	if b.Drive == config.Mapped {
		if err := outputs.Map(machine.Host); err != nil {
			return fmt.Errorf("drive = \"mapped\": %w", err)
		}
	}
	l.Drive = outputs.Drive()
	return openHeartbeat(machine, b, l)
}

func openHeartbeat(machine gpiochip.Machine, b config.Board, l *Lines) error {
	if b.Heartbeat == nil {
		return nil
	}
	line, err := FindLine(machine, *b.Heartbeat)
	if err != nil {
		return fmt.Errorf("heartbeat: %w", err)
	}
	heartbeat, err := gpiochip.OpenOutputs(Consumer, []gpiochip.OutputRequest{{Line: line}})
	if err != nil {
		return fmt.Errorf("heartbeat: %w", err)
	}
	l.Heartbeat = heartbeat
	return nil
}

// openInputs requests the inputs.
func openInputs(b config.Board, l *Lines) error {
	machine := gpiochip.Inspect()
	ins := make([]gpiochip.InputRequest, len(b.Inputs))
	for i, in := range b.Inputs {
		line, err := FindLine(machine, in.Line)
		if err != nil {
			return fmt.Errorf("input %q: %w", in.Name, err)
		}
		ins[i] = gpiochip.InputRequest{Line: line, Bias: InputBias(in.Bias), Debounce: in.Debounce}
	}
	inputs, err := gpiochip.OpenInputs(Consumer, ins)
	if err != nil {
		return fmt.Errorf("inputs: %w", err)
	}
	l.Inputs = inputs
	for _, i := range inputs.Undebounced() {
		slog.Warn(fmt.Sprintf("board: input %q: %s", b.Inputs[i].Name, DebounceRefused(b.Inputs[i])))
	}
	return nil
}

// DebounceRefused says what an input does whose chip refuses its debounce. Sensors have none to begin with: it would
// move their stamps, and the program's hold-off handles their bounce.
func DebounceRefused(in wiring.Input) string {
	s := fmt.Sprintf("its chip refuses a debounce of %v: ", phys.Seconds(in.Debounce))
	if in.Role == wiring.Kill {
		return s + "the first edge stops everything, whatever bounces after it, and so does a short disturbance"
	}
	return s + "its first edge counts, and its bounce shows as further edges"
}

// close releases all lines, the outputs last: that switches them off. Closing again is no error.
func (l *Lines) close() error {
	var errs []error
	if l.Inputs != nil {
		errs = append(errs, l.Inputs.Close())
	}
	if l.Heartbeat != nil {
		errs = append(errs, l.Heartbeat.Close())
	}
	if l.Outputs != nil {
		errs = append(errs, l.Outputs.Close())
	}
	*l = Lines{}
	return errors.Join(errs...)
}

// InputBias is a configured bias as the kernel knows it.
func InputBias(b wiring.Bias) gpiochip.Bias {
	switch b {
	case wiring.PullUp:
		return gpiochip.PullUp
	case wiring.PullDown:
		return gpiochip.PullDown
	case wiring.NoBias:
		return gpiochip.NoBias
	default:
		return gpiochip.AsIs
	}
}

// triggerConfig is what the board announces and enforces. levels are those of the inputs now.
func triggerConfig(b config.Board, levels uint8) trigger.Config {
	c := trigger.Config{
		BootID:     rand.Uint32(),
		Reset:      wire.ResetProcess,
		TickHz:     realtime.TickHz,
		Lead:       realtime.Ticks(minLead),
		EdgeLead:   realtime.Ticks(edgeLead),
		GateLead:   realtime.Ticks(edgeLead),
		SafeWithin: realtime.Ticks(safeWithin),
		Firmware:   wireName("linux gpio"),
		Levels:     levels,
		InputLen:   uint8(len(b.Inputs)),
		OutputLen:  uint8(len(b.Outputs)),
	}
	for i, in := range b.Inputs {
		c.Inputs[i] = trigger.Input{Kind: in.Role.Kind(), Name: wireName(in.Name), ActiveHigh: in.ActiveHigh}
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
