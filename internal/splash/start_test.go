package splash

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/liquids"
	"stillwater/internal/phys"
	"stillwater/internal/published"
)

const (
	waterViscosity = 2.25e-3 // 1.0 mm²/s in units of capillary length times sqrt(capillary length times g)
	dripSurplus    = 0.03    // of the drop over the largest that can hang, when it lets go at an ordinary drip
	coarse         = 40      // slices
)

// The table against the solver that it was made with, run again. The solver's own spread is what startSpread says of
// it, 2 %: between 1 and 6 % of surplus, and 40 and 70 slices.
func TestStartTable(t *testing.T) {
	for _, i := range []int{6, 8, 10, 12} {
		row := startTable[i]
		got, ok := newNecking(largestHanging(row.radius), row.radius, waterViscosity, dripSurplus, coarse).run()
		require.True(t, ok)
		t.Logf("tip %.3f: length %.3f, volume %.3f, centre %.3f, speed %.3f, release %.3f", row.radius, got.length,
			got.volume, got.centre, got.speed, got.release())
		assert.InEpsilon(t, row.release, got.release(), 0.02)
		assert.InEpsilon(t, row.length, got.length, 0.02)
		assert.InEpsilon(t, 1.45*math.Pow(row.radius, 0.9), got.speed, 0.05, "StartOf's speed")
	}
}

// A liquid six times as viscous as water, as glycerol and water 1:1 are, starts as water does, within the spread.
func TestStartHardlyViscous(t *testing.T) {
	const tip = 0.917
	got, ok := newNecking(largestHanging(tip), tip, 6*waterViscosity, dripSurplus, coarse).run()
	require.True(t, ok)
	assert.InEpsilon(t, startTable[8].release, got.release(), startSpread)
}

// The largest drop that can hang is what Young and Laplace say, and what falls of it what Eschbaum weighed: the solver
// knows neither Tate's law nor Harkins and Brown's table. 3 % either way is its surplus, 4 % more the drip that nobody
// timed (ordinary dripping gives drops up to 8 % heavier, see the table's header).
func TestNeckingMassesEschbaum(t *testing.T) {
	water, compared := waterAt(15), 0
	for _, r := range published.Rows(t, "eschbaum_1895_all_rows.csv") {
		tip := r.Metres(t, "likely_diameter_mm") / 2 / capillaryLength(water)
		if r["liquid"] != "water" || r["flag"] != "" || tip < 0.5 {
			continue
		}
		compared++
		hanging := largestHanging(tip)
		got, ok := newNecking(hanging, tip, waterViscosity, dripSurplus, coarse).run()
		require.True(t, ok)
		assert.Less(t, got.volume, hanging.volume*(1+dripSurplus))
		unit := float64(water.Density) * math.Pow(capillaryLength(water), 3) * 1e6
		t.Logf("tip %s mm: weighed %s mg, solver %.1f mg of %.1f", r["tube_outer_diameter_mm"], r["drop_mass_mg"],
			got.volume*unit, hanging.volume*unit)
		assert.InEpsilon(t, r.Number(t, "drop_mass_mg"), got.volume*unit, 0.07)
	}
	assert.Equal(t, 4, compared)
}

// Stretched lengths at break-up as printed: 7.0 and 8.6 tip radii in turn, for 70 % glycerol at 40 ml/min from 1.5 mm
// (B. Ambravaneswaran, S. D. Phillips and O. A. Basaran, Phys. Rev. Lett. 85 (2000) 5332). The solver gives one drop:
// with all of that flow it must be longer than both, as it begins as large as can hang, and without flow shorter.
// Density, surface tension and viscosity of the mixture: 1181 kg/m³, 66.7 mN/m, 22 mPa s, from memory.
func TestNeckingLengthPublished(t *testing.T) {
	mixture := liquids.Liquid{Density: 1181, SurfaceTension: 0.0667}
	unit := capillaryLength(mixture)
	time := math.Sqrt(unit / phys.Gravity)
	tip := 1.5e-3 / unit
	viscosity := 22e-3 / 1181 * time / (unit * unit)
	var lengths []float64
	for _, flow := range []float64{0, 40e-6 / 60} {
		n := newNecking(largestHanging(tip), tip, viscosity, dripSurplus, coarse)
		n.inflow = flow * time / math.Pow(unit, 3)
		got, ok := n.run()
		require.True(t, ok)
		lengths = append(lengths, got.length/tip)
	}
	t.Logf("without flow %.2f radii, with it %.2f", lengths[0], lengths[1])
	rows := 0
	for _, r := range published.Rows(t, "splash_published_2.csv") {
		if r["quantity"] != "stretched_drop_length_at_breakup" {
			continue
		}
		rows++
		assert.Greater(t, r.Number(t, "value"), lengths[0])
		assert.Less(t, r.Number(t, "value"), lengths[1])
	}
	assert.Equal(t, 2, rows)
}

// The start of water from nozzles of 2 to 5 mm in millimetres, as another solver of the same model, made by others,
// gave them: 6.2, 7.4, 8.4 and 9.25 mm.
func TestStartWater(t *testing.T) {
	for nozzle, release := range map[phys.Length]float64{2e-3: 6.2, 3e-3: 7.4, 4e-3: 8.4, 5e-3: 9.25} {
		s, err := StartOf(nozzle, waterAt(20))
		require.NoError(t, err)
		assert.InEpsilon(t, release, 1e3*float64(s.Release), 0.02)
		assert.Greater(t, s.Length, s.Release)
	}
}

// A start grows with nozzle and surface tension; it lies below the tip by more than the drop's diameter.
func TestStartProperties(t *testing.T) {
	for _, liquid := range liquids.All() {
		widest := nozzleAt(maxRatio, liquid)
		var last Start
		for nozzle := phys.Length(0.3e-3); nozzle < widest*0.95; nozzle *= 1.1 {
			s, err := StartOf(nozzle, liquid)
			require.NoError(t, err)
			d, err := DropDiameter(nozzle, liquid)
			require.NoError(t, err)
			assert.Greater(t, s.Release, last.Release, "%s %s", liquid.Name, nozzle)
			assert.Greater(t, s.Length, last.Length)
			assert.Greater(t, s.Length, d*0.95, "%s %s", liquid.Name, nozzle)
			last = s
		}
	}
	_, err := StartOf(0, waterAt(20))
	assert.Error(t, err)
}
