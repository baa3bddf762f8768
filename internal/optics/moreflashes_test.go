package optics

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
	"stillwater/internal/published"
)

func TestOthers(t *testing.T) {
	var o Others
	require.NoError(t, o.UnmarshalText([]byte("28 m, 1/16,60 cm , 1/4000 s; 20 m, full, 1 m, 1 stop;")))
	assert.Equal(t, "28 m, 1/16, 60 cm, 1/4000 s; 20 m, 1/1, 1 m, 1 stop", o.String())
	units, err := o.Table()
	require.NoError(t, err)
	assert.Equal(t, []OtherUnit{
		{Unit{Guide: 28, Power: 1. / 16, Distance: 0.6, Count: 1}, 1. / 4000},
		{Unit{Guide: 20, Power: 1, Distance: 1, Loss: 1, Count: 1}, 0},
	}, units)
	require.NoError(t, o.UnmarshalText([]byte("20 m, 1/8, 1 m, 0.25 ms")))
	assert.Contains(t, o.String(), "1/4000 s")
	require.NoError(t, o.UnmarshalText([]byte("none")))
	assert.Empty(t, o)
}

// What is missing, twice or impossible is named, with how to write it, and nothing changes.
func TestOthersRefused(t *testing.T) {
	for text, why := range map[string]string{
		"28 m, 1/16":                "the distance is missing",
		"28 m, 60 cm":               "the power is missing",
		"1/16":                      "the guide number is missing",
		"28 m, 1/16, 1/4000, 60 cm": "two for the same",
		"28 m, 3/2, 60 cm":          "more than the whole",
		"28 m, 1/16, 60 cm, 2 m":    "two for the same",
		"28 m, 1/16, 60 cm, 0.5 s":  "1/2 s is not from 1 µs to 100 ms",
		"28 m, 1/16, 60 cm, bright": "not a number",
		"1 cm, 1/16, 60 cm":         "1 cm is not from 10 cm",
		"9 m,1,1 m;9 m,1,1 m;9 m,1,1 m;9 m,1,1 m;9 m,1,1 m;9 m,1,1 m": "more than 5",
	} {
		o := Others("20 m, full, 1 m")
		wrong := new(phys.ParseError)
		require.ErrorAs(t, o.UnmarshalText([]byte(text)), &wrong, text)
		assert.Contains(t, wrong.Why, why, text)
		assert.Contains(t, wrong.Error(), "write guide number, power and distance")
		assert.Equal(t, Others("20 m, full, 1 m"), o)
	}
}

// Light adds: two units alike, given as two different ones, are what two alike are; and in illuminances, guide number
// squared by distance squared, by hand.
func TestUnlikeUnitsAdd(t *testing.T) {
	one := Flash{Guide: 28, Power: 1. / 16, Distance: 0.6, Units: 1, Others: "28 m, 1/16, 60 cm"}
	two := Flash{Guide: 28, Power: 1. / 16, Distance: 0.6, Units: 2}
	a, known := one.FNumber(100)
	require.True(t, known)
	b, _ := two.FNumber(100)
	assert.InEpsilon(t, float64(b), float64(a), 1e-12)
	one.Others = "20 m, full, 4 m, 1 stop"
	c, _ := one.FNumber(100)
	assert.InEpsilon(t, math.Sqrt(28*28/0.36/16+400./16/2), float64(c), 1e-12)
	one.Guide = 0
	_, known = one.FNumber(100)
	assert.False(t, known, "the first one's share is not known")
}

// The unit that lasts longest decides, and with one of unknown duration nothing is known.
func TestLongestUnitDecides(t *testing.T) {
	f := Flash{Power: 1. / 16, Figures: "1/16 1/4000 s", Measured: AboveTenth, Control: CutOff,
		Others: "28 m, 1/8, 1 m, 1/1000 s"}
	l := f.Lit()
	assert.Equal(t, []any{true, 1, false}, []any{l.Known, l.Unit, l.Ideal})
	assert.InEpsilon(t, 1e-3, float64(l.Pulse.Tenth), 1e-9)
	_, ok := f.PowerFor(1. / 2000)
	assert.False(t, ok, "no power of the first shortens the second")
	f.Others = "28 m, 1/8, 1 m, 1/9000 s"
	assert.Zero(t, f.Lit().Unit)
	_, ok = f.PowerFor(1. / 2000)
	assert.True(t, ok)
	f.Measured, f.Others = AboveHalf, "28 m, 1/8, 1 m, 1/3000 s"
	l = f.Lit()
	assert.True(t, l.Unit == 1 && l.Ideal, "t0.5 of 1/3000 s has t0.1 of 1/903 s")
	assert.InEpsilon(t, 1./903, float64(l.Pulse.Tenth), 1e-3)
	f.Others = "28 m, 1/8, 1 m"
	assert.False(t, f.Lit().Known)
}

