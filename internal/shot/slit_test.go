package shot

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The slit's share of the time at the beam: what a drop swings by stays, the rest grows with the slit; a stored set
// without one has the usual.
func TestSlitInTheBudget(t *testing.T) {
	of := func(slit string) Budget {
		s := farSet()
		require.NoError(t, s.Put("beam.slit", slit))
		e, err := s.Estimate()
		require.NoError(t, err)
		b, err := Errors(s, e, DefaultSpread(), defaultTick)
		require.NoError(t, err)
		return b
	}
	usual, wide := of("2 mm").term(termOnDrop), of("5 mm").term(termOnDrop)
	assert.Equal(t, termOnDrop+", slit of 5.0 mm", wide.Label())
	s := farSet()
	e, err := s.Estimate()
	require.NoError(t, err)
	swing := float64(DefaultSpread().DropEdge) / float64(e.BeamSpeed)
	beside := func(t Term) float64 { return math.Sqrt(math.Pow(float64(t.Mistiming), 2) - swing*swing) }
	assert.InDelta(t, 2.5, beside(wide)/beside(usual), 0.3, "nearly in proportion")
	assert.Greater(t, of("5 mm").term(termDepth).Mistiming, 2*of("2 mm").term(termDepth).Mistiming)
	assert.Greater(t, of("5 mm").Total.Mistiming, usual.Mistiming)
	old, err := ParseSet(`{"kind":"drop"}`)
	require.NoError(t, err)
	assert.Equal(t, DefaultSet().Beam, old.Beam)
}

// A front in a gate counts it too, beside the edge that is assumed, not beside one that the beams measured.
func TestSlitOfAGate(t *testing.T) {
	s := farSet()
	s.Kind = Throw
	s.Beam.High = 20 * mm
	edge, note := DefaultSpread().edge(s)
	assert.Equal(t, "3.0 mm assumed, slit of 20.0 mm", note)
	slit := float64(s.Beam.Sheet(DefaultSpread().Broken).SD)
	assert.InEpsilon(t, math.Hypot(3e-3, slit), float64(edge), 1e-9)
	s.Throw.Edge = 4 * mm
	edge, note = DefaultSpread().edge(s)
	assert.Equal(t, "4.0 mm measured", note)
	assert.InEpsilon(t, 4e-3, float64(edge), 1e-9)
}

func TestSlitsThatAreNone(t *testing.T) {
	for _, value := range []string{"0 mm", "3 cm", "-1 mm", "wide", "NaN mm"} {
		s := farSet()
		var wrong *FieldError
		require.ErrorAs(t, s.Put("beam.slit", value), &wrong, value)
		assert.Equal(t, "beam.slit", wrong.Field)
		assert.Contains(t, wrong.Remedy, "100 µm to 2 cm", value)
	}
}

func TestAdviceOnASlit(t *testing.T) {
	for _, c := range []struct{ diameter, slit, width, says string }{
		{"2 mm", "8 mm", "8 mm", "Through a slit of 8.0 mm by 8.0 mm a drop of 2.0 mm takes 16 %"},
		{"2 mm", "8 mm", "8 mm", "it takes 3"},
		{"4 mm", "2 mm", "5 mm", ""},
		{"3 mm", "10 mm", "1 mm", "With a slit of 1.0 mm instead of 10.0 mm, along the fall, shots differ by"},
	} {
		s := farSet()
		for field, value := range map[string]string{"drop.diameter": c.diameter, "beam.slit": c.slit,
			"beam.width": c.width, "drop.phase": "contact"} {
			require.NoError(t, s.Put(field, value))
		}
		e, err := s.Estimate()
		require.NoError(t, err)
		advice, err := Advice(s, e, DefaultSpread(), defaultTick)
		require.NoError(t, err)
		all := strings.Join(advice, "\n")
		t.Log("\n" + all)
		if c.says == "" {
			assert.NotContains(t, all, "slit")
			continue
		}
		assert.Contains(t, all, c.says)
	}
}
