package valve

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/liquids"
	"stillwater/internal/phys"
	"stillwater/internal/published"
)

// tabletop is a valve of 1.6 mm above a tip of 3 mm, under 20 cm of water.
func tabletop(t *testing.T) Valve {
	t.Helper()
	water, err := liquids.Named("water")
	require.NoError(t, err)
	return Valve{Tip: 3e-3, Bore: 1.6e-3, Head: 0.2, Discharge: 0.6, Opens: 4e-3, Closes: 4e-3, Liquid: water}
}

// Worked examples of textbooks of hydraulics, as the Scilab Textbook Companion has them (FOSSEE/Scilab-TBC-Uploads,
// book 2132): example 6.7, 0.85 l/s through 20 mm under 1 m, a coefficient of 0.61; and an orifice of 1 in under 29 in
// of water that lets out 16 gallons of 10 lb in a minute, 0.628 (example 3.1 of another, in the Nemotron-CC-Math data
// set).
func TestDischargeWorkedExamples(t *testing.T) {
	assert.InEpsilon(t, 0.85e-3, float64(Discharge(20e-3, 1, 0.61)), 0.002)
	const inch, pound = 0.0254, 0.45359237
	perSecond := 16 * 10 * pound / 60 / 999.5 // water of 62.4 lb/ft³
	assert.InEpsilon(t, perSecond, float64(Discharge(1*inch, 29*inch, 0.628)), 0.002)
	assert.Zero(t, Discharge(1e-3, -0.1, 0.6), "nothing flows up")
}

// Mariotte's bottle: what the liquid's surface does has no part in it, the air tube's end has. Four times the height
// above the tip give twice the flow, and the volume grows evenly with the time, from the dead times on.
func TestConstantHead(t *testing.T) {
	v := tabletop(t)
	low := v.Volume(0.050) - v.Volume(0.040)
	assert.InEpsilon(t, float64(low), float64(v.Volume(0.140)-v.Volume(0.130)), 1e-9, "as fast later as before")
	v.Head *= 4
	assert.InEpsilon(t, 2*float64(low), float64(v.Volume(0.050)-v.Volume(0.040)), 1e-9)
	v.Opens, v.Closes = 10e-3, 4e-3
	assert.Zero(t, v.Volume(5e-3), "it has not opened yet")
	assert.Zero(t, v.Volume(9e-3), "it has not opened yet, however slowly it closes")
	assert.InEpsilon(t, float64(v.flow())*0.044, float64(v.Volume(0.050)), 1e-9)
	assert.InDelta(t, 0.050, float64(v.OpeningFor(v.Volume(0.050))), 2e-6)
}

// The least opening of each tip whose drops Eschbaum weighed lets out a drop like his: he dripped them slowly. It has
// 3 % of what can hang more than just falls, and Harkins and Brown's drops are up to 8 % lighter than his.
func TestLeastDropEschbaum(t *testing.T) {
	water, compared := liquids.All()[0], 0
	water.Density, water.SurfaceTension = phys.WaterDensity(15), phys.WaterSurfaceTension(15)
	for _, r := range published.Rows(t, "eschbaum_1895_all_rows.csv") {
		if r["liquid"] != "water" || r["flag"] != "" || r.Metres(t, "likely_diameter_mm") > 10e-3 {
			continue
		}
		v := tabletop(t)
		v.Liquid, v.Tip = water, phys.Length(r.Metres(t, "likely_diameter_mm"))
		limits, err := v.Limits()
		require.NoError(t, err)
		mass := float64(v.Volume(limits.Least)) * float64(water.Density) * 1e6
		t.Logf("tip %s mm: least drop %.1f mg, weighed %s mg", r["likely_diameter_mm"], mass, r["drop_mass_mg"])
		assert.InEpsilon(t, r.Number(t, "drop_mass_mg"), mass, 0.09)
		compared++
	}
	assert.GreaterOrEqual(t, compared, 4)
}

// Below the least opening nothing falls, above the most more than one drop does; between them a longer opening gives a
// larger drop that lets go sooner after it was heavy enough.
func TestOpenings(t *testing.T) {
	v := tabletop(t)
	limits, err := v.Limits()
	require.NoError(t, err)
	assert.Less(t, limits.Least, limits.Most)
	var last Drop
	for open := limits.Least; open <= limits.Most; open += 1e-3 {
		d, err := v.Drop(open)
		require.NoError(t, err)
		assert.Greater(t, d.Diameter, last.Diameter)
		if last.Falls > 0 {
			assert.Less(t, d.Falls, last.Falls)
		}
		assert.InEpsilon(t, float64(d.Volume), math.Pi/6*math.Pow(float64(d.Diameter), 3), 1e-9)
		last = d
	}
	none, train := new(NoDropError), new(TrainError)
	_, err = v.Drop(limits.Least - 1e-3)
	require.ErrorAs(t, err, &none)
	assert.Equal(t, limits.Least, none.Least)
	_, err = v.Drop(limits.Most + 1e-3)
	require.ErrorAs(t, err, &train)
	_, err = v.Drop(0)
	assert.ErrorAs(t, err, &none)
	v.Tip = 2e-2
	domain := new(phys.DomainError)
	_, err = v.Drop(0.03)
	assert.ErrorAs(t, err, &domain)
}

