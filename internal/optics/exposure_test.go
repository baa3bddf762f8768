package optics

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
	"stillwater/internal/published"
)

// The table of exposure values of ISO 2720, from the marks as they are printed on lens and camera.
func TestExposureValues(t *testing.T) {
	for _, row := range published.Rows(t, "exposure_value_table.csv") {
		n, err := ParseFNumber(row["f_number"])
		require.NoError(t, err)
		s, err := ParseShutter(row["shutter_s"] + " s")
		require.NoError(t, err)
		assert.InDelta(t, row.Number(t, "ev_exact"), float64(EV(ExactFNumber(n), phys.Time(ExactShutter(s)))), 1e-9, row)
		assert.InDelta(t, row.Number(t, "ev_from_printed"), float64(EV(n, phys.Time(s))), 6e-4, row)
	}
}

// Constants of exposure meters: N²/t = E S/C for incident light, L S/K for reflected light. ISO 2720:1974 has 10.6 to
// 13.4 for K, and 240 to 400 for C with a flat receptor (C's range from memory); these are the common ones.
const (
	incidentConstant  = 250.0 // lx s
	reflectedConstant = 12.5  // cd s/m²
)

// evOfLux is the light that falls on the subject, in lux, as an exposure value at ISO 100.
func evOfLux(lux float64) Stops { return Stops(math.Log2(lux * 100 / incidentConstant)) }

// evOfLuminance is the luminance of the scene, in cd/m², as an exposure value at ISO 100.
func evOfLuminance(candela float64) Stops { return Stops(math.Log2(candela * 100 / reflectedConstant)) }

// The constants and light levels of ISO 2720:1974, and the rule of sixteen: a sunlit scene is right at f/16 and 1/ISO.
func TestMeterConstants(t *testing.T) {
	value := map[string]float64{}
	for _, row := range published.Rows(t, "exposure_constants.csv") {
		if !strings.Contains(row["value"], "to") {
			value[row["name"]] = row.Number(t, "value")
		}
	}
	assert.Equal(t, value["K_common_a"], reflectedConstant)
	assert.Equal(t, value["C_flat_common"], incidentConstant)
	assert.InDelta(t, 0, float64(evOfLuminance(value["L_at_EV0_ISO100_K12.5"])), 1e-9)
	assert.InDelta(t, 15, float64(evOfLuminance(value["L_at_EV15_ISO100_K12.5"])), 1e-9)
	assert.InDelta(t, 0, float64(evOfLux(value["E_at_EV0_ISO100_C250"])), 1e-9)
	assert.InDelta(t, 15, float64(evOfLux(value["E_at_EV15_ISO100_C250"])), 1e-9)
	sunlit := evOfLuminance(value["check_sunny16"])
	for _, speed := range []ISO{100, 400, 3200} {
		assert.InDelta(t, 0, float64(ContinuousExposure(sunlit, 16, speed, phys.Time(1/speed))), 1e-9)
	}
}

// Guide numbers as published: f-number, speed, power and units.
func TestGuideNumbers(t *testing.T) {
	unit := Unit{Guide: 45, Power: 1, Distance: 5, Count: 1}
	relative := func(change func(*Unit, *ISO)) float64 {
		u, i := unit, ISO(200)
		change(&u, &i)
		return float64(u.FNumber(i) / unit.FNumber(200))
	}
	checked := 0
	for _, row := range published.Rows(t, "flash_guide_number_check.csv") {
		var guide, speed, distance, got float64
		var over int
		text, want := row["case"], row.Number(t, "value")
		tolerance := 6e-3 * want // values are printed to three figures
		switch {
		case scan(text, "GN %f m, ISO %f, distance %f m", &guide, &speed, &distance):
			// This guide number is for its own speed.
			u := Unit{Guide: phys.Length(guide / math.Sqrt(speed/100)), Power: 1, Distance: phys.Length(distance), Count: 1}
			got = float64(u.FNumber(ISO(speed)))
		case scan(text, "GN %f m, ISO %f, power 1/%d, distance %f m", &guide, &speed, &over, &distance):
			// The guide number is for ISO 100: "GN 28 m" at ISO 400 is 56 m.
			u := Unit{Guide: phys.Length(guide), Power: 1 / Fraction(over), Distance: phys.Length(distance), Count: 1}
			got = float64(u.FNumber(ISO(speed)))
		case scan(text, "ISO %f relative to ISO 200", &speed):
			got = relative(func(_ *Unit, i *ISO) { *i = ISO(speed) })
		case scan(text, "power 1/%d", &over):
			got = relative(func(u *Unit, _ *ISO) { u.Power = 1 / Fraction(over) })
		case text == "two equal flashes on the subject":
			got = relative(func(u *Unit, _ *ISO) { u.Count = 2 })
			assert.InDelta(t, want, float64(AddFNumbers(8, 8)/8), tolerance)
		default:
			continue
		}
		assert.InDelta(t, want, got, tolerance, text)
		checked++
	}
	assert.Equal(t, 14, checked)
}

