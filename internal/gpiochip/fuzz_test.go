package gpiochip

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// A pin's name finds the one line that has it, or gives an error that says what to do; every position of a device
// tree's header finds itself.
func FuzzFindPin(f *testing.F) {
	f.Add("GPIO17", "", "raspberrypi,3\x00brcm,bcm2835", uint32(0xa02082))
	f.Add("P1_1", "", "raspberrypi,b", uint32(2))
	f.Add("P1_11", "Pine64+", "", uint32(0))
	f.Add("", "<unknown>", "", uint32(1<<23))
	f.Add("twice", "FriendlyARM NanoPi NEO Air", "brcm,bcm2711", uint32(1<<31))
	f.Fuzz(func(t *testing.T, pin, model, compatible string, revision uint32) {
		chip := Chip{Path: "/dev/gpiochip0", Name: "gpiochip0", Label: "pinctrl-bcm2835", Lines: 54}
		m := Machine{Host: HostOf(model, strings.Split(compatible, "\x00"), revision), Chips: []Chip{chip},
			Lines: map[string][]LineInfo{}}
		for n := range chip.Lines {
			name := map[int]string{3: "twice", 4: "twice", 40: "LED"}[n]
			m.Lines[chip.Path] = append(m.Lines[chip.Path], LineInfo{Chip: chip, Number: n, Name: name})
		}
		for _, at := range m.Host.Header {
			found, ok := m.Host.FindPosition(at.Position)
			require.True(t, ok)
			require.Equal(t, at.Position, found.Position)
		}
		line, err := m.FindPin(pin)
		if err != nil {
			var typed *Error
			require.ErrorAs(t, err, &typed)
			require.NotEmpty(t, typed.What)
			require.NotEmpty(t, typed.Remedy)
			return
		}
		at, on := m.Host.FindPosition(pin)
		require.True(t, on && at.Number == line.Number || line.Name == pin, "%q is %v", pin, line)
		require.NotEqual(t, "twice", pin)
	})
}
