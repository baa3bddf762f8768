package gpiochip

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// The header's table against the pin numbers and the pulls at boot printed in the board maker's GPIO documentation for
// the 40-pin header, quoted from memory.
func TestHeader(t *testing.T) {
	header := headerOf("P1", header40())
	assert.Len(t, header, 40)
	lines := map[int]string{}
	for i, p := range header {
		if p.Number >= 0 {
			assert.NotContains(t, lines, p.Number, "two positions of one line")
			lines[p.Number] = p.Position
			assert.Equal(t, p.Number <= 8, p.BootHigh, "%s: lines 0 to 8 are pulled up at boot, 9 to 27 down", p.Name)
		} else {
			assert.Contains(t, []string{"3.3V", "5V", "GROUND"}, p.Name, "position %d", i+1)
		}
	}
	assert.Len(t, lines, 28)
	for number, position := range map[int]string{2: "P1_3", 17: "P1_11", 27: "P1_13", 22: "P1_15", 23: "P1_16",
		24: "P1_18", 25: "P1_22", 5: "P1_29", 6: "P1_31", 12: "P1_32", 13: "P1_33", 16: "P1_36", 21: "P1_40"} {
		assert.Equal(t, position, lines[number])
	}
	uses := map[int]string{0: "memory", 1: "memory", 2: "I2C", 3: "I2C", 7: "SPI", 8: "SPI", 9: "SPI", 10: "SPI",
		11: "SPI", 14: "console", 15: "console"}
	for _, p := range header {
		if p.Number >= 0 && uses[p.Number] != "" {
			assert.Contains(t, p.Use, uses[p.Number])
		} else {
			assert.Empty(t, p.Use, p.Name)
		}
	}
	for _, supply := range []int{6, 9, 14, 20, 25, 30, 34, 39} {
		assert.Equal(t, "GROUND", header[supply-1].Name)
	}
}

func TestHosts(t *testing.T) {
	board := []string{"raspberrypi,3-model-b", "brcm,bcm2837"}
	first := []string{"raspberrypi,model-b", "brcm,bcm2835"}
	tests := map[string]struct {
		model      string
		compatible []string
		revision   uint32
		want       string
		header     int
		family     string
	}{
		"40 pins": {model: "Board", compatible: board, revision: 0xa02082,
			want: "Board", header: 40, family: "bcm2837"},
		"40 pins, old code": {model: "Board", compatible: first, revision: 0x10,
			want: "Board", header: 40, family: "bcm2835"},
		"26 pins, old code": {model: "Board", compatible: first, revision: 0xe,
			want: "Board", header: 26, family: "bcm2835"},
		"26 pins, new code": {model: "Board", compatible: first, revision: 0x900011,
			want: "Board", header: 26, family: "bcm2835"},
		"no code": {model: "Board", compatible: board, want: "Board", header: 40, family: "bcm2837"},
		"newer processor, whose registers are elsewhere": {model: "Board",
			compatible: []string{"raspberrypi,5-model-b", "brcm,bcm2712"}, revision: 0xc04170,
			want: "Board", header: 40},
		"an emulated machine": {model: "linux,dummy-virt", compatible: []string{"linux,dummy-virt"},
			want: "linux,dummy-virt"},
		"no device tree": {model: "<unknown>"},
		"another family": {model: "Pine64+", compatible: []string{"pine64,pine64-plus", "allwinner,sun50i-a64"},
			want: "Pine64+", header: 40},
		"24 pins":                    {model: "FriendlyARM NanoPi NEO Air", want: "FriendlyARM NanoPi NEO Air", header: 24},
		"26 pins":                    {model: "Xunlong Orange Pi Zero", want: "Xunlong Orange Pi Zero", header: 26},
		"a later model of that name": {model: "Xunlong Orange Pi Zero 3", want: "Xunlong Orange Pi Zero 3"},
	}
	for name, tc := range tests {
		t.Run(name, func(t *testing.T) {
			h := HostOf(tc.model, tc.compatible, tc.revision)
			assert.Equal(t, tc.want, h.Model)
			assert.Len(t, h.Header, tc.header)
			assert.Equal(t, tc.family, h.family)
		})
	}
}

func TestPinOfALine(t *testing.T) {
	m := headerHost()
	p, ok := m.Host.Pin(m.Lines["/dev/gpiochip0"][17])
	assert.True(t, ok)
	assert.Equal(t, "P1_11", p.Position)
	_, ok = m.Host.Pin(m.Lines["/dev/gpiochip0"][40])
	assert.False(t, ok, "not on the header")
	_, ok = m.Host.Pin(m.Lines["/dev/gpiochip1"][2])
	assert.False(t, ok, "another chip's line")
}

// Two chips share the other family's header. The numbers are those of the processor's manual, from memory: 32 a port.
func TestHeaderOfTwoChips(t *testing.T) {
	m := Machine{Host: HostOf("Pine64", nil, 0)}
	nameless := func(int) string { return "" }
	m.add(Chip{Path: "/dev/gpiochip0", Name: "gpiochip0", Label: "1f02c00.pinctrl", Lines: 32}, nameless)
	m.add(Chip{Path: "/dev/gpiochip1", Name: "gpiochip1", Label: "1c20800.pinctrl", Lines: 256}, nameless)
	for pin, want := range map[string]string{"P1_7": "gpiochip0 line 10", "PL10": "gpiochip0 line 10",
		"P1_8": "gpiochip1 line 32", "PB0": "gpiochip1 line 32", "P1_3": "gpiochip1 line 227"} {
		l, err := m.FindPin(pin)
		if assert.NoError(t, err, pin) {
			assert.Equal(t, want, l.String(), pin)
			p, ok := m.Host.Pin(l)
			assert.True(t, ok)
			assert.Contains(t, []string{p.Name, p.Position}, pin)
		}
	}
	_, err := m.FindPin("P1_1")
	assert.ErrorContains(t, err, "is a supply")
	assert.Error(t, Mappable(m.Host, nil))
}