// What t0.1 leaves out of an ideal decay, a tenth of the light (the published table), is what flashes that are lit
// longest may give without deciding the blur. Shares by hand: guide number squared, by distance squared, by power.
func TestWeakUnitDoesNotDecide(t *testing.T) {
	for _, row := range published.Rows(t, "flash_duration_ideal.csv") {
		if row["threshold"] == "0.1" {
			assert.InDelta(t, 1-row.Number(t, "fraction_of_light_emitted"), ghostShare, 1e-9)
		}
	}
	f := Flash{Guide: 30, Power: 1. / 16, Distance: 1, Units: 1, Figures: "1/16 1/9000 s", Measured: AboveTenth,
		Control: CutOff}
	for others, want := range map[string]struct {
		unit   int
		ghosts []float64
	}{
		"10 m, 1/16, 1 m, 1/100 s":                             {0, []float64{0.1}},
		"10.1 m, 1/16, 1 m, 1/100 s":                           {1, nil},
		"10 m, 1/16, 2 m, 1/100 s":                             {0, []float64{1. / 37}},
		"10 m, 1/16, 1 m":                                      {0, []float64{0.1}},
		"10 m, 1/16, 2 m, 1/100 s; 10 m, 1/16, 2 m, 1/200 s":   {0, []float64{1. / 38, 1. / 38}},
		"10 m, 1/16, 1 m, 1/100 s; 10 m, 1/16, 1 m, 1/200 s":   {2, []float64{1. / 11}},
		"10 m, 1/16, 1 m, 1/10000 s; 10 m, 1/16, 2 m, 1/200 s": {0, []float64{0.25 / 10.25}},
	} {
		f.Others = Others(others)
		l := f.Lit()
		require.True(t, l.Known, others)
		assert.Equal(t, want.unit, l.Unit, others)
		require.Len(t, l.Ghosts, len(want.ghosts), others)
		for i, share := range want.ghosts {
			assert.InEpsilon(t, share, l.Ghosts[i].Share, 1e-9, others)
		}
	}
	assert.InDelta(t, 3, float64(UnitLit{Share: 0.125}.Under()), 1e-12)
	f.Guide, f.Others = 0, "1 m, 1/128, 9 m, 1/8000 s; 1 m, 1/128, 9 m, 1/100 s"
	assert.Equal(t, 2, f.Lit().Unit, "whose share nobody knows, counts")
}

// The first one's power is found that makes all of the light short, where another flash alone would be too long and is
// weak beside it; and none where it is not.
func TestPowerBesideOthers(t *testing.T) {
	f := Flash{Guide: 30, Power: 1. / 2, Distance: 1, Units: 1, Figures: "1/2 1/500 s, 1/8 1/4000 s", Measured: AboveTenth,
		Control: CutOff, Others: "6 m, 1/16, 1 m, 1/100 s"} // at 1/8 power of the first, 2 % of the light
	power, ok := f.PowerFor(1. / 3000)
	assert.True(t, ok)
	assert.Equal(t, Fraction(1./8), power)
	assert.Empty(t, f.TooLong(1./3000))
	f.Others = "30 m, 1/16, 1 m, 1/100 s; 30 m, 1/16, 1 m, 1/8000 s"
	_, ok = f.PowerFor(1. / 3000)
	assert.False(t, ok)
	f.Power = 1. / 8
	assert.Equal(t, []int{1}, f.TooLong(1./3000))
}

// FuzzOthers: what is read is printed and read again as it was, and adds finite light.
func FuzzOthers(f *testing.F) {
	f.Add("28 m, 1/16, 60 cm, 1/4000 s; 20 m, full, 1 m, 1 stop")
	f.Fuzz(func(t *testing.T, text string) {
		var o, back Others
		if o.UnmarshalText([]byte(text)) != nil {
			require.Empty(t, o)
			return
		}
		require.NoError(t, back.UnmarshalText([]byte(o.String())), "%q printed %q", text, o)
		require.Equal(t, o, back)
		n, _ := Flash{Guide: 20, Power: 1, Distance: 1, Units: 1, Others: o}.FNumber(100)
		require.True(t, n >= 20 && !math.IsInf(float64(n), 0), "%q: %v", text, n)
	})
}
