package phys

import (
	"math"
	"strconv"
	"strings"
)

// Units of length.
var (
	metre      = unit{names: []string{"m"}, num: 1, den: 1}
	centimetre = unit{names: []string{"cm"}, num: 1, den: 100}
	millimetre = unit{names: []string{"mm"}, num: 1, den: 1000}
	micrometre = unit{names: []string{"µm", "um", "μm"}, num: 1, den: 1e6}
)

// Units of speed.
var (
	metrePerSecond      = unit{names: []string{"m/s"}, num: 1, den: 1}
	centimetrePerSecond = unit{names: []string{"cm/s"}, num: 1, den: 100}
	millimetrePerSecond = unit{names: []string{"mm/s"}, num: 1, den: 1000}
	kilometrePerHour    = unit{names: []string{"km/h"}, num: 10, den: 36}
)

// Units of angle.
var (
	degree = unit{names: []string{"°", "deg", "degree", "degrees"}, num: math.Pi, den: 180}
	radian = unit{names: []string{"rad"}, num: 1, den: 1}
)

// Units of temperature.
var (
	celsius = unit{names: []string{"°C", "C", "degC", "℃"}, num: 1, den: 1}
	kelvin  = unit{names: []string{"K"}, num: 1, den: 1, offset: -ZeroCelsius}
)

// Units of time.
var (
	second      = unit{names: []string{"s"}, num: 1, den: 1}
	millisecond = unit{names: []string{"ms"}, num: 1, den: 1000}
	microsecond = unit{names: []string{"µs", "us", "μs"}, num: 1, den: 1e6}
	nanosecond  = unit{names: []string{"ns"}, num: 1, den: 1e9}
	minute      = unit{names: []string{"min"}, num: 60, den: 1}
)

// Units of volume.
var (
	cubicMetre = unit{names: []string{"m³", "m3"}, num: 1, den: 1}
	litre      = unit{names: []string{"l", "L"}, num: 1, den: 1000}
	millilitre = unit{names: []string{"ml", "mL"}, num: 1, den: 1e6}
	microlitre = unit{names: []string{"µl", "µL", "ul", "uL"}, num: 1, den: 1e9}
)

// Units of mass.
var (
	kilogram  = unit{names: []string{"kg"}, num: 1, den: 1}
	gram      = unit{names: []string{"g"}, num: 1, den: 1000}
	milligram = unit{names: []string{"mg"}, num: 1, den: 1e6}
)

// Units of density and of surface tension.
var (
	kilogramPerCubicMetre  = unit{names: []string{"kg/m³", "kg/m3", "kg/m^3"}, num: 1, den: 1}
	gramPerCubicCentimetre = unit{names: []string{"g/cm³", "g/cm3", "g/cm^3", "g/ml", "g/mL"}, num: 1000, den: 1}
	newtonPerMetre         = unit{names: []string{"N/m"}, num: 1, den: 1}
	millinewtonPerMetre    = unit{names: []string{"mN/m"}, num: 1, den: 1000}
)

var (
	lengths = dimension{name: "length", siUnit: "m", min: math.Inf(-1), hint: "write it like 40 cm, 0.4 m or 400 mm",
		units: []unit{metre, centimetre, millimetre, micrometre}}
	speeds = dimension{name: "speed", siUnit: "m/s", min: math.Inf(-1), hint: "write it like 3.2 m/s or 320 cm/s",
		units: []unit{metrePerSecond, centimetrePerSecond, millimetrePerSecond, kilometrePerHour}}
	angles = dimension{name: "angle", siUnit: "rad", min: math.Inf(-1), hint: "write it like 20 deg, 20° or 0.35 rad",
		units: []unit{degree, radian}}
	temperatures = dimension{name: "temperature", siUnit: "°C", hint: "write it like 20 °C, 20C or 293 K",
		units: []unit{celsius, kelvin}, min: -ZeroCelsius, belowMin: "nothing is colder than 0 K"}
	times = dimension{name: "time", siUnit: "s", min: math.Inf(-1), fraction: true,
		hint:  "write it like 25 ms, 150 us, 0.4 s or 1/125 s",
		units: []unit{second, millisecond, microsecond, nanosecond, minute}}
	volumes = dimension{name: "volume", siUnit: "m³", hint: "write it like 50 µl or 0.05 ml",
		units: []unit{cubicMetre, litre, millilitre, microlitre}, belowMin: "a volume is not below zero"}
	masses = dimension{name: "mass", siUnit: "kg", hint: "write it like 1.1 g or 55 mg",
		units: []unit{kilogram, gram, milligram}, belowMin: "a mass is not below zero"}
	densities = dimension{name: "density", siUnit: "kg/m³", hint: "write it like 998 kg/m3 or 0.998 g/cm3",
		units: []unit{kilogramPerCubicMetre, gramPerCubicCentimetre}, belowMin: "a density is not below zero"}
	tensions = dimension{name: "surface tension", siUnit: "N/m", hint: "write it like 72.7 mN/m or 0.0727 N/m",
		units: []unit{newtonPerMetre, millinewtonPerMetre}, belowMin: "a surface tension is not below zero"}
)

