package main

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/need"
)

// The piezo plate's deck sees what it is for: a disc that nothing clamps, one clamped on one side only, and a lead that
// takes too much.
func TestSpoiledPiezoPlate(t *testing.T) {
	need.Tool(t, "ngspice")
	for measure, c := range map[string]struct{ ref, net, value string }{
		"disc_high": {ref: "D760", net: "PZ"},
		"disc_low":  {ref: "D761", net: "PZ"},
		"broken":    {ref: "R760", value: "100k"},
	} {
		l := openTestSimulator(t, design(t))
		p := l.design.Board("piezo").Part(c.ref)
		require.NotNil(t, p, c.ref)
		if c.value != "" {
			p.Value = c.value
		} else {
			for pin := range p.Pins {
				p.Pins[pin] = c.net // both legs on one net: it is not there
			}
		}
		values, err := l.runCorner(t.Context(), "piezo", l.corners[0])
		require.NoError(t, err)
		for _, lim := range l.limits {
			if lim.Deck == "piezo" && lim.Measure == measure {
				x := values[measure]
				assert.True(t, x < lim.Low || x > lim.High, "%s is %g, within its limit", measure, x)
			}
		}
	}
}

// It keeps the circuits' rules, and the lead goes to the pins that the capsule leaves.
func TestPiezoPlateTakesTheCapsulesPlace(t *testing.T) {
	d, err := readDrawn(hardware)
	require.NoError(t, err)
	assert.Empty(t, d.Check())
	capsule := design(t).Board("sensors").Part("MK740")
	lead := d.Board("piezo").Part("J760")
	assert.Equal(t, capsule.Pin("+"), lead.Pin("1"))
	assert.Equal(t, capsule.Pin("-"), lead.Pin("2"))
}
