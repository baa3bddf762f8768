package phys

import (
	"math"
	"strconv"
	"strings"
)

// Units of length.
var (
	metre      = unit{names: []string{"m"}, times: 1, per: 1}
	centimetre = unit{names: []string{"cm"}, times: 1, per: 100}
	millimetre = unit{names: []string{"mm"}, times: 1, per: 1000}
	micrometre = unit{names: []string{"µm", "um", "μm"}, times: 1, per: 1e6}
)

// Units of speed.
var (
	metrePerSecond      = unit{names: []string{"m/s"}, times: 1, per: 1}
	centimetrePerSecond = unit{names: []string{"cm/s"}, times: 1, per: 100}
	millimetrePerSecond = unit{names: []string{"mm/s"}, times: 1, per: 1000}
	kilometrePerHour    = unit{names: []string{"km/h"}, times: 10, per: 36}
)

// Units of angle.
var (
	degree = unit{names: []string{"°", "deg", "degree", "degrees"}, times: math.Pi, per: 180}
	radian = unit{names: []string{"rad"}, times: 1, per: 1}
)

// Units of temperature.
var (
	celsius = unit{names: []string{"°C", "C", "degC", "℃"}, times: 1, per: 1}
	kelvin  = unit{names: []string{"K"}, times: 1, per: 1, shift: -ZeroCelsius}
)

// Units of time.
var (
	second      = unit{names: []string{"s"}, times: 1, per: 1}
	millisecond = unit{names: []string{"ms"}, times: 1, per: 1000}
	microsecond = unit{names: []string{"µs", "us", "μs"}, times: 1, per: 1e6}
	nanosecond  = unit{names: []string{"ns"}, times: 1, per: 1e9}
	minute      = unit{names: []string{"min"}, times: 60, per: 1}
)

// Units of density and of surface tension.
var (
	kilogramPerCubicMetre  = unit{names: []string{"kg/m³", "kg/m3", "kg/m^3"}, times: 1, per: 1}
	gramPerCubicCentimetre = unit{names: []string{"g/cm³", "g/cm3", "g/cm^3", "g/ml", "g/mL"}, times: 1000, per: 1}
	newtonPerMetre         = unit{names: []string{"N/m"}, times: 1, per: 1}
	millinewtonPerMetre    = unit{names: []string{"mN/m"}, times: 1, per: 1000}
)

var (
	lengths = kind{name: "length", si: "m", least: math.Inf(-1), form: "write it like 40 cm, 0.4 m or 400 mm",
		units: []unit{metre, centimetre, millimetre, micrometre}}
	speeds = kind{name: "speed", si: "m/s", least: math.Inf(-1), form: "write it like 3.2 m/s or 320 cm/s",
		units: []unit{metrePerSecond, centimetrePerSecond, millimetrePerSecond, kilometrePerHour}}
	angles = kind{name: "angle", si: "rad", least: math.Inf(-1), form: "write it like 20 deg, 20° or 0.35 rad",
		units: []unit{degree, radian}}
	temperatures = kind{name: "temperature", si: "°C", form: "write it like 20 °C, 20C or 293 K",
		units: []unit{celsius, kelvin}, least: -ZeroCelsius, why: "nothing is colder than 0 K"}
	times = kind{name: "time", si: "s", least: math.Inf(-1), fraction: true,
		form:  "write it like 25 ms, 150 us, 0.4 s or 1/125 s",
		units: []unit{second, millisecond, microsecond, nanosecond, minute}}
	densities = kind{name: "density", si: "kg/m³", form: "write it like 998 kg/m3 or 0.998 g/cm3",
		units: []unit{kilogramPerCubicMetre, gramPerCubicCentimetre}, why: "a density is not below zero"}
	tensions = kind{name: "surface tension", si: "N/m", form: "write it like 72.7 mN/m or 0.0727 N/m",
		units: []unit{newtonPerMetre, millinewtonPerMetre}, why: "a surface tension is not below zero"}
)

// ParseLength reads a length: "40 cm", "0.4m", "400 mm", "150 um". The error is a *ParseError.
func ParseLength(s string) (Length, error) {
	x, err := lengths.read(s)
	return Length(x), err
}

// String prints l in m, cm, mm or µm: "40 cm". ParseLength reads it back to the same value, give or take one unit in
// the last place; so do the other quantities.
func (l Length) String() string {
	return lengths.write(float64(l), metre, centimetre, millimetre, micrometre)
}

// MarshalText writes l as String does. A value that is not finite is an error.
func (l Length) MarshalText() ([]byte, error) { return lengths.marshal(float64(l), l.String()) }

// UnmarshalText reads what ParseLength does, and leaves *l alone when it is an error.
func (l *Length) UnmarshalText(text []byte) error { return unmarshal(l, text, ParseLength) }

// ParseSpeed reads a speed: "3.2 m/s", "320cm/s", "12 km/h". The error is a *ParseError.
func ParseSpeed(s string) (Speed, error) {
	x, err := speeds.read(s)
	return Speed(x), err
}

