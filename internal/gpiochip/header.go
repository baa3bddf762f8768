package gpiochip

import (
	"fmt"
	"slices"
	"strings"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/pin"
	"periph.io/x/host/v3/bcm283x"
	"periph.io/x/host/v3/distro"
	"periph.io/x/host/v3/rpi"
)

// Host is the computer that the chips are part of.
type Host struct {
	Model  string      // as the machine calls itself, "" if it does not
	Header []HeaderPin // in order of position; empty if no header is known
	chips  []string    // labels of the chips whose line n is the header's GPIOn
	family string      // of the processor, "" if its registers are not known
}

// HeaderPin is one position of a header.
type HeaderPin struct {
	Position string // "P1_11"
	Name     string // "GPIO17", or a supply's name
	Number   int    // of the line on the header's chip; -1 for a supply
	BootHigh bool   // pulled up until software says otherwise, by the processor's manual
	Use      string // what else the pin is commonly used for, "" if for nothing
}

// FindHost looks at what the machine says of itself: its device tree, through periph. It opens no chip: periph's own
// start would, and would close file descriptor 0 where one chip has two device nodes.
func FindHost() Host {
	return HostOf(distro.DTModel(), distro.DTCompatible(), distro.DTRevision(), rpi.Present())
}

// HostOf judges a device tree's model, compatible strings and revision. Many kernels carry the firmware driver that
// periph looks for on every machine, so that alone does not make a known host.
func HostOf(model string, compatible []string, revision uint32, firmware bool) Host {
	h := Host{Model: strings.Trim(model, "<>")}
	if h.Model == "unknown" {
		h.Model = ""
	}
	known := slices.ContainsFunc(compatible, func(c string) bool { return strings.HasPrefix(c, "raspberrypi,") })
	if !known || !firmware {
		return h
	}
	h.chips = []string{"pinctrl-bcm2835", "pinctrl-bcm2711", "pinctrl-rp1"}
	h.family = familyOf(compatible)
	h.Header = header40()
	if short(revision) {
		h.Header = h.Header[:26]
	}
	return h
}

// familyOf names the processor, if its GPIO registers are known here.
func familyOf(compatible []string) string {
	for family := range registersAt {
		if slices.Contains(compatible, "brcm,"+family) {
			return family
		}
	}
	return ""
}

// short says whether a board of this revision has the 26-pin header of the first two models: codes below 0x10 of the
// old kind, types 0 and 1 of the new one. Source: the board maker's table of revision codes, from memory.
func short(revision uint32) bool {
	const newStyle = 1 << 23
	if revision&newStyle == 0 {
		code := revision & 0xFFFF
		return code > 0 && code < 0x10
	}
	return revision>>4&0xFF <= 1
}

// header40 is periph's table of the 40-pin header, of which the 26-pin one is the beginning.
func header40() []HeaderPin {
	pins := []pin.Pin{
		rpi.P1_1, rpi.P1_2, rpi.P1_3, rpi.P1_4, rpi.P1_5, rpi.P1_6, rpi.P1_7, rpi.P1_8, rpi.P1_9, rpi.P1_10,
		rpi.P1_11, rpi.P1_12, rpi.P1_13, rpi.P1_14, rpi.P1_15, rpi.P1_16, rpi.P1_17, rpi.P1_18, rpi.P1_19, rpi.P1_20,
		rpi.P1_21, rpi.P1_22, rpi.P1_23, rpi.P1_24, rpi.P1_25, rpi.P1_26, rpi.P1_27, rpi.P1_28, rpi.P1_29, rpi.P1_30,
		rpi.P1_31, rpi.P1_32, rpi.P1_33, rpi.P1_34, rpi.P1_35, rpi.P1_36, rpi.P1_37, rpi.P1_38, rpi.P1_39, rpi.P1_40,
	}
	header := make([]HeaderPin, len(pins))
	for i, p := range pins {
		header[i] = HeaderPin{Position: fmt.Sprintf("P1_%d", i+1), Name: p.Name(), Number: -1}
		if line, ok := p.(*bcm283x.Pin); ok {
			header[i].Number = line.Number()
			header[i].BootHigh = line.DefaultPull() == gpio.PullUp
			header[i].Use = commonUse(line.Number())
		}
	}
	return header
}

// commonUse is what the 40-pin header's lines are for when something is plugged onto it. Source: the board maker's GPIO
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

// On finds a header's pin by position or name.
func (h Host) On(name string) (HeaderPin, bool) {
	i := slices.IndexFunc(h.Header, func(p HeaderPin) bool {
		return p.Position == name || p.Name == name && p.Number >= 0
	})
	if i < 0 {
		return HeaderPin{}, false
	}
	return h.Header[i], true
}

// Pin is the header's pin of a line, if it is on the header.
func (h Host) Pin(l Line) (HeaderPin, bool) {
	if !slices.Contains(h.chips, l.Chip.Label) {
		return HeaderPin{}, false
	}
	i := slices.IndexFunc(h.Header, func(p HeaderPin) bool { return p.Number == l.Number })
	if i < 0 {
		return HeaderPin{}, false
	}
	return h.Header[i], true
}
