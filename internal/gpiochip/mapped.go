package gpiochip

import (
	"errors"
	"fmt"
	"slices"

	"periph.io/x/conn/v3/driver/driverreg"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpioreg"
	"periph.io/x/conn/v3/pin"
	"periph.io/x/host/v3/bcm283x"
)

// Where the registers are found: a device with nothing but the GPIO registers, or all of physical memory.
const (
	gpioMemory = "/dev/gpiomem"
	allMemory  = "/dev/mem"
)

// mappedLines is how many lines are in the first register of each kind, and mappedChip how many a chip has whose lines
// periph takes for granted.
const (
	mappedLines = 32
	mappedChip  = 47
)

const kernelDrive = `write drive = "kernel"`

// registers are a chip's output registers. set and clear drive the lines whose bits are 1 high and low and leave the
// others alone; pin describes one line as the registers have it, without changing it.
type registers struct {
	set, clear func(lines uint32)
	pin        func(line int) (pin.PinFunc, bool)
}

// bank drives outputs through registers.
type bank struct {
	registers registers
	bit       [MaxLines]uint32 // of each output's line
	activeLow uint8
}

// Mappable says why outputs on these lines cannot be driven through registers on this host, or nil. It changes nothing.
func Mappable(host Host, lines []Line) error {
	if host.family == "" || !bcm283x.Present() {
		where := host.Model
		if where == "" {
			where = "this machine"
		}
		return &Error{Where: where, What: "has no output registers that are known here", Remedy: kernelDrive}
	}
	for _, l := range lines {
		if !slices.Contains(host.chips, l.Chip.Label) || l.Chip.Lines < mappedChip || l.Number >= mappedLines {
			return &Error{Where: l.String(), What: "is not in the processor's own registers",
				Remedy: "use a line of the header's chip, or " + kernelDrive}
		}
	}
	err := accessible(gpioMemory)
	if err == nil || accessible(allMemory) == nil {
		return nil
	}
	return &Error{Where: gpioMemory, What: "cannot be written", Err: err,
		Remedy: "add the user to the group that owns it and log in again; if there is no such device, this kernel has no " +
			"driver for it: " + kernelDrive}
}

func linesOf(outputs []Output) []Line {
	lines := make([]Line, len(outputs))
	for i, o := range outputs {
		lines[i] = o.Line
	}
	return lines
}

// newBank joins outputs, which the kernel holds at their off level, to registers. It writes nothing: it first looks
// whether the registers say of each line what the kernel made of it. If they do not, they are not this chip's.
func newBank(r registers, outputs []Output) (*bank, error) {
	b := &bank{registers: r}
	for i, o := range outputs {
		off := gpio.OUT_LOW
		if o.ActiveLow {
			off = gpio.OUT_HIGH
			b.activeLow |= 1 << i
		}
		p, ok := r.pin(o.Line.Number)
		if !ok {
			return nil, &Error{Where: o.Line.String(), What: "has no register", Remedy: kernelDrive}
		}
		if found := p.Func(); found != off {
			return nil, &Error{Where: o.Line.String(),
				What:   fmt.Sprintf("the registers say %s where the kernel has %s: they are not this chip's", found, off),
				Remedy: kernelDrive}
		}
		b.bit[i] = 1 << o.Line.Number
	}
	return b, nil
}

// set gives the outputs in mask their levels: one write for those that go low, one for those that go high.
func (b *bank) set(mask, levels uint8) {
	high := levels ^ b.activeLow
	var set, clear uint32
	for i, bit := range b.bit {
		switch {
		case mask>>i&1 == 0:
		case high>>i&1 != 0:
			set |= bit
		default:
			clear |= bit
		}
	}
	if clear != 0 {
		b.registers.clear(clear)
	}
	if set != 0 {
		b.registers.set(set)
	}
}

// loadRegisters starts periph's drivers, once, and returns the registers they mapped. Never used are periph's pins for
// driving: a first Out drives low whatever the safe level is.
func loadRegisters() (registers, error) {
	var state *driverreg.State
	var err error
	keepStandardInput(func() { state, err = driverreg.Init() })
	if err == nil {
		err = loaded(state, "bcm283x-gpio")
	}
	if err != nil {
		return registers{}, &Error{Where: "output registers", What: "cannot be mapped", Err: err, Remedy: kernelDrive}
	}
	return registers{set: bcm283x.PinsSet0To31, clear: bcm283x.PinsClear0To31, pin: registerPin}, nil
}

// loaded says why a driver is not.
func loaded(state *driverreg.State, name string) error {
	for _, d := range state.Loaded {
		if d.String() == name {
			return nil
		}
	}
	for _, f := range slices.Concat(state.Failed, state.Skipped) {
		if f.D.String() == name {
			return f.Err
		}
	}
	return errors.New("there is no driver for them")
}

func registerPin(line int) (pin.PinFunc, bool) {
	p, ok := gpioreg.ByName(fmt.Sprintf("GPIO%d", line)).(*bcm283x.Pin)
	return p, ok && p.Number() == line
}