// String prints the speed in m/s, cm/s or mm/s: "3.2 m/s".
func (v Speed) String() string {
	return speeds.write(float64(v), metrePerSecond, centimetrePerSecond, millimetrePerSecond)
}

// MarshalText writes v as String does. A value that is not finite is an error.
func (v Speed) MarshalText() ([]byte, error) { return speeds.marshal(float64(v), v.String()) }

// UnmarshalText reads what ParseSpeed does, and leaves *v alone when it is an error.
func (v *Speed) UnmarshalText(text []byte) error { return unmarshal(v, text, ParseSpeed) }

// ParseAngle reads an angle: "20 deg", "20°", "0.35 rad". The error is a *ParseError.
func ParseAngle(s string) (Angle, error) {
	x, err := angles.read(s)
	return Angle(x), err
}

// String prints the angle in degrees: "20°".
func (a Angle) String() string {
	if d := degree.of(float64(a)); math.IsNaN(d) || math.IsInf(d, 0) {
		return angles.write(float64(a), radian)
	}
	text := angles.write(float64(a), degree)
	return strings.Replace(text, " ", "", 1)
}

// MarshalText writes a as String does. A value that is not finite is an error.
func (a Angle) MarshalText() ([]byte, error) { return angles.marshal(float64(a), a.String()) }

// UnmarshalText reads what ParseAngle does, and leaves *a alone when it is an error.
func (a *Angle) UnmarshalText(text []byte) error { return unmarshal(a, text, ParseAngle) }

// ParseTemperature reads a temperature: "20 °C", "20C", "293 K". The error is a *ParseError.
func ParseTemperature(s string) (Temperature, error) {
	x, err := temperatures.read(s)
	return Temperature(x), err
}

// String prints the temperature in degrees Celsius: "20 °C".
func (t Temperature) String() string {
	return temperatures.write(float64(t), celsius)
}

// MarshalText writes t as String does. A value that is not finite is an error.
func (t Temperature) MarshalText() ([]byte, error) {
	return temperatures.marshal(float64(t), t.String())
}

// UnmarshalText reads what ParseTemperature does, and leaves *t alone when it is an error.
func (t *Temperature) UnmarshalText(text []byte) error { return unmarshal(t, text, ParseTemperature) }

// ParseTime reads a time: "25 ms", "150us", "0.4 s", "1/125 s". The error is a *ParseError.
func ParseTime(s string) (Time, error) {
	x, err := times.read(s)
	return Time(x), err
}

// String prints the time in s, ms, µs or ns: "25 ms"; and as a fraction where that is shorter: "1/60 s".
func (t Time) String() string {
	decimal := times.write(float64(t), second, millisecond, microsecond, nanosecond)
	if n := math.Round(float64(1 / t)); n >= 2 && n <= 1e5 && near(1/n, float64(t)) {
		if fraction := "1/" + strconv.FormatFloat(n, 'f', -1, 64) + " s"; len(fraction) < len(decimal) {
			return fraction
		}
	}
	return decimal
}

// MarshalText writes t as String does. A value that is not finite is an error.
func (t Time) MarshalText() ([]byte, error) { return times.marshal(float64(t), t.String()) }

// UnmarshalText reads what ParseTime does, and leaves *t alone when it is an error.
func (t *Time) UnmarshalText(text []byte) error { return unmarshal(t, text, ParseTime) }

// ParseDensity reads a density: "998 kg/m3", "0.998 g/cm3". The error is a *ParseError.
func ParseDensity(s string) (Density, error) {
	x, err := densities.read(s)
	return Density(x), err
}

// String prints the density in kg/m³.
func (d Density) String() string {
	return densities.write(float64(d), kilogramPerCubicMetre)
}

// MarshalText writes d as String does. A value that is not finite is an error.
func (d Density) MarshalText() ([]byte, error) { return densities.marshal(float64(d), d.String()) }

// UnmarshalText reads what ParseDensity does, and leaves *d alone when it is an error.
func (d *Density) UnmarshalText(text []byte) error { return unmarshal(d, text, ParseDensity) }

// ParseSurfaceTension reads a surface tension: "72.7 mN/m". The error is a *ParseError.
func ParseSurfaceTension(s string) (SurfaceTension, error) {
	x, err := tensions.read(s)
	return SurfaceTension(x), err
}

// String prints the surface tension in N/m or mN/m: "72.7 mN/m".
func (s SurfaceTension) String() string {
	return tensions.write(float64(s), newtonPerMetre, millinewtonPerMetre)
}

// MarshalText writes s as String does. A value that is not finite is an error.
func (s SurfaceTension) MarshalText() ([]byte, error) {
	return tensions.marshal(float64(s), s.String())
}

// UnmarshalText reads what ParseSurfaceTension does, and leaves *s alone when it is an error.
func (s *SurfaceTension) UnmarshalText(text []byte) error {
	return unmarshal(s, text, ParseSurfaceTension)
}
