package circuit

import (
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func timingBoard(t testing.TB) (*Design, *Board) {
	t.Helper()
	text, err := os.ReadFile("../timing.txt")
	require.NoError(t, err)
	d, err := Parse(string(text))
	require.NoError(t, err)
	return d, d.Board("timing")
}

// The timing board's drawing can be read and keeps the rules.
func TestTheTimingBoardIsDrawn(t *testing.T) {
	d, b := timingBoard(t)
	assert.Empty(t, d.Check())
	assert.Empty(t, b.sheet().faults())
	assert.Contains(t, b.SVG(), ">PD2 D2<", "the port with what ready-made boards print")
}

// Its chip is wired as the firmware's carrier is, and its headers pin for pin as those of the boards.
func TestTheTimingBoardIsTheCarrier(t *testing.T) {
	_, b := timingBoard(t)
	d := design(t)
	i := slices.IndexFunc(d.Carriers, func(c *Carrier) bool { return c.Name == "mega328" })
	require.GreaterOrEqual(t, i, 0)
	chip := b.Part("U190")
	here := func(signal string) string { // the net of a board's signal on this one
		if signal == "V5_IN" || signal == "VIO" {
			return "V5"
		}
		return signal
	}
	wired := map[string]bool{"GND": true, "V5": true}
	for _, w := range d.Carriers[i].Wires {
		pin, onChip := strings.CutPrefix(w.Pin, "DIL_")
		if !onChip {
			continue
		}
		wired[w.Signal] = true
		assert.Equal(t, w.Signal, chip.Pins[pin], w.Pin)
		assert.Equal(t, w.Line, chip.PinName(pin), w.Pin)
	}
	for _, pin := range chip.Type.Kind.Pins("") {
		own := []string{Open, "RESET", "RXD", "TXD", "XTAL_A", "XTAL_B", "AREF"}
		assert.True(t, wired[chip.Pins[pin.Number]] || slices.Contains(own, chip.Pins[pin.Number]), pin.Name)
	}
	for ref, other := range map[string]*Part{"J191": d.Board("outputs").Part("J1"),
		"J192": d.Board("sensors").Part("J701")} {
		require.Equal(t, other.Value, b.Part(ref).Value)
		for pin, net := range other.Pins {
			want := here(net)
			if !wired[want] {
				want = Open
			}
			assert.Equal(t, want, b.Part(ref).Pins[pin], "%s pin %s", ref, pin)
		}
	}
}
