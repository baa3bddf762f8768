package head

import (
	"encoding/xml"
	"io"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func pair(slit float64) Pair {
	p := Usual()
	p.Slit = slit
	return p
}

// What an edge needs through the slit: 5 mm at 3 m/s are 1.7 ms.
func TestCrossing(t *testing.T) {
	assert.InDelta(t, 1.7e-3, pair(5).Crossing(3), 0.05e-3)
	assert.InDelta(t, pair(5).Crossing(3)/5, pair(1).Crossing(3), 1e-9)
	assert.InDelta(t, 0.3, pair(1).Place(), 0.02)
}

// A disc over a slit, by hand: one within a large opening has its own area, one far larger takes all.
func TestTaken(t *testing.T) {
	p := pair(5)
	assert.InDelta(t, math.Pi*1.5*1.5/25, p.Taken(3), 1e-3)
	assert.InDelta(t, 1, p.Taken(100), 1e-9)
	narrow := pair(0.001)
	assert.InDelta(t, 3.0/5, narrow.Taken(3), 1e-4, "a line across takes its diameter")
	assert.Greater(t, pair(1).Taken(3), pair(5).Taken(3))
}

func TestLight(t *testing.T) {
	p := pair(1)
	p.Apart, p.Length = 1e6, 1 // far away the slit's height counts alone
	assert.InDelta(t, 1/p.Lens/p.Diode, p.Light(), 1e-3)
	assert.Less(t, pair(1).Light(), pair(2).Light())
	assert.InDelta(t, 1, pair(5).Light(), 1e-9)
}

// At its range a pair has the light of the bare one at its own, and no more further away.
func TestRange(t *testing.T) {
	for _, slit := range []float64{1, 2, 5} {
		p := pair(slit)
		p.Apart = p.Range(240)
		require.Positive(t, p.Apart, slit)
		way := p.Apart + 2*p.Length
		assert.InDelta(t, 1, p.Light()*240*240/way/way, 1e-3, slit)
	}
	assert.InDelta(t, 240-2*20, pair(5).Range(240), 0.1, "without slits tubes cost their length")
	assert.Zero(t, pair(1).Range(30))
	p := Usual()
	assert.Less(t, p.Apart, p.Range(240), "the drawn pair is within its range")
}

func TestAccepts(t *testing.T) {
	along, across := pair(1).Accepts()
	assert.InDelta(t, 5.2, along, 0.1)
	assert.InDelta(t, 10.8, across, 0.1)
	assert.InDelta(t, 140*math.Tan(10*math.Pi/180), pair(1).Misalignment(), 1e-9)
	p := pair(1)
	assert.Greater(t, p.Neighbour(), (p.Apart+p.Length)*math.Tan(across*math.Pi/180))
}

// The drawing is XML, at true size, within A4, and has each dimension.
func TestSVG(t *testing.T) {
	text := Usual().SVG()
	for d := xml.NewDecoder(strings.NewReader(text)); ; {
		_, err := d.Token()
		if err == io.EOF {
			break
		}
		require.NoError(t, err)
	}
	for _, words := range []string{"tube 20", "slit to slit 100", "bore 6", "slit 2 (1 to 2)", "5 across the fall",
		"10 degrees"} {
		assert.Contains(t, text, words)
	}
	assert.Contains(t, text, `width="210mm"`)
}
