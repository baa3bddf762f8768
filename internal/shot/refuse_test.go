package shot

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
)

// Two things that stand in the way are changed together, in words and as one fix.
func TestTwoProblemsAtOnce(t *testing.T) {
	s := farSet()
	s.Kind, s.Sound.After, s.Light.Shutter, s.Light.OpenFor = Sound, 5*ms, ByGo, 10*ms
	s.Sound.Distance = 30
	_, _, err := Compile(s, testBench())
	r := new(Refusal)
	require.ErrorAs(t, err, &r)
	assert.Equal(t, "move the microphone nearer by at least 28.491 m, to 1.509 m from the sound, and hold it open for at "+
		"least 82 ms longer, 92 ms in all", r.Remedy)
	assert.Equal(t, []Fix{{Field: "sound.distance", Value: "1.509 m", Also: []Fix{{Field: "light.open_for",
		Value: "92 ms"}}}}, r.Fixes)
	require.NoError(t, r.Fixes[0].Put(&s))
	_, _, err = Compile(s, testBench())
	assert.NoError(t, err)
	before := s
	assert.Error(t, Fix{Field: "sound.distance", Value: "2 m", Also: []Fix{{Field: "kind", Value: "none"}}}.Put(&s))
	assert.Equal(t, before, s, "all of it or nothing")
}

// A value as it is printed is taken, although its binary fraction lies a little below what the remedy means.
func TestPrintedRemediesAreTaken(t *testing.T) {
	for _, c := range []struct {
		nozzle, liquid, beam string
	}{
		{"0.431 mm", "water", "3.6 mm"}, {"2.3 mm", "glycerol-water", "7.1 mm"}, {"0.185 mm", "milk", "2.4 mm"},
	} {
		s := farSet()
		for field, value := range map[string]string{"drop.nozzle": c.nozzle, "drop.liquid": c.liquid, "drop.beam": "1 mm",
			"drop.phase": "contact"} {
			require.NoError(t, s.Put(field, value))
		}
		assert.ErrorContains(t, s.Validate(), "use at least "+c.beam)
		require.NoError(t, s.Put("drop.beam", c.beam))
		assert.NoError(t, s.Validate())
	}

	for gate, interval := range map[string]phys.Time{"246 mm": 8.2 * ms, "123 mm": 4.1 * ms} {
		s := farSet()
		s.Kind = Throw
		require.NoError(t, s.Put("throw.gate", gate))
		_, err := s.EstimateAt(interval - 0.1*ms)
		require.ErrorContains(t, err, "must be "+strings.TrimSuffix(interval.String(), " s")+" or more")
		_, err = s.EstimateAt(interval)
		assert.NoError(t, err)
	}

	s := farSet()
	s.Kind = Throw
	for field, value := range map[string]string{"throw.gate": "75.1 mm", "throw.to_focus": "54.2 mm",
		"throw.angle": "-22.8°", "throw.mass": "2.87 mm"} {
		require.NoError(t, s.Put(field, value), field)
	}
	_, err := s.EstimateAt(128.8 * ms)
	require.ErrorContains(t, err, "use 128.7 ms or less")
	_, err = s.EstimateAt(128.7 * ms)
	assert.NoError(t, err)
}
