package gpiochip

import (
	"cmp"
	"fmt"
	"slices"
	"unsafe"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/pin"
	"periph.io/x/host/v3/pmem"
)

// Where the registers can be mapped: a device with nothing but the GPIO registers, or, if the kernel permits it, all of
// physical memory.
const (
	gpioMemoryDevice = "/dev/gpiomem"
	memoryDevice     = "/dev/mem"
)

// registerBases is the physical address of a processor's GPIO registers. Source: the peripherals' manuals of these
// processors, from memory; used only where there is no device for them alone.
var registerBases = map[string]int64{
	"bcm2708": 0x20200000, "bcm2835": 0x20200000,
	"bcm2709": 0x3F200000, "bcm2710": 0x3F200000, "bcm2836": 0x3F200000, "bcm2837": 0x3F200000,
	"bcm2711": 0xFE200000,
}

// mappedLines is how many lines are in the first register of each kind: all of the header's.
const mappedLines = 32

const kernelDrive = `write drive = "kernel"`

// registers are a chip's registers of its lines 0 to 31. set and clear drive those whose bits are 1 high and low and
// leave the others alone; function reads a line's function.
type registers struct {
	set, clear func(lines uint32)
	function   func(line int) pin.Func
}

// registerBank drives outputs through registers.
type registerBank struct {
	registers registers
	bit       [MaxLines]uint32 // of each output's line
	activeLow uint8
}

// Mappable returns why outputs on these lines cannot be driven through registers on this host, or nil. It changes
// nothing.
func Mappable(host Host, lines []LineInfo) error {
	if host.family == "" {
		return &Error{Where: cmp.Or(host.Model, "this machine"), What: "has no output registers that are known here",
			Remedy: kernelDrive}
	}
	for _, l := range lines {
		if !slices.Contains(bcmChips, l.Chip.Label) || l.Number >= mappedLines {
			return &Error{Where: l.String(), What: "is not in the processor's own registers",
				Remedy: "use a line of the header's chip, or " + kernelDrive}
		}
	}
	err := checkMapping(gpioMemoryDevice, 0)
	if err == nil || checkMapping(memoryDevice, registerBases[host.family]) == nil {
		return nil
	}
	return &Error{Where: gpioMemoryDevice, What: "cannot be used", Err: err,
		Remedy: "add the user to the group that owns it and log in again; if there is no such device, this kernel has no " +
			"driver for it: " + kernelDrive}
}

func linesOf(outputs []OutputRequest) []LineInfo {
	lines := make([]LineInfo, len(outputs))
	for i, o := range outputs {
		lines[i] = o.Line
	}
	return lines
}

// newRegisterBank maps outputs, which the kernel holds at their off level, to registers. It writes nothing: it checks
// that the registers show each line as the kernel set it. If not, they are not this chip's.
func newRegisterBank(r registers, outputs []OutputRequest) (*registerBank, error) {
	b := &registerBank{registers: r}
	for i, o := range outputs {
		off := gpio.OUT_LOW
		if o.ActiveLow {
			off = gpio.OUT_HIGH
			b.activeLow |= 1 << i
		}
		if found := r.function(o.Line.Number); found != off {
			return nil, &Error{Where: o.Line.String(),
				What:   fmt.Sprintf("the registers say %s where the kernel has %s: they are not this chip's", found, off),
				Remedy: kernelDrive}
		}
		b.bit[i] = 1 << o.Line.Number
	}
	return b, nil
}

// set sets the outputs in mask: one write for those that go low, one for those that go high.
func (b *registerBank) set(mask, levels uint8) {
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

// socRegisters are the GPIO registers of these processors, as far as they are used here. Source: "BCM2835 ARM
// Peripherals", section 6.1; the later ones keep this part of the layout.
type socRegisters struct {
	Function [6]uint32 // three bits a line: 0 is an input, 1 an output
	Gap0     uint32
	Set      [2]uint32 // written ones drive high
	Gap1     uint32
	Clear    [2]uint32 // written ones drive low
	Gap2     uint32
	Level    [2]uint32
}

// loadRegisters maps the registers. It uses periph's mapping and none of its drivers: those open every chip, close file
// descriptor 0 where one has two device nodes, and fail where a kernel's name of a line is one of theirs ("PWM0_OUT").
func loadRegisters(host Host) (registers, error) {
	view, err := pmem.MapGPIO()
	if err != nil {
		view, err = pmem.Map(uint64(registerBases[host.family]), int(unsafe.Sizeof(socRegisters{})))
	}
	var soc *socRegisters
	if err == nil {
		err = view.AsPOD(&soc)
	}
	if err != nil {
		return registers{}, &Error{Where: "output registers", What: "cannot be mapped", Err: err, Remedy: kernelDrive}
	}
	return soc.registers(), nil
}

func (soc *socRegisters) registers() registers {
	return registers{
		set:      func(lines uint32) { soc.Set[0] = lines },
		clear:    func(lines uint32) { soc.Clear[0] = lines },
		function: soc.function,
	}
}

// function returns the function of one of the first lines, in periph's terms.
func (soc *socRegisters) function(line int) pin.Func {
	high := soc.Level[0]>>line&1 != 0
	switch soc.Function[line/10] >> (line % 10 * 3) & 7 {
	case 0:
		if high {
			return gpio.IN_HIGH
		}
		return gpio.IN_LOW
	case 1:
		if high {
			return gpio.OUT_HIGH
		}
		return gpio.OUT_LOW
	}
	return pin.FuncNone
}