func scan(text, format string, into ...any) bool {
	n, err := fmt.Sscanf(text, format, into...)
	return err == nil && n == len(into)
}

// Another way to the same exposure: the illumination of a point source in candela seconds, and the meter's constant.
func TestFlashByCandelas(t *testing.T) {
	const candelaSeconds = 1000.0
	u := Unit{Guide: 20, Power: 0.25, Distance: 2.5, Loss: 1.5, Count: 3} // 20 m: published for 1000 cd s and C 250
	luxSeconds := 3 * candelaSeconds * 0.25 / math.Exp2(1.5) / (2.5 * 2.5)
	const iso = 320
	right := math.Sqrt(luxSeconds * iso / incidentConstant)
	assert.InEpsilon(t, right, float64(u.FNumber(iso)), 1e-9)
	for range 2 { // twice as far is two stops less
		before := u.FNumber(iso)
		u.Distance *= 2
		assert.InDelta(t, -2, float64(FlashExposure(u.FNumber(iso), before)), 1e-9)
	}
}

// Each way of making up for the light that is missing gives exactly that much, alone.
func TestMakeUp(t *testing.T) {
	u := Unit{Guide: 28, Power: 1. / 16, Distance: 0.8, Count: 2}
	const iso, n, lacks = ISO(320), FNumber(16), Stops(2)
	was := FlashExposure(u.FNumber(iso), n)
	m := MakeUpFor(lacks, u, iso, n)
	nearer, more := u, u
	nearer.Distance, more.Count = m.Distance, m.Units
	for name, now := range map[string]Stops{
		"nearer": FlashExposure(nearer.FNumber(iso), n), "more units": FlashExposure(more.FNumber(iso), n),
		"faster": FlashExposure(u.FNumber(m.Speed), n), "wider": FlashExposure(u.FNumber(iso), m.Aperture),
	} {
		assert.InDelta(t, float64(was+lacks), float64(now), 1e-9, name)
	}
}

// The room's light, found by a meter or by a black frame, gains one stop with each doubling of the opening, and the
// longest opening is where the margin is used up.
func TestRoomLight(t *testing.T) {
	metered := func(open phys.Time) Stops { return ContinuousExposure(-3, 16, 400, open) }
	black := BlackFrame{Open: 1, Brightest: 0.2}
	for _, light := range []func(phys.Time) Stops{metered, black.Exposure} {
		assert.InDelta(t, 3, float64(light(8)-light(1)), 1e-9)
		longest := LongestOpening(light(2), 2, -0.5, MinMargin)
		assert.InDelta(t, float64(MinMargin), float64(-0.5-light(longest)), 1e-9)
	}
	// A fifth up the histogram is 3.3 % of white's light: sRGB 51 of 255 is 0.0331 (from memory).
	assert.InDelta(t, math.Log2(0.0331), float64(black.Exposure(1)), 0.005)
	assert.Equal(t, BlackFrame{1, BlackLevel}.Exposure(1), BlackFrame{1, 0}.Exposure(1), "black is no darker than that")
}

// Known pairs of sRGB: the middle of the scale is 21.4 % of white, and 18 % grey is shown at 118 of 255 (from memory).
func TestTone(t *testing.T) {
	assert.InDelta(t, 0.2140, Level(0.5).Linear(), 5e-5)
	assert.InDelta(t, 118./255, float64(LevelOf(0.18)), 0.5/255)
	for l := Level(0.001); l <= 1; l += 0.001 {
		assert.InDelta(t, float64(l), float64(LevelOf(l.Linear())), 1e-6)
	}
	assert.Equal(t, Level(1), LevelAt(2), "what is burnt out is white")
	assert.Equal(t, Level(0), LevelOf(0))
	assert.InDelta(t, float64(BackgroundAim), float64(LevelAt(1.5-LowerBy(1.5))), 1e-9)
}
