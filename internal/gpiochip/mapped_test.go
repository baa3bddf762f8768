package gpiochip

import (
	"testing"
	"unsafe"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/gpio/gpiotest"
	"periph.io/x/conn/v3/pin"
)

// fakeRegisters is registers over periph's fake pins. It counts the writes.
type fakeRegisters struct {
	pins   [32]*gpiotest.Pin
	writes int
}

func newFakeRegisters() *fakeRegisters {
	f := &fakeRegisters{}
	for i := range f.pins {
		f.pins[i] = &gpiotest.Pin{N: "fake", Num: i, Fn: string(gpio.IN_LOW)}
	}
	return f
}

func (f *fakeRegisters) registers() registers {
	write := func(level gpio.Level) func(uint32) {
		return func(lines uint32) {
			f.writes++
			for i, p := range f.pins {
				if lines>>i&1 != 0 {
					_ = p.Out(level)
				}
			}
		}
	}
	return registers{set: write(gpio.High), clear: write(gpio.Low),
		function: func(n int) pin.Func { return f.pins[n].Func() }}
}

// request does what the kernel does for an output: off, before it drives.
func (f *fakeRegisters) request(outputs []OutputRequest) {
	for _, o := range outputs {
		p := f.pins[o.Line.Number]
		p.L, p.Fn = gpio.Level(o.ActiveLow), string(gpio.OUT_LOW)
		if o.ActiveLow {
			p.Fn = string(gpio.OUT_HIGH)
		}
	}
}

// outputsOn makes outputs on lines of the header's chip; those in activeLow are on when low.
func outputsOn(activeLow uint8, numbers ...int) []OutputRequest {
	outputs := make([]OutputRequest, len(numbers))
	for i, n := range numbers {
		outputs[i] = OutputRequest{Line: headerHost().Lines["/dev/gpiochip0"][n], ActiveLow: activeLow>>i&1 != 0}
	}
	return outputs
}

func TestMappedOutputs(t *testing.T) {
	f := newFakeRegisters()
	outputs := outputsOn(0b010, 23, 24, 31)
	f.request(outputs)
	b, err := newRegisterBank(f.registers(), outputs)
	require.NoError(t, err)
	assert.Zero(t, f.writes, "nothing is written before the first Set")
	f.pins[4].L = gpio.High // somebody else's

	levels := func() (l [3]gpio.Level) { return [3]gpio.Level{f.pins[23].L, f.pins[24].L, f.pins[31].L} }
	off := [3]gpio.Level{gpio.Low, gpio.High, gpio.Low}
	require.Equal(t, off, levels())

	b.set(0b101, 0b111)
	assert.Equal(t, [3]gpio.Level{gpio.High, gpio.High, gpio.High}, levels(), "only those in the mask")
	assert.Equal(t, 1, f.writes, "two outputs of one moment are one write")
	b.set(0b111, 0b010)
	assert.Equal(t, [3]gpio.Level{gpio.Low, gpio.Low, gpio.Low}, levels())
	b.set(0b111, 0)
	assert.Equal(t, off, levels())
	f.writes = 0
	b.set(0, 0xFF)
	assert.Zero(t, f.writes)
	assert.Equal(t, gpio.High, f.pins[4].L)
	for i, p := range f.pins {
		if i != 23 && i != 24 && i != 31 && i != 4 {
			assert.Equal(t, gpio.Low, p.L, i)
		}
	}
}

// Registers that do not show the lines as the kernel set them are other memory: nothing is written there.
func TestMappedOutputsLookFirst(t *testing.T) {
	outputs := outputsOn(0b10, 23, 24)
	spoil := map[string]func(*fakeRegisters){
		"still an input":  func(f *fakeRegisters) { f.pins[23].Fn = string(gpio.IN_LOW) },
		"at the on level": func(f *fakeRegisters) { f.pins[24].Fn = string(gpio.OUT_LOW) },
		"all zero": func(f *fakeRegisters) {
			for _, p := range f.pins {
				p.L, p.Fn = gpio.Low, string(gpio.IN_LOW)
			}
		},
	}
	for name, spoil := range spoil {
		t.Run(name, func(t *testing.T) {
			f := newFakeRegisters()
			f.request(outputs)
			spoil(f)
			_, err := newRegisterBank(f.registers(), outputs)
			assert.ErrorContains(t, err, "they are not this chip's")
			assert.ErrorContains(t, err, `write drive = "kernel"`)
			assert.Zero(t, f.writes)
		})
	}
}

func TestMappedOutputsDoNotAllocate(t *testing.T) {
	soc := &socRegisters{Function: [6]uint32{2: 1<<9 | 1<<12}}
	b, err := newRegisterBank(soc.registers(), outputsOn(0, 23, 24))
	require.NoError(t, err)
	assert.Zero(t, testing.AllocsPerRun(100, func() { b.set(0b11, 0b11); b.set(0b11, 0) }))
}

// Without registers there is an error with a remedy, never a silent fallback.
func TestMappableRefuses(t *testing.T) {
	err := Mappable(Host{}, nil)
	assert.EqualError(t, err, `this machine: has no output registers that are known here; write drive = "kernel"`)
	err = Mappable(Host{Model: "A newer board"}, nil)
	assert.ErrorContains(t, err, "A newer board: has no output registers")

	m := headerHost()
	for _, l := range []LineInfo{m.Lines["/dev/gpiochip0"][32], m.Lines["/dev/gpiochip1"][0]} {
		err = Mappable(m.Host, []LineInfo{m.Lines["/dev/gpiochip0"][24], l})
		assert.ErrorContains(t, err, l.String()+": is not in the processor's own registers; use a line of the header's chip")
	}
}

// The registers' places and the lines' bits, against the offsets of "BCM2835 ARM Peripherals", table 6-1, quoted from
// memory.
func TestRegisterLayout(t *testing.T) {
	var soc socRegisters
	assert.Equal(t, uintptr(0x1C), unsafe.Offsetof(soc.Set))
	assert.Equal(t, uintptr(0x28), unsafe.Offsetof(soc.Clear))
	assert.Equal(t, uintptr(0x34), unsafe.Offsetof(soc.Level))

	soc.Function = [6]uint32{2: 1<<9 | 1<<12 | 4<<15} // GPFSEL2: 23 and 24 are outputs, 25 is something else
	soc.Level[0] = 1<<24 | 1<<17
	for line, want := range map[int]pin.Func{23: gpio.OUT_LOW, 24: gpio.OUT_HIGH, 25: pin.FuncNone, 17: gpio.IN_HIGH,
		0: gpio.IN_LOW, 31: gpio.IN_LOW} {
		assert.Equal(t, want, soc.function(line), line)
	}
	r := soc.registers()
	r.set(1 << 23)
	assert.Equal(t, [2]uint32{1 << 23, 0}, soc.Set)
	r.clear(1 << 24)
	assert.Equal(t, [2]uint32{1 << 24, 0}, soc.Clear)
}
