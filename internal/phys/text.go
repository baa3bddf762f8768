package phys

import "fmt"

// ParseError says why a text is not a quantity and how to write one.
type ParseError struct {
	Input    string // what was given
	Quantity string // "length", "speed", ...
	Why      string // what is wrong with it
	Form     string // the accepted form: "write it like 40 cm, 0.4 m or 400 mm"
}

func (e *ParseError) Error() string {
	return fmt.Sprintf("%q is not a %s: %s; %s", e.Input, e.Quantity, e.Why, e.Form)
}

// ParseLength reads a length: "40 cm", "0.4m", "400 mm".
func ParseLength(s string) (Length, error) { return 0, &ParseError{Input: s, Quantity: "length"} }

// ParseSpeed reads a speed: "3.2 m/s".
func ParseSpeed(s string) (Speed, error) { return 0, &ParseError{Input: s, Quantity: "speed"} }

// ParseAngle reads an angle: "20deg", "20°".
func ParseAngle(s string) (Angle, error) { return 0, &ParseError{Input: s, Quantity: "angle"} }

// ParseTemperature reads a temperature: "20 °C", "20C", "293 K".
func ParseTemperature(s string) (Temperature, error) {
	return 0, &ParseError{Input: s, Quantity: "temperature"}
}

// ParseTime reads a time: "25 ms", "150us", "1/125 s".
func ParseTime(s string) (Time, error) { return 0, &ParseError{Input: s, Quantity: "time"} }

// ParseDensity reads a density: "998 kg/m3".
func ParseDensity(s string) (Density, error) { return 0, &ParseError{Input: s, Quantity: "density"} }

// ParseSurfaceTension reads a surface tension: "72.7 mN/m".
func ParseSurfaceTension(s string) (SurfaceTension, error) {
	return 0, &ParseError{Input: s, Quantity: "surface tension"}
}
