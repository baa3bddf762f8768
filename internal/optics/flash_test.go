package optics

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
	"stillwater/internal/published"
)

// The ideal pulse of ISO 2827's two times, as tabled.
func TestIdealPulse(t *testing.T) {
	for _, row := range published.Rows(t, "flash_duration_ideal.csv") {
		if row["threshold"] == "0.1" {
			assert.InDelta(t, row.Number(t, "t_over_t0.5"), float64(IdealPulse(1, CutOff, 1).Tenth), 1e-4)
			assert.InDelta(t, row.Number(t, "t_over_t0.5"), TenthOverHalf, 1e-4)
		}
		// Cut off when that much light is out, the pulse ends when it has come down to the threshold.
		emitted := row.Number(t, "fraction_of_light_emitted")
		ends := float64(IdealPulse(1, CutOff, Fraction(emitted)).Tenth)
		assert.InDelta(t, min(row.Number(t, "t_over_t0.5"), 3.3219), ends, 6e-4, row)
	}
}

// Another way to both kinds of unit: a capacitor and a lamp in small steps of time, with the light as the power in the
// lamp. A cut-off unit's lamp is taken as a resistor, which gives the ideal decay.
func TestPulseBySteps(t *testing.T) {
	const step = 1e-4
	// run returns the light in each step from voltage v until a share of that of a whole discharge is out.
	run := func(v, share float64, current func(float64) float64) (light []float64) {
		out, all := 0.0, v*v/2
		for out < share*all && v > 0.02 {
			i := current(v)
			light = append(light, v*i)
			out += v * i * step
			v -= i * step
		}
		return light
	}
	above := func(light []float64, part float64) (t phys.Time) {
		for _, l := range light {
			if l >= part*light[0] {
				t += step
			}
		}
		return t
	}
	resistor := func(v float64) float64 { return v }
	lamp := func(v float64) float64 { return v * v } // V = K sqrt(I)
	full := above(run(1, 1, resistor), 0.5)
	for _, p := range []Fraction{0.9, 0.5, 1. / 4, 1. / 16, 1. / 64} {
		cut := run(1, float64(p), resistor)
		want := IdealPulse(full, CutOff, p)
		assert.InDelta(t, float64(want.Half), float64(above(cut, 0.5)), 3*step, p)
		assert.InDelta(t, float64(want.Tenth), float64(above(cut, 0.1)), 0.01*float64(want.Tenth)+3*step, p)

		less := above(run(math.Sqrt(float64(p)), 1, lamp), 0.5)
		whole := above(run(1, 1, lamp), 0.5)
		assert.InEpsilon(t, float64(IdealPulse(1, Throttled, p).Half), float64(less/whole), 0.01, p)
	}
}

// Less power is shorter for one kind of unit and longer for the other.
func TestKindsOfUnit(t *testing.T) {
	for power := Fraction(1); power > 1./200; power /= 2 {
		for _, full := range []phys.Time{1e-3, 5e-3} {
			assert.LessOrEqual(t, IdealPulse(full, CutOff, power/2).Tenth, IdealPulse(full, CutOff, power).Tenth)
			assert.Greater(t, IdealPulse(full, Throttled, power/2).Tenth, IdealPulse(full, Throttled, power).Tenth)
		}
	}
}

// A unit's own figures are taken as they are, and the ideal unit fills what they leave open.
func TestFigures(t *testing.T) {
	var f Figures
	require.NoError(t, f.UnmarshalText([]byte("1/16 1/4000, full 1/250 s,1/4 1/1000 s")))
	assert.Equal(t, Figures("1/1 1/250 s, 1/4 1/1000 s, 1/16 1/4000 s"), f)
	d := Discharge{Control: CutOff, Is: AboveTenth, Figures: f}
	at := func(p Fraction) float64 {
		pulse, known := d.At(p)
		require.True(t, known)
		return float64(pulse.Tenth)
	}
	assert.InEpsilon(t, 1./250, at(1), 1e-9)
	assert.InEpsilon(t, 1./4000, at(1./16), 1e-9)
	assert.InEpsilon(t, 1./2000, at(1./8), 1e-9, "between two steps")
	assert.InEpsilon(t, 1./16000, at(1./64), 0.05, "below the last, in proportion to the light")
	p, ok := d.PowerFor(1. / 2000)
	assert.True(t, ok)
	assert.InEpsilon(t, 1./8, float64(p), 1e-6)
	_, ok = d.PowerFor(1e-7)
	assert.False(t, ok)
	_, known := Discharge{Control: CutOff, Is: AboveHalf}.At(1)
	assert.False(t, known, "nothing is known of it")
	for _, bad := range []string{"1/2", "1/2 fast", "3/2 1/500", "1/2 1/500, 0.5 1/600", "1/2 B"} {
		assert.Error(t, f.UnmarshalText([]byte(bad)), bad)
	}
}