// ParseLength parses a length: "40 cm", "0.4m", "400 mm", "150 um". The error is a *ParseError.
func ParseLength(s string) (Length, error) {
	x, err := lengths.parse(s)
	return Length(x), err
}

// String formats l in m, cm, mm or µm: "40 cm". ParseLength reads it back to within one unit in the last place; the
// other quantities keep the same promise.
func (l Length) String() string {
	return lengths.format(float64(l), metre, centimetre, millimetre, micrometre)
}

// MarshalText formats l as String does; a value that is not finite is an error.
func (l Length) MarshalText() ([]byte, error) { return lengths.marshal(float64(l), l.String()) }

// UnmarshalText accepts what ParseLength does; on error it leaves *l unchanged.
func (l *Length) UnmarshalText(text []byte) error { return unmarshal(l, text, ParseLength) }

// ParseSpeed parses a speed: "3.2 m/s", "320cm/s", "12 km/h". The error is a *ParseError.
func ParseSpeed(s string) (Speed, error) {
	x, err := speeds.parse(s)
	return Speed(x), err
}

// String formats the speed in m/s, cm/s or mm/s: "3.2 m/s".
func (v Speed) String() string {
	return speeds.format(float64(v), metrePerSecond, centimetrePerSecond, millimetrePerSecond)
}

// MarshalText formats v as String does; a value that is not finite is an error.
func (v Speed) MarshalText() ([]byte, error) { return speeds.marshal(float64(v), v.String()) }

// UnmarshalText accepts what ParseSpeed does; on error it leaves *v unchanged.
func (v *Speed) UnmarshalText(text []byte) error { return unmarshal(v, text, ParseSpeed) }

// ParseAngle parses an angle: "20 deg", "20°", "0.35 rad". The error is a *ParseError.
func ParseAngle(s string) (Angle, error) {
	x, err := angles.parse(s)
	return Angle(x), err
}

// String formats the angle in degrees: "20°".
func (a Angle) String() string {
	if d := degree.fromSI(float64(a)); math.IsNaN(d) || math.IsInf(d, 0) {
		return angles.format(float64(a), radian)
	}
	text := angles.format(float64(a), degree)
	return strings.Replace(text, " ", "", 1)
}

// MarshalText formats a as String does; a value that is not finite is an error.
func (a Angle) MarshalText() ([]byte, error) { return angles.marshal(float64(a), a.String()) }

// UnmarshalText accepts what ParseAngle does; on error it leaves *a unchanged.
func (a *Angle) UnmarshalText(text []byte) error { return unmarshal(a, text, ParseAngle) }

// ParseTemperature parses a temperature: "20 °C", "20C", "293 K". The error is a *ParseError.
func ParseTemperature(s string) (Temperature, error) {
	x, err := temperatures.parse(s)
	return Temperature(x), err
}

// String formats the temperature in degrees Celsius: "20 °C".
func (t Temperature) String() string {
	return temperatures.format(float64(t), celsius)
}

// MarshalText formats t as String does; a value that is not finite is an error.
func (t Temperature) MarshalText() ([]byte, error) {
	return temperatures.marshal(float64(t), t.String())
}

// UnmarshalText accepts what ParseTemperature does; on error it leaves *t unchanged.
func (t *Temperature) UnmarshalText(text []byte) error { return unmarshal(t, text, ParseTemperature) }

