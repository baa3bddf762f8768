package phys

import (
	"encoding"
	"encoding/json"
	"flag"
	"io"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// quantity is one type's functions with the type taken off.
type quantity struct {
	name  string
	parse func(string) (float64, error)
	print func(float64) string
	least float64 // smallest value allowed
}

func quantities() []quantity {
	inf := math.Inf(-1)
	return []quantity{
		{"length", asFloat(ParseLength), func(x float64) string { return Length(x).String() }, inf},
		{"speed", asFloat(ParseSpeed), func(x float64) string { return Speed(x).String() }, inf},
		{"angle", asFloat(ParseAngle), func(x float64) string { return Angle(x).String() }, inf},
		{"temperature", asFloat(ParseTemperature), func(x float64) string { return Temperature(x).String() }, -ZeroCelsius},
		{"time", asFloat(ParseTime), func(x float64) string { return Time(x).String() }, inf},
		{"density", asFloat(ParseDensity), func(x float64) string { return Density(x).String() }, 0},
		{"volume", asFloat(ParseVolume), func(x float64) string { return Volume(x).String() }, 0},
		{"mass", asFloat(ParseMass), func(x float64) string { return Mass(x).String() }, 0},
		{"surface tension", asFloat(ParseSurfaceTension), func(x float64) string { return SurfaceTension(x).String() }, 0},
	}
}

func asFloat[Q ~float64](parse func(string) (Q, error)) func(string) (float64, error) {
	return func(s string) (float64, error) {
		q, err := parse(s)
		return float64(q), err
	}
}

func TestParse(t *testing.T) {
	tests := map[string]struct {
		parse func(string) (float64, error)
		texts []string
		want  float64
	}{
		"length":       {asFloat(ParseLength), []string{"40 cm", "40cm", "0.4m", ".4 m", " 400 mm ", "4e-1 m"}, 0.4},
		"micrometres":  {asFloat(ParseLength), []string{"150 µm", "150μm", "150um", "0.15 mm"}, 150e-6},
		"negative":     {asFloat(ParseLength), []string{"-5 cm", "-0.05m"}, -0.05},
		"nbsp":         {asFloat(ParseLength), []string{"40\u00a0cm", "40\u202fcm"}, 0.4},
		"speed":        {asFloat(ParseSpeed), []string{"3.2 m/s", "3.2m/s", "320 cm/s", "3200mm/s", "+3.2 m/s"}, 3.2},
		"km/h":         {asFloat(ParseSpeed), []string{"11.52 km/h"}, 3.2},
		"angle":        {asFloat(ParseAngle), []string{"20deg", "20 deg", "20°", "20 °", "20.0 degrees"}, 20 * math.Pi / 180},
		"radians":      {asFloat(ParseAngle), []string{"0.35 rad"}, 0.35},
		"celsius":      {asFloat(ParseTemperature), []string{"20C", "20 °C", "20°C", "20 degC", "293.15 K"}, 20},
		"kelvin":       {asFloat(ParseTemperature), []string{"293 K", "293K", "19.85 °C"}, 19.85},
		"absolute 0":   {asFloat(ParseTemperature), []string{"0 K", "-273.15 °C"}, -273.15},
		"milliseconds": {asFloat(ParseTime), []string{"25ms", "25 ms", "0.025 s", "1/40 s", "25000us"}, 0.025},
		"microseconds": {asFloat(ParseTime), []string{"150us", "150µs", "150 μs", "0.15ms"}, 150e-6},
		"fraction":     {asFloat(ParseTime), []string{"1/125 s", "1/125s", "8 ms"}, 0.008},
		"minute":       {asFloat(ParseTime), []string{"2 min", "120 s"}, 120},
		"density":      {asFloat(ParseDensity), []string{"998 kg/m3", "998 kg/m³", "0.998 g/cm3", "0.998 g/ml"}, 998},
		"volume":       {asFloat(ParseVolume), []string{"50 µl", "50uL", "0.05 ml", "5e-5 l"}, 50e-9},
		"mass":         {asFloat(ParseMass), []string{"1.1 g", "1.1g", "1100 mg", "0.0011 kg"}, 0.0011},
		"tension":      {asFloat(ParseSurfaceTension), []string{"72.7 mN/m", "0.0727 N/m"}, 0.0727},
	}
	for name, test := range tests {
		for _, text := range test.texts {
			got, err := test.parse(text)
			require.NoError(t, err, "%s %q", name, text)
			assert.InEpsilon(t, test.want, got, 4e-16, "%s %q", name, text)
		}
	}
}

func TestParseErrors(t *testing.T) {
	length, duration := asFloat(ParseLength), asFloat(ParseTime)
	tests := []struct {
		parse func(string) (float64, error)
		text  string
		want  string
	}{
		{length, "", `"" is not a length: it is empty; write it like 40 cm, 0.4 m or 400 mm`},
		{length, "40", `"40" is not a length: the unit is missing; write it like 40 cm, 0.4 m or 400 mm`},
		{length, "0,4 m", `"0,4 m" is not a length: it has a comma; the decimal mark is a point, as in "0.4 m"; ` +
			`write it like 40 cm, 0.4 m or 400 mm`},
		{length, "40 ft", `"40 ft" is not a length: "ft" is not a unit known here; write it like 40 cm, 0.4 m or 400 mm`},
		{length, "40 CM", `"CM" is not a unit known here`},
		{length, "4 0 cm", `"0 cm" is not a unit known here`},
		{length, "cm", `it does not begin with a number`},
		{length, "0x10 m", `"x10 m" is not a unit known here`},
		{length, "1_0 m", `"_0 m" is not a unit known here`},
		{length, "1e m", `"e m" is not a unit known here`},
		{length, "--4 m", `it does not begin with a number`},
		{length, ". m", `it does not begin with a number`},
		{length, "NaN m", `it is not a finite number`},
		{length, "-Inf", `it is not a finite number`},
		{length, "1e999 m", `the number is too large`},
		{length, "1/4 m", `"/4 m" is not a unit known here`},
		{duration, "1/125", `the unit is missing; write it like 25 ms, 150 us, 0.4 s or 1/125 s`},
		{duration, "1/0 s", `it divides by zero`},
		{duration, "1/ s", `"/ s" is not a unit known here`},
		{duration, "1e308 min", `it is too large`},
		{asFloat(ParseAngle), "20", `"20" is not an angle: the unit is missing; write it like 20 deg, 20° or 0.35 rad`},
		{asFloat(ParseTemperature), "-1 K", `nothing is colder than 0 K`},
		{asFloat(ParseTemperature), "68 F", `"F" is not a unit known here; write it like 20 °C, 20C or 293 K`},
		{asFloat(ParseSpeed), "3.2", `write it like 3.2 m/s or 320 cm/s`},
		{asFloat(ParseDensity), "-1 kg/m3", `a density is not below zero`},
		{asFloat(ParseMass), "-1 g", `a mass is not below zero`},
		{asFloat(ParseSurfaceTension), "-1 mN/m", `a surface tension is not below zero`},
	}
	for _, test := range tests {
		_, err := test.parse(test.text)
		var typed *ParseError
		require.ErrorAs(t, err, &typed, test.text)
		assert.Equal(t, test.text, typed.Input)
		assert.Contains(t, err.Error(), test.want, test.text)
		assert.Contains(t, err.Error(), typed.Hint)
	}
}

func TestPrint(t *testing.T) {
	exposure, err := ParseTime("1/125 s")
	require.NoError(t, err)
	tests := map[string]interface{ String() string }{
		"40 cm": Length(0.4), "1 m": Length(1), "99.9 cm": Length(0.999), "5 mm": Length(0.005), "150 µm": Length(150e-6),
		"0.5 µm": Length(0.5e-6), "-5 cm": Length(-0.05), "0 m": Length(math.Copysign(0, -1)), "12.5 m": Length(12.5),
		"30 cm": Length(0.1 + 0.2), "3 mm": 3 * Length(0.001), "NaN m": Length(math.NaN()), "+Inf m": Length(math.Inf(1)),
		"3.2 m/s": Speed(3.2), "80 cm/s": Speed(0.8), "0 m/s": Speed(0),
		"20°": Angle(20 * math.Pi / 180), "-7.5°": Angle(-7.5 * math.Pi / 180), "0°": Angle(0),
		"20 °C": Temperature(20), "19.85 °C": Temperature(19.85), "-5 °C": Temperature(-5),
		"25 ms": Time(0.025), "8 ms": exposure, "1/60 s": Time(1. / 60), "150.3 µs": Time(150.3e-6), "1.5 s": Time(1.5),
		"100 ns":    Time(1e-7),
		"998 kg/m³": Density(998), "50 µl": Volume(50e-9), "1.1 g": Mass(0.0011), "55 mg": Mass(55e-6), "72.7 " +
			"mN/m": SurfaceTension(0.0727),
	}
	for want, q := range tests {
		assert.Equal(t, want, q.String())
	}
	assert.Equal(t, "7.35 mm", Round(Length(0.0073467), 3).String())
	assert.Equal(t, "12.3 m/s", Round(Speed(12.345), 3).String())
}

// Every finite value comes back from its own text as itself or as a neighbour.
func TestRoundTrip(t *testing.T) {
	seed := uint64(20)
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	for _, q := range quantities() {
		for range 20000 {
			x := sample(random)
			if x < q.least {
				x = -x
			}
			text := q.print(x)
			back, err := q.parse(text)
			require.NoError(t, err, "%s %v printed %q", q.name, x, text)
			require.True(t, withinULP(back, x), "%s %v printed %q, read back %v", q.name, x, text, back)
		}
	}
}

// sample draws what people type and what models compute: short decimals and any float of any size.
func sample(random *rand.Rand) float64 {
	switch random.IntN(3) {
	case 0:
		return math.Round(random.Float64()*2000-1000) / math.Pow10(random.IntN(7))
	case 1:
		return (random.Float64() - 0.5) * math.Pow10(random.IntN(12)-8)
	}
	for {
		if x := math.Float64frombits(random.Uint64()); !math.IsNaN(x) && !math.IsInf(x, 0) {
			return x
		}
	}
}

// What a person types in a printing unit prints as typed.
func TestShortDecimalsStayShort(t *testing.T) {
	for n := 10; n < 1000; n++ {
		text := Length(float64(n)/10).String() + ""
		l, err := ParseLength(formatDigits(float64(n)/10, 3) + " cm")
		require.NoError(t, err)
		assert.LessOrEqual(t, len(l.String()), len("99.9 cm"), text)
		a, err := ParseAngle(formatDigits(float64(n)/10, 3) + "deg")
		require.NoError(t, err)
		assert.LessOrEqual(t, len(a.String()), len("99.9°"))
	}
}

func TestTextInterfaces(t *testing.T) {
	type set struct {
		Height Length      `json:"height"`
		Angle  Angle       `json:"angle"`
		Air    Temperature `json:"air"`
	}
	in := set{0.4, Angle(20 * math.Pi / 180), 21.5}
	text, err := json.Marshal(in)
	require.NoError(t, err)
	assert.JSONEq(t, `{"height":"40 cm","angle":"20°","air":"21.5 °C"}`, string(text))
	var out set
	require.NoError(t, json.Unmarshal(text, &out))
	assert.Equal(t, in, out)
	assert.Error(t, json.Unmarshal([]byte(`{"height":0.4}`), &out), "a bare number has no unit")

	flags := flag.NewFlagSet("drop", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	var height Length
	flags.TextVar(&height, "height", Length(0.4), "")
	assert.Equal(t, Length(0.4), height)
	require.NoError(t, flags.Parse([]string{"--height", "35cm"}))
	assert.Equal(t, Length(0.35), height)
	err = flags.Parse([]string{"--height", "35"})
	assert.ErrorContains(t, err, "height")
	assert.ErrorContains(t, err, "write it like 40 cm")
	assert.Equal(t, Length(0.35), height, "a bad text leaves the value alone")

	_, err = Length(math.NaN()).MarshalText()
	assert.Error(t, err)
}

// Every quantity reads back what it wrote, leaves its value alone when it cannot, and writes nothing that is no number.
func TestEveryQuantityIsText(t *testing.T) {
	asText(t, Length(0.4), Length(math.Inf(1)))
	asText(t, Speed(3.2), Speed(math.NaN()))
	asText(t, Angle(0.35), Angle(math.NaN()))
	asText(t, Temperature(21.5), Temperature(math.Inf(-1)))
	asText(t, Time(0.025), Time(math.NaN()))
	asText(t, Density(998), Density(math.NaN()))
	asText(t, Volume(50e-9), Volume(math.Inf(1)))
	asText(t, Mass(0.0011), Mass(math.NaN()))
	asText(t, SurfaceTension(0.0727), SurfaceTension(math.Inf(1)))
}

func asText[Q interface {
	encoding.TextMarshaler
	String() string
}, P interface {
	*Q
	encoding.TextUnmarshaler
}](t *testing.T, q, bad Q) {
	t.Helper()
	text, err := q.MarshalText()
	require.NoError(t, err)
	assert.Equal(t, q.String(), string(text))
	var back Q
	require.NoError(t, P(&back).UnmarshalText(text))
	assert.Equal(t, q, back)
	assert.Error(t, P(&back).UnmarshalText([]byte("7")), "no unit")
	assert.Equal(t, q, back)
	_, err = bad.MarshalText()
	assert.Error(t, err)
}

func FuzzParse(f *testing.F) {
	seeds := []string{"40 cm", "1/125 s", "20°", "293 K", "-1e-3 mN/m", "0,4 m", "NaN", "998 kg/m³", ".", "1e400 m"}
	for _, seed := range seeds {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		for _, q := range quantities() {
			x, err := q.parse(text)
			if err != nil {
				var typed *ParseError
				require.ErrorAs(t, err, &typed)
				require.Zero(t, x)
				continue
			}
			require.False(t, math.IsNaN(x) || math.IsInf(x, 0), "%q is %v", text, x)
			back, err := q.parse(q.print(x))
			require.NoError(t, err, "%q printed %q", text, q.print(x))
			require.True(t, withinULP(back, x), "%q is %v, printed %q, read back %v", text, x, q.print(x), back)
		}
	})
}

func TestDuration(t *testing.T) {
	assert.Equal(t, 25*time.Millisecond, Time(0.025).Duration())
	assert.Equal(t, -25*time.Millisecond, Time(-0.025).Duration())
	assert.Equal(t, time.Nanosecond, Time(0.6e-9).Duration())
	assert.Equal(t, Time(0.0015), Seconds(1500*time.Microsecond))
}

func TestWithin(t *testing.T) {
	assert.NoError(t, Within("height", Length(0.4), 0, 10))
	err := Within("height", Length(-0.1), 0.001, 10)
	assert.EqualError(t, err, "height -10 cm: must be from 1 mm to 10 m")
	var domain *DomainError
	require.ErrorAs(t, err, &domain)
	assert.Equal(t, "height", domain.Field)
	assert.Error(t, Within("height", Length(math.NaN()), 0, 10))
}

func TestRoundUpAndDown(t *testing.T) {
	assert.Equal(t, Time(3.34e-3), RoundUp(Time(0.1/30), 3))
	assert.Equal(t, Time(3.33e-3), RoundDown(Time(0.1/30), 3))
	for _, x := range []float64{1e-9, 9.99e-4, 9.995e-4, 0.73951, 1, 99.99, 12345} {
		for digits := 1; digits < 5; digits++ {
			assert.GreaterOrEqual(t, RoundUp(x, digits), x)
			assert.LessOrEqual(t, RoundDown(x, digits), x)
			assert.InEpsilon(t, x, RoundUp(x, digits), 1.0001*math.Pow10(1-digits))
		}
	}
}
