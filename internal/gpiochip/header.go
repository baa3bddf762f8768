package gpiochip

import (
	"fmt"
	"slices"
	"strings"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/pin"
	"periph.io/x/host/v3/allwinner"
	"periph.io/x/host/v3/bcm283x"
	"periph.io/x/host/v3/distro"
	"periph.io/x/host/v3/nanopi"
	"periph.io/x/host/v3/orangepi"
	"periph.io/x/host/v3/pine64"
	"periph.io/x/host/v3/rpi"
)

// Host is the computer that has the chips.
type Host struct {
	Model  string      // from the device tree, "" without one
	Header []HeaderPin // in order of position; empty if unknown
	family string      // of the processor, "" if its registers are unknown
}

// HeaderPin is one position of a header.
type HeaderPin struct {
	Position string   // "P1_11"
	Name     string   // "GPIO17", or a supply's name
	Number   int      // of the line on its chip; -1 for a supply
	BootHigh bool     // pulled up until software says otherwise, by the processor's manual
	Use      string   // other common use of the pin, "" if none
	chips    []string // its chip's labels in different kernels
}

// FindHost identifies the machine by its device tree, through periph. It opens no chip: periph's own initialisation
// would, and would close file descriptor 0 where one chip has two device nodes.
func FindHost() Host {
	return HostOf(distro.DTModel(), distro.DTCompatible(), distro.DTRevision())
}

// HostOf identifies a host by a device tree's model, compatible strings and revision. periph's own test for the first
// family is a driver that many kernels carry on every machine. The headers are periph's tables, except those that
// periph fills in from its drivers.
func HostOf(model string, compatible []string, revision uint32) Host {
	h := Host{Model: strings.Trim(model, "<>")}
	switch {
	case h.Model == "unknown":
		h.Model = ""
	case h.Model == "Pine64" || h.Model == "Pine64+":
		h.Header = headerOf("P1", pine64Header())
	case h.Model == "FriendlyARM NanoPi NEO Air":
		h.Header = headerOf("PA", nanoHeader())
	case h.Model == "Xunlong Orange Pi Zero":
		h.Header = headerOf("PA", orangeHeader())
	case slices.ContainsFunc(compatible, func(c string) bool { return strings.HasPrefix(c, "raspberrypi,") }):
		h.family = familyOf(compatible)
		h.Header = headerOf("P1", header40())
		if hasShortHeader(revision) {
			h.Header = h.Header[:26]
		}
	}
	return h
}

// familyOf is the processor's family if its GPIO registers are known, else "".
func familyOf(compatible []string) string {
	for family := range registerBases {
		if slices.Contains(compatible, "brcm,"+family) {
			return family
		}
	}
	return ""
}

// hasShortHeader reports whether a board of this revision has the 26-pin header of the first two models: codes below
// 0x10 of the old kind, types 0 and 1 of the new one. Source: the board maker's table of revision codes, from memory.
func hasShortHeader(revision uint32) bool {
	const newStyle = 1 << 23
	if revision&newStyle == 0 {
		code := revision & 0xFFFF
		return code > 0 && code < 0x10
	}
	return revision>>4&0xFF <= 1
}

// Chips by the labels that kernels give them: the first family's processors and its newest board's own chip, and the
// two of the other one. Source: the kernel's drivers pinctrl-bcm2835, pinctrl-rp1 and pinctrl-sunxi, from memory; only
// the first has been seen, on an emulated machine.
var (
	bcmChips      = []string{"pinctrl-bcm2835", "pinctrl-bcm2711", "pinctrl-rp1"}
	sunxiChips    = []string{"1c20800.pinctrl"}
	sunxiLowChips = []string{"1f02c00.pinctrl"}
)

// lineNumbersPerPort is how a port and a bit make a line's number on the other family's processors.
const lineNumbersPerPort = 32

// headerOf describes a header of periph's.
func headerOf(name string, pins []pin.Pin) []HeaderPin {
	header := make([]HeaderPin, len(pins))
	for i, p := range pins {
		at := HeaderPin{Position: fmt.Sprintf("%s_%d", name, i+1), Name: p.Name(), Number: -1}
		switch line := p.(type) {
		case *bcm283x.Pin:
			at.chips, at.Number = bcmChips, line.Number()
			at.BootHigh, at.Use = line.DefaultPull() == gpio.PullUp, commonUse(line.Number())
		case *allwinner.Pin:
			at.chips, at.Number, at.BootHigh = sunxiChips, line.Number(), line.DefaultPull() == gpio.PullUp
		case *allwinner.PinPL:
			at.chips, at.Number = sunxiLowChips, line.Number()%lineNumbersPerPort
			at.BootHigh = line.DefaultPull() == gpio.PullUp
		}
		header[i] = at
	}
	return header
}