// ParseTime parses a time: "25 ms", "150us", "0.4 s", "1/125 s". The error is a *ParseError.
func ParseTime(s string) (Time, error) {
	x, err := times.parse(s)
	return Time(x), err
}

// String formats the time in s, ms, µs or ns: "25 ms", or as a fraction where that is shorter: "1/60 s".
func (t Time) String() string {
	decimal := times.format(float64(t), second, millisecond, microsecond, nanosecond)
	if n := math.Round(float64(1 / t)); n >= 2 && n <= 1e5 && withinULP(1/n, float64(t)) {
		if fraction := "1/" + strconv.FormatFloat(n, 'f', -1, 64) + " s"; len(fraction) < len(decimal) {
			return fraction
		}
	}
	return decimal
}

// MarshalText formats t as String does; a value that is not finite is an error.
func (t Time) MarshalText() ([]byte, error) { return times.marshal(float64(t), t.String()) }

// UnmarshalText accepts what ParseTime does; on error it leaves *t unchanged.
func (t *Time) UnmarshalText(text []byte) error { return unmarshal(t, text, ParseTime) }

// ParseVolume parses a volume: "50 µl", "0.05 ml". The error is a *ParseError.
func ParseVolume(s string) (Volume, error) {
	x, err := volumes.parse(s)
	return Volume(x), err
}

// String formats the volume in m³, l, ml or µl: "50 µl".
func (v Volume) String() string {
	return volumes.format(float64(v), cubicMetre, litre, millilitre, microlitre)
}

// MarshalText formats v as String does; a value that is not finite is an error.
func (v Volume) MarshalText() ([]byte, error) { return volumes.marshal(float64(v), v.String()) }

// UnmarshalText accepts what ParseVolume does; on error it leaves *v unchanged.
func (v *Volume) UnmarshalText(text []byte) error { return unmarshal(v, text, ParseVolume) }

// ParseMass parses a mass: "1.1 g", "55 mg". The error is a *ParseError.
func ParseMass(s string) (Mass, error) {
	x, err := masses.parse(s)
	return Mass(x), err
}

// String formats the mass in kg, g or mg: "1.1 g".
func (m Mass) String() string { return masses.format(float64(m), kilogram, gram, milligram) }

// MarshalText formats m as String does; a value that is not finite is an error.
func (m Mass) MarshalText() ([]byte, error) { return masses.marshal(float64(m), m.String()) }

// UnmarshalText accepts what ParseMass does; on error it leaves *m unchanged.
func (m *Mass) UnmarshalText(text []byte) error { return unmarshal(m, text, ParseMass) }

// ParseDensity parses a density: "998 kg/m3", "0.998 g/cm3". The error is a *ParseError.
func ParseDensity(s string) (Density, error) {
	x, err := densities.parse(s)
	return Density(x), err
}

// String formats the density in kg/m³.
func (d Density) String() string {
	return densities.format(float64(d), kilogramPerCubicMetre)
}

// MarshalText formats d as String does; a value that is not finite is an error.
func (d Density) MarshalText() ([]byte, error) { return densities.marshal(float64(d), d.String()) }

// UnmarshalText accepts what ParseDensity does; on error it leaves *d unchanged.
func (d *Density) UnmarshalText(text []byte) error { return unmarshal(d, text, ParseDensity) }

// ParseSurfaceTension parses a surface tension: "72.7 mN/m". The error is a *ParseError.
func ParseSurfaceTension(s string) (SurfaceTension, error) {
	x, err := tensions.parse(s)
	return SurfaceTension(x), err
}

// String formats the surface tension in N/m or mN/m: "72.7 mN/m".
func (s SurfaceTension) String() string {
	return tensions.format(float64(s), newtonPerMetre, millinewtonPerMetre)
}

// MarshalText formats s as String does; a value that is not finite is an error.
func (s SurfaceTension) MarshalText() ([]byte, error) {
	return tensions.marshal(float64(s), s.String())
}

// UnmarshalText accepts what ParseSurfaceTension does; on error it leaves *s unchanged.
func (s *SurfaceTension) UnmarshalText(text []byte) error {
	return unmarshal(s, text, ParseSurfaceTension)
}
