package ballistics

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
	"stillwater/internal/published"
)

// ISO 9613-1:1993. The table's c_iso column is the same formula computed elsewhere, so it checks only our arithmetic.
// What is independent of it: the ideal gas from kinetic theory, c² = γ R T with γ = 7/5 for a gas of two-atom
// molecules and R from the standard atmosphere (ISO 2533), and the values measured at 0 °C, 331.2 to 331.6 m/s
// (handbooks as in the table's header; 331.45 by H. C. Hardy, D. Telfair and W. H. Pielemeier 1942 and 331.29 by G.
// S. K. Wong 1986, both from memory).
func TestSpeedOfSound(t *testing.T) {
	for _, r := range published.Rows(t, "speed_of_sound_air.csv") {
		at := phys.Temperature(r.Number(t, "temp_C"))
		c, err := SpeedOfSound(at)
		require.NoError(t, err)
		assert.InDelta(t, r.Number(t, "c_iso_m_s"), float64(c), 0.006, "arithmetic")
		assert.InEpsilon(t, math.Sqrt(1.4*phys.AirGasConstant*at.Kelvin()), float64(c), 0.001, "ideal gas, %s", at)
		assert.InEpsilon(t, r.Number(t, "c_331_m_s"), float64(c), 0.001, "from 331.3 m/s measured at 0 °C, %s", at)
		delay, err := SoundDelay(1, at)
		require.NoError(t, err)
		assert.InDelta(t, r.Number(t, "delay_ms_per_m"), 1000*float64(delay), 0.0001)
	}
	freezing, err := SpeedOfSound(0)
	require.NoError(t, err)
	for _, measured := range []float64{331.2, 331.29, 331.45, 331.6} {
		assert.InEpsilon(t, measured, float64(freezing), 0.001)
	}
}

func TestSoundDelay(t *testing.T) {
	delay, err := SoundDelay(1.5, 20)
	require.NoError(t, err)
	assert.InDelta(t, 4.3706, 1000*float64(delay), 0.0005)
	none, err := SoundDelay(0, 20)
	require.NoError(t, err)
	assert.Zero(t, none)
	for field, call := range map[string]func() (phys.Time, error){
		"distance":    func() (phys.Time, error) { return SoundDelay(-1, 20) },
		"temperature": func() (phys.Time, error) { return SoundDelay(1, 60) },
	} {
		_, err := call()
		var domain *phys.DomainError
		require.ErrorAs(t, err, &domain)
		assert.Equal(t, field, domain.Field)
	}
	_, err = SoundDelay(1, phys.Temperature(math.NaN()))
	assert.Error(t, err)
}
