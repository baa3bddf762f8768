package phys

import (
	"fmt"
	"math"
)

const (
	// Gravity is standard gravity in m/s², exact by convention (3rd CGPM, 1901). It varies by 0.5 % over the Earth.
	Gravity = 9.80665
	// ZeroCelsius is 0 °C in kelvin, exact by definition of the Celsius scale.
	ZeroCelsius = 273.15
	// AirGasConstant is the specific gas constant of dry air in J/(kg K), ISO 2533:1975 (from memory).
	AirGasConstant = 287.05287
	// StandardPressure is the standard atmosphere in Pa, exact by convention (10th CGPM, 1954).
	StandardPressure = 101325
	// RoomTemperature is the temperature of air and water in models that take none.
	RoomTemperature Temperature = 20
)

// Viscosity is a dynamic viscosity in pascal seconds.
type Viscosity float64

// DomainError reports an argument outside a model's domain.
type DomainError struct {
	Field string // the argument: "diameter", "interval", ...
	Value string // as given, with its unit
	Why   string // what is accepted, with units
}

func (e *DomainError) Error() string { return fmt.Sprintf("%s %s: %s", e.Field, e.Value, e.Why) }

// Within returns a *DomainError that names field unless low <= q <= high. NaN is never within.
func Within[Q interface {
	~float64
	String() string
}](field string, q, low, high Q) error {
	if q >= low && q <= high {
		return nil
	}
	return &DomainError{Field: field, Value: q.String(), Why: fmt.Sprintf("must be from %s to %s", low, high)}
}

// Kelvin is the temperature above absolute zero, as gas laws take it.
func (t Temperature) Kelvin() float64 { return float64(t) + ZeroCelsius }

// AirDensity is the density of dry air at the standard pressure: the ideal gas of ISO 2533:1975. Humid air is
// lighter, by about 0.5 % at 20 °C and 50 % humidity (from memory).
func AirDensity(t Temperature) Density {
	return Density(StandardPressure / (AirGasConstant * t.Kelvin()))
}

// AirViscosity is the viscosity of air: Sutherland's formula with the constants of ISO 2533:1975 (from memory).
func AirViscosity(t Temperature) Viscosity {
	return Viscosity(1.458e-6 * math.Pow(t.Kelvin(), 1.5) / (t.Kelvin() + 110.4))
}

// WaterDensity is the density of air-free water at the standard pressure, 0 to 40 °C: M. Tanaka et al., Metrologia
// 38 (2001) 301-309. Tap water differs by up to 0.05 %.
func WaterDensity(t Temperature) Density {
	c := float64(t)
	return Density(999.974950 * (1 - (c-3.983035)*(c-3.983035)*(c+301.797)/(522528.9*(c+69.34881))))
}

// WaterSurfaceTension is the surface tension of clean water against air: IAPWS R1-76(2014), within 0.5 % (from
// memory). Soap, grease or dust lower it, down to 25 or 30 mN/m.
func WaterSurfaceTension(t Temperature) SurfaceTension {
	reduced := 1 - t.Kelvin()/647.096
	return SurfaceTension(0.2358 * math.Pow(reduced, 1.256) * (1 - 0.625*reduced))
}
