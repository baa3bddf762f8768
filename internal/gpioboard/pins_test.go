package gpioboard_test

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/config"
	"stillwater/internal/gpioboard"
	"stillwater/internal/gpioboard/gpioboardtest"
	"stillwater/internal/gpiochip"
	"stillwater/internal/wiring"
)

// rowsWith returns the lines of a table that contain all the words.
func rowsWith(table string, words ...string) (rows []string) {
	for line := range strings.Lines(table) {
		all := true
		for _, w := range words {
			all = all && strings.Contains(line, w)
		}
		if all {
			rows = append(rows, line)
		}
	}
	return rows
}

func TestPinsOfAHeader(t *testing.T) {
	conf := config.Default()
	conf.Path = "my.toml"
	conf.Board = config.Board{
		Kind: config.GPIO, Heartbeat: &wiring.Line{Pin: "GPIO22"},
		Pins: wiring.Pins{
			Inputs: []wiring.Input{{Name: "beam", Line: wiring.Line{Chip: "expander", Number: 2}}},
			Outputs: []wiring.Output{{Name: "shutter", Line: wiring.Line{Pin: "GPIO99"}},
				{Name: "flash", Line: wiring.Line{Pin: "GPIO24"}}},
		},
	}
	list := gpioboard.ListPins(conf, gpioboardtest.HeaderMachine(map[int]string{2: "", 24: "stillwater"}))
	assert.Equal(t, "A board with a header", list.Host)
	assert.True(t, list.Header)
	require.Len(t, list.Pins, 41, "the header, and the one line elsewhere that is used")
	assert.Equal(t, gpioboard.Pin{Position: "P1_18", Name: "GPIO24", Chip: "gpiochip0", Line: 24, Held: "stillwater",
		Use: `output "flash"`}, list.Pins[17])
	assert.Equal(t, gpioboard.Pin{Position: "P1_1", Name: "3.3V", Line: -1}, list.Pins[0])
	assert.Equal(t, "the kernel", list.Pins[2].Held)
	assert.Contains(t, list.Pins[2].AlsoFor, "I2C")
	assert.Equal(t, "heartbeat", list.Pins[14].Use)
	assert.Equal(t, gpioboard.Pin{Chip: "gpiochip1", Line: 2, Use: `input "beam"`}, list.Pins[40])
	require.Len(t, list.Unknown, 1)
	assert.Equal(t, `output "shutter"`, list.Unknown[0].Use)

	var out strings.Builder
	require.NoError(t, list.Write(&out))
	text := out.String()
	assert.Contains(t, text, "Machine        A board with a header\nConfiguration  my.toml\n")
	assert.Len(t, rowsWith(text, "P1_18 ", "GPIO24", "gpiochip0", "24", "stillwater", `output "flash"`), 1, text)
	assert.Len(t, rowsWith(text, "P1_3 ", "GPIO2", "the kernel", "the I2C bus"), 1, text)
	assert.Contains(t, text, "In the configuration, but not found:\n"+
		"- output \"shutter\": pin GPIO99: no line is called that")
}

// Without a header the chips' lines are shown, all of them.
func TestPinsWithoutAHeader(t *testing.T) {
	m := gpioboardtest.HeaderMachine(map[int]string{3: "lamp"})
	m.Host = gpiochip.Host{}
	m.Lines["/dev/gpiochip1"][1].Name = "relay"
	conf := config.Default()
	conf.Board.Kind = config.GPIO
	conf.Board.Outputs = []wiring.Output{{Name: "a", Line: wiring.Line{Pin: "relay"}},
		{Name: "b", Line: wiring.Line{Chip: "gpiochip1", Number: 1}}}
	list := gpioboard.ListPins(conf, m)
	assert.Len(t, list.Pins, 54+4)
	assert.Equal(t, `output "a", output "b"`, list.Pins[55].Use)
	var out strings.Builder
	require.NoError(t, list.Write(&out))
	assert.Contains(t, out.String(), "Machine        unknown (no device tree)\nConfiguration  none\n")
	assert.Contains(t, out.String(), "No header of this machine is known here")
	assert.NotContains(t, out.String(), "position")
	assert.Len(t, rowsWith(out.String(), "gpiochip0", " 3 ", "lamp"), 1, out.String())
}

func TestPinsOfNoMachine(t *testing.T) {
	list := gpioboard.ListPins(config.Default(), gpiochip.Machine{})
	var out strings.Builder
	require.NoError(t, list.Write(&out))
	assert.Contains(t, out.String(), "No GPIO lines were found.")
	b, err := json.Marshal(list)
	require.NoError(t, err)
	assert.JSONEq(t, `{"host":"","configuration":"","header":false,"pins":[],"unknown":[]}`, string(b))
}
