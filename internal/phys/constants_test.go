package phys

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"stillwater/internal/published"
)

// ISO 2533:1975: the table was computed from the same two formulas, so this checks our arithmetic; 1.225 kg/m³ and
// 1.7894e-5 Pa s at 15 °C are the standard's own check values.
func TestAir(t *testing.T) {
	for _, row := range published.Rows(t, "air_properties.csv") {
		at := Temperature(row.Number(t, "temp_C"))
		assert.InDelta(t, row.Number(t, "density_kg_m3"), float64(AirDensity(at)), 0.0001)
		assert.InDelta(t, row.Number(t, "viscosity_1e-5_Pa_s")*1e-5, float64(AirViscosity(at)), 0.0001e-5)
	}
	assert.InDelta(t, 1.225, float64(AirDensity(15)), 0.00005)
	assert.InDelta(t, 1.7894e-5, float64(AirViscosity(15)), 0.00005e-5)
}

// Tanaka 2001 and IAPWS R1-76: the table was computed from the same formulas; the values below it are the check values
// that the standards print.
func TestWater(t *testing.T) {
	for _, row := range published.Rows(t, "water_properties.csv") {
		at := Temperature(row.Number(t, "temp_C"))
		assert.InDelta(t, row.Number(t, "density_kg_m3"), float64(WaterDensity(at)), 0.0001)
		assert.InDelta(t, row.Number(t, "surface_tension_mN_m")*1e-3, float64(WaterSurfaceTension(at)), 0.006e-3)
	}
	assert.InDelta(t, 998.2067, float64(WaterDensity(20)), 0.0001)
	assert.InDelta(t, 997.0470, float64(WaterDensity(25)), 0.0001)
	assert.InDelta(t, 0.0716859625, float64(WaterSurfaceTension(300-ZeroCelsius)), 1e-10)
	assert.InDelta(t, 0.0428914992, float64(WaterSurfaceTension(450-ZeroCelsius)), 1e-10)
}
