package circuit

import (
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

var pinMacro = regexp.MustCompile(`(?m)^#define PIN_([A-Z0-9]+) ([B-D]), ([0-7])$`)

// The firmware's header says which port is what; the carrier's wires say the same.
func TestTheTimingBoardIsWiredAsTheFirmwareHasIt(t *testing.T) {
	header, err := os.ReadFile("../../firmware/src/pins.h")
	require.NoError(t, err)
	firmware := map[string]string{}
	for _, m := range pinMacro.FindAllStringSubmatch(string(header), -1) {
		if m[1] != "RECEIVE" && m[1] != "TRANSMIT" { // the serial line stays on the carrier
			firmware[m[1]] = "P" + m[2] + m[3]
		}
	}
	require.NotEmpty(t, firmware)
	firmware["MIC_TAP"] = firmware["MICROPHONE"] // the firmware listens to the analog tap
	delete(firmware, "MICROPHONE")
	assert.Equal(t, firmware, lines(design(t).Carrier("mega328")))
}

// lines are the signals of a carrier with the names that software has for their pins.
func lines(c *Carrier) map[string]string {
	list := map[string]string{}
	for _, w := range c.Wires {
		if w.Pin != Open && w.Line != "" {
			list[w.Signal] = w.Line
		}
	}
	return list
}

// dil is where the ports of the 28-pin package are, from the datasheet's pin-out, from memory.
var dil = map[string]string{"PD2": "4", "PD3": "5", "PD4": "6", "PD5": "11", "PD6": "12", "PD7": "13", "PB0": "14",
	"PB1": "15", "PB2": "16", "PB3": "17", "PC0": "23", "PC1": "24", "PC2": "25"}

func TestPortsAreAtTheirPlaces(t *testing.T) {
	for _, w := range design(t).Carrier("mega328").Wires {
		if w.Line != "" {
			assert.Equal(t, "DIL_"+dil[w.Line], w.Pin, w.Line)
		}
	}
	for _, w := range design(t).Carrier("sbc40").Wires {
		assert.True(t, w.Pin == Open || strings.HasPrefix(w.Pin, "P1_"), w.Pin)
	}
}
