package shot

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The band needs no room beyond the accepted values: what may be asked for is answered.
func TestSoundAtTheEndsOfWhatIsAccepted(t *testing.T) {
	for _, put := range [][2]string{{"sound.distance", "100 m"}, {"sound.distance", "1 cm"},
		{"sound.temperature", "-20 C"}, {"sound.temperature", "50 C"}} {
		s := DefaultSet()
		s.Kind, s.Sound.After = Sound, 1
		require.NoError(t, s.Put(put[0], put[1]))
		e, err := s.Estimate()
		require.NoError(t, err, put)
		assert.Less(t, e.TravelLow, e.Travel)
		assert.Less(t, e.Travel, e.TravelHigh)
	}
}

// 1.5 m, a centimetre and a degree off, by the root of the absolute temperature.
func TestBandOfASound(t *testing.T) {
	s := DefaultSet()
	s.Kind = Sound
	e, err := s.Estimate()
	require.NoError(t, err)
	assert.InDelta(t, 1.49/343.7849, float64(e.TravelLow), 1e-8)
	assert.InDelta(t, 1.51/342.6141, float64(e.TravelHigh), 1e-8)
	assert.InDelta(t, 343.2, float64(e.Speed), 1e-9)
}