// A valve that lets out next to nothing gives no drop, and not more than one.
func TestSlowValve(t *testing.T) {
	v := tabletop(t)
	v.Bore, v.Head = 1e-4, 1e-2
	none := new(NoDropError)
	_, err := v.Drop(0.026)
	assert.ErrorAs(t, err, &none)
}

// What was weighed counts, and between two weighings a straight line; bore and head have no part in it then.
func TestWeighedDrops(t *testing.T) {
	v := tabletop(t)
	var err error
	v.Weighed, err = ParseWeighings("20 drops 1.1 g at 24 ms; 20 drops 1.4 g at 30 ms")
	require.NoError(t, err)
	drop := func(open phys.Time) Drop {
		d, err := v.Drop(open)
		require.NoError(t, err)
		return d
	}
	mg := func(d Drop) float64 { return float64(d.Volume) * float64(v.Liquid.Density) * 1e6 }
	assert.InEpsilon(t, 55, mg(drop(0.024)), 1e-9)
	assert.InEpsilon(t, 62.5, mg(drop(0.027)), 1e-9)
	assert.InEpsilon(t, 4.72e-3, float64(drop(0.024).Diameter), 0.002, "55 mg are 4.72 mm")
	before := drop(0.027)
	v.Bore, v.Head = 1e-3, 1
	assert.Equal(t, before, drop(0.027))
	far := new(NotWeighedError)
	for _, open := range []phys.Time{0.020, 0.035} {
		_, err = v.Drop(open)
		require.ErrorAs(t, err, &far)
	}
	assert.Equal(t, []phys.Time{0.024, 0.030}, []phys.Time{far.Shortest, far.Longest})
	// Drops that were weighed fell, however light.
	v.Weighed, err = ParseWeighings("10 drops 0.2 g at 12 ms")
	require.NoError(t, err)
	_, err = v.Drop(0.012)
	assert.NoError(t, err)
}

// A drop that lets out 1.6 % more (published for a valve's least volume) is larger by a third of that, and lets go
// sooner, the more so the less it had to spare.
func TestDeviating(t *testing.T) {
	v := tabletop(t)
	sooner := func(open phys.Time) phys.Time {
		planned, err := v.Drop(open)
		require.NoError(t, err)
		more, err := v.Deviating(open, 0.016)
		require.NoError(t, err)
		assert.InEpsilon(t, 1+0.016/3, float64(more.Diameter/planned.Diameter), 1e-3)
		return planned.Falls - more.Falls
	}
	assert.Greater(t, sooner(0.024), sooner(0.030))
	assert.Positive(t, sooner(0.030))
}

// A jet takes less flow the wider the tip: Weber numbers of 4 at a point, falling with the Bond number, as the formula
// has it in both limits.
func TestJet(t *testing.T) {
	v := tabletop(t)
	last := 4.0
	for _, tip := range []phys.Length{0.05e-3, 1e-3, 3e-3, 6e-3} {
		v.Tip = tip
		assert.Less(t, v.jetWeber(), last)
		last = v.jetWeber()
	}
	v.Tip = 1e-6
	assert.InDelta(t, 4, v.jetWeber(), 0.02)
	v.Tip = 3e-3
	d, err := v.Drop(0.026)
	require.NoError(t, err)
	assert.Greater(t, d.Weber, d.Jet)

	// What is open for too long lets out a jet where the liquid is fast enough for one, and else drop after drop.
	train := new(TrainError)
	_, err = v.Drop(0.2)
	require.ErrorAs(t, err, &train)
	assert.True(t, train.Jet)
	assert.ErrorContains(t, err, "an opening of 200 ms lets out a jet")
	v.Head = 2e-2
	v.Bore = 1e-3
	_, err = v.Drop(2)
	require.ErrorAs(t, err, &train)
	assert.False(t, train.Jet)
	assert.ErrorContains(t, err, "lets out more than one drop")
}

// What falls from a tip that holds nothing yet is less by what stays there; a short opening only fills the tip.
func TestDropFromADryTip(t *testing.T) {
	v := tabletop(t)
	limits, err := v.Limits()
	require.NoError(t, err)
	long, err := v.Drop(limits.Most)
	require.NoError(t, err)
	assert.InEpsilon(t, float64(long.Volume-long.Stays), float64(long.FromDry), 1e-9)
	short, err := v.Drop(limits.Least)
	require.NoError(t, err)
	assert.Zero(t, short.FromDry)
	assert.Equal(t, long.Stays, short.Stays)
}
