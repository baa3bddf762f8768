package liquids

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/published"
)

func TestLiquids(t *testing.T) {
	for _, l := range All() {
		got, err := Named(l.Name)
		require.NoError(t, err)
		assert.Equal(t, l, got)
		assert.NotEmpty(t, l.Label)
		assert.NotEmpty(t, l.DropSource)
		assert.NotEmpty(t, l.LookSource)
	}
	assert.Equal(t, "water", All()[0].Name)
	_, err := Named("paint")
	assert.EqualError(t, err, `"paint" is not a liquid known here; known are water, milk, glycerol-water, `+
		`dyed-water, soapy-water`)

	// Bertsch 1983, seen, and Volk and Kaehler 2018, seen, through the table.
	found := 0
	for _, r := range published.Rows(t, "liquid_properties.csv") {
		found++
		switch {
		case r["liquid"] == "milk" && r["temp_C"] == "20":
			milk, err := Named("milk")
			require.NoError(t, err)
			assert.InDelta(t, r.Number(t, "surface_tension_mN_m"), 1000*float64(milk.SurfaceTension), 0.1)
			assert.InDelta(t, r.Number(t, "density_kg_m3"), float64(milk.Density), 0.5)
		case r["liquid"] == "glycerol-water" && r["mass_fraction"] == "0.5" && r["temp_C"] == "20":
			mixed, err := Named("glycerol-water")
			require.NoError(t, err)
			assert.InDelta(t, r.Number(t, "density_kg_m3"), float64(mixed.Density), 0.5)
		default:
			found--
		}
	}
	assert.Equal(t, 2, found)
}

// The indices of mixtures against the Lorentz-Lorenz rule with published densities: refractions add by mass.
func TestGlycerolIndex(t *testing.T) {
	refraction := func(n, density float64) float64 { return (n*n - 1) / (n*n + 2) / density }
	checked := 0
	for _, row := range published.Rows(t, "liquid_properties.csv") {
		if row["liquid"] != "glycerol-water" || row["temp_C"] != "20" {
			continue
		}
		part, density := row.Number(t, "mass_fraction"), row.Number(t, "density_kg_m3")
		r := (1-part)*refraction(1.3330, 998.2) + part*refraction(1.4740, 1261.1)
		x := r * density
		assert.InDelta(t, math.Sqrt((1+2*x)/(1-x)), GlycerolIndex(part), 2e-3, row)
		checked++
	}
	assert.Equal(t, 9, checked)
	assert.Equal(t, GlycerolIndex(0), GlycerolIndex(-1))
	assert.Equal(t, GlycerolIndex(1), GlycerolIndex(2))
}

// Viscosities as published.
func TestViscosities(t *testing.T) {
	for _, row := range published.Rows(t, "liquid_properties.csv") {
		name, part := row["liquid"], row["mass_fraction"]
		if row["temp_C"] != "20" || name == "glycerol-water" && part != "0.5" {
			continue
		}
		l, err := Named(name)
		require.NoError(t, err)
		assert.InDelta(t, row.Number(t, "viscosity_mPa_s"), float64(l.Viscosity)*1e3, 0.01, row)
	}
	for _, row := range published.Rows(t, "water_properties.csv") {
		if row["temp_C"] == "20" {
			l, err := Named("water")
			require.NoError(t, err)
			assert.InDelta(t, row.Number(t, "viscosity_mPa_s"), float64(l.Viscosity)*1e3, 1e-6)
		}
	}
	_, err := Named("wine")
	assert.ErrorContains(t, err, "known are water, milk")
}