// header40 is the 40-pin header, of which the 26-pin one is the beginning.
func header40() []pin.Pin {
	return []pin.Pin{
		rpi.P1_1, rpi.P1_2, rpi.P1_3, rpi.P1_4, rpi.P1_5, rpi.P1_6, rpi.P1_7, rpi.P1_8, rpi.P1_9, rpi.P1_10,
		rpi.P1_11, rpi.P1_12, rpi.P1_13, rpi.P1_14, rpi.P1_15, rpi.P1_16, rpi.P1_17, rpi.P1_18, rpi.P1_19, rpi.P1_20,
		rpi.P1_21, rpi.P1_22, rpi.P1_23, rpi.P1_24, rpi.P1_25, rpi.P1_26, rpi.P1_27, rpi.P1_28, rpi.P1_29, rpi.P1_30,
		rpi.P1_31, rpi.P1_32, rpi.P1_33, rpi.P1_34, rpi.P1_35, rpi.P1_36, rpi.P1_37, rpi.P1_38, rpi.P1_39, rpi.P1_40,
	}
}

func pine64Header() []pin.Pin {
	return []pin.Pin{
		pine64.P1_1, pine64.P1_2, pine64.P1_3, pine64.P1_4, pine64.P1_5, pine64.P1_6,
		pine64.P1_7, pine64.P1_8, pine64.P1_9, pine64.P1_10, pine64.P1_11, pine64.P1_12,
		pine64.P1_13, pine64.P1_14, pine64.P1_15, pine64.P1_16, pine64.P1_17, pine64.P1_18,
		pine64.P1_19, pine64.P1_20, pine64.P1_21, pine64.P1_22, pine64.P1_23, pine64.P1_24,
		pine64.P1_25, pine64.P1_26, pine64.P1_27, pine64.P1_28, pine64.P1_29, pine64.P1_30,
		pine64.P1_31, pine64.P1_32, pine64.P1_33, pine64.P1_34, pine64.P1_35, pine64.P1_36,
		pine64.P1_37, pine64.P1_38, pine64.P1_39, pine64.P1_40,
	}
}

func nanoHeader() []pin.Pin {
	return []pin.Pin{
		nanopi.PA1_1, nanopi.PA1_2, nanopi.PA1_3, nanopi.PA1_4, nanopi.PA1_5, nanopi.PA1_6,
		nanopi.PA1_7, nanopi.PA1_8, nanopi.PA1_9, nanopi.PA1_10, nanopi.PA1_11, nanopi.PA1_12,
		nanopi.PA1_13, nanopi.PA1_14, nanopi.PA1_15, nanopi.PA1_16, nanopi.PA1_17, nanopi.PA1_18,
		nanopi.PA1_19, nanopi.PA1_20, nanopi.PA1_21, nanopi.PA1_22, nanopi.PA1_23, nanopi.PA1_24,
	}
}

func orangeHeader() []pin.Pin {
	return []pin.Pin{
		orangepi.PA1_1, orangepi.PA1_2, orangepi.PA1_3, orangepi.PA1_4, orangepi.PA1_5, orangepi.PA1_6,
		orangepi.PA1_7, orangepi.PA1_8, orangepi.PA1_9, orangepi.PA1_10, orangepi.PA1_11, orangepi.PA1_12,
		orangepi.PA1_13, orangepi.PA1_14, orangepi.PA1_15, orangepi.PA1_16, orangepi.PA1_17, orangepi.PA1_18,
		orangepi.PA1_19, orangepi.PA1_20, orangepi.PA1_21, orangepi.PA1_22, orangepi.PA1_23, orangepi.PA1_24,
		orangepi.PA1_25, orangepi.PA1_26,
	}
}

// commonUse is what add-on boards use the 40-pin header's lines for. Source: the board maker's GPIO
// documentation, from memory.
func commonUse(number int) string {
	switch number {
	case 0, 1:
		return "the memory that says what is plugged on"
	case 2, 3:
		return "the I2C bus, with resistors to 3.3 V on the board"
	case 7, 8, 9, 10, 11:
		return "the SPI bus"
	case 14, 15:
		return "the serial console"
	}
	return ""
}

// FindPosition finds a header's pin by position or name.
func (h Host) FindPosition(name string) (HeaderPin, bool) {
	i := slices.IndexFunc(h.Header, func(p HeaderPin) bool {
		return p.Position == name || p.Name == name && p.Number >= 0
	})
	if i < 0 {
		return HeaderPin{}, false
	}
	return h.Header[i], true
}

// Pin returns the header's pin of a line, if it is on the header.
func (h Host) Pin(l LineInfo) (HeaderPin, bool) {
	i := slices.IndexFunc(h.Header, func(p HeaderPin) bool {
		return p.Number == l.Number && slices.Contains(p.chips, l.Chip.Label)
	})
	if i < 0 {
		return HeaderPin{}, false
	}
	return h.Header[i], true
}
