package optics

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
	"stillwater/internal/published"
)

// read parses a text by one of the notations and prints what it read.
type read func(string) (float64, string, error)

func reader[T interface {
	~float64
	fmt.Stringer
}](parse func(string) (T, error)) read {
	return func(s string) (float64, string, error) {
		x, err := parse(s)
		return float64(x), x.String(), err
	}
}

func TestNotation(t *testing.T) {
	for _, c := range []struct {
		parse read
		text  string
		want  float64
		print string
	}{
		{reader(ParseFNumber), "f/16", 16, "f/16"},
		{reader(ParseFNumber), "F 5.6", 5.6, "f/5.6"},
		{reader(ParseFNumber), "none", 0, "none"},
		{reader(ParseISO), "iso400", 400, "ISO 400"},
		{reader(ParseISO), "320", 320, "ISO 320"},
		{reader(ParseShutter), "1/125", 1. / 125, "1/125 s"},
		{reader(ParseShutter), `2"`, 2, "2 s"},
		{reader(ParseShutter), `0"5`, 0.5, "0.5 s"},
		{reader(ParseShutter), `1"3`, 1.3, "1.3 s"},
		{reader(ParseShutter), "30 s", 30, "30 s"},
		{reader(ParseShutter), "0.3", 0.3, "0.3 s"},
		{reader(ParseShutter), "bulb", 0, "B"},
		{reader(ParseStops), "-1/3", -1. / 3, "-0.3333333333333333 stops"},
		{reader(ParseStops), "1 2/3 stops", 1 + 2./3, "1.6666666666666665 stops"},
		{reader(ParseStops), "+1 EV", 1, "1 stop"},
		{reader(ParseFraction), "1/16", 1. / 16, "1/16"},
		{reader(ParseFraction), "full", 1, "1/1"},
		{reader(ParseFraction), "12.5 %", 1. / 8, "1/8"},
		{reader(ParseLevel), "80 %", 0.8, "80 %"},
		{reader(ParseLevel), "0 %", 0, "0 %"},
		{reader(ParseLevel), "5", 0.05, "5 %"},
		{reader(ParseLevel), "0.5", 0.5, "50 %"},
	} {
		x, text, err := c.parse(c.text)
		require.NoError(t, err, c.text)
		assert.InDelta(t, c.want, x, 1e-15, c.text)
		assert.Equal(t, c.print, text)
	}
}

// What is not one of these values is refused with why, and with how to write it.
func TestNotationRefused(t *testing.T) {
	for _, c := range []struct {
		parse     read
		text, why string
	}{
		{reader(ParseFNumber), "f/0", "not more than 0"},
		{reader(ParseFNumber), "f/-2", "not more than 0"},
		{reader(ParseFNumber), "f/1e2", "not a number"},
		{reader(ParseFNumber), "f/5,6", "comma"},
		{reader(ParseFNumber), "f/", "has no number"},
		{reader(ParseFNumber), "f/9000", "no lens has"},
		{reader(ParseISO), "ISO -3", "more than 0"},
		{reader(ParseISO), "fast", "not a number"},
		{reader(ParseShutter), "1/0", "divides by zero"},
		{reader(ParseShutter), "125", "it could be 1/125 s or 125 s"},
		{reader(ParseShutter), "-1/125", "more than 0"},
		{reader(ParseShutter), "1/1/2", "not a number"},
		{reader(ParseShutter), "9999 s", "no shutter"},
		{reader(ParseStops), "three", "not a number"},
		{reader(ParseStops), "--1", "two signs"},
		{reader(ParseStops), "1 4/3", "whole number and a fraction"},
		{reader(ParseStops), "99", "no scale"},
		{reader(ParseFraction), "3/2", "more than the whole"},
		{reader(ParseFraction), "120 %", "more than the whole"},
		{reader(ParseFraction), "0", "more than 0"},
		{reader(ParseLevel), "1", "that is either 1 % or all of white"},
		{reader(ParseLevel), "180", "whiter than white"},
		{reader(ParseLevel), "101 %", "whiter than white"},
		{reader(ParseLevel), "-1 %", "blacker than black"},
	} {
		_, _, err := c.parse(c.text)
		var typed *phys.ParseError
		require.ErrorAs(t, err, &typed, c.text)
		assert.Contains(t, typed.Why, c.why, c.text)
		assert.Contains(t, err.Error(), "write it like", c.text)
	}
}

// Each printed mark stands for a whole number of thirds of a stop: ISO 516 and 517.
func TestNominalSeries(t *testing.T) {
	fNumbers, shutters := 0, 0
	for _, row := range published.Rows(t, "nominal_stop_series.csv") {
		if row["step"] != "third" {
			continue
		}
		exact := row.Number(t, "exact")
		if row["kind"] == "f_number" {
			n, err := ParseFNumber("f/" + row["nominal"])
			require.NoError(t, err)
			assert.InEpsilon(t, exact, float64(ExactFNumber(n)), 1e-4, row)
			assert.Equal(t, n, NearestFNumber(FNumber(exact)), row)
			assert.Equal(t, "f/"+shortest(float64(n)), n.String())
			fNumbers++
			continue
		}
		s, err := ParseShutter(row["nominal"] + " s")
		require.NoError(t, err)
		assert.InEpsilon(t, exact, float64(ExactShutter(s)), 1e-6, row)
		assert.Equal(t, s, NearestShutter(Shutter(exact)), row)
		assert.Equal(t, row["nominal"]+" s", s.String())
		shutters++
	}
	assert.Equal(t, []int{31, len(ShutterMarks())}, []int{fNumbers, shutters})
	assert.Equal(t, FNumber(3.7), ExactFNumber(3.7), "what is no mark stands for itself")
	for i, mark := range ISOMarks() {
		exact := 50 * math.Pow(2, float64(i)/3)
		assert.InDelta(t, 0, math.Log2(float64(mark)/exact), 0.05, mark)
	}
}

func roundTrip[T interface {
	~float64
	fmt.Stringer
}](t *testing.T, text string, parse func(string) (T, error), low, high float64) {
	x, err := parse(text)
	if err != nil {
		var typed *phys.ParseError
		require.ErrorAs(t, err, &typed)
		require.Zero(t, x)
		return
	}
	require.True(t, float64(x) >= low && float64(x) <= high, "%q is %v", text, float64(x))
	back, err := parse(x.String())
	require.NoError(t, err, "%q printed %q", text, x)
	require.Equal(t, x, back, "%q printed %q", text, x)
}

func FuzzFNumber(f *testing.F) {
	f.Add("f/16")
	f.Fuzz(func(t *testing.T, text string) { roundTrip(t, text, ParseFNumber, 0, 512) })
}

func FuzzISO(f *testing.F) {
	f.Add("ISO 400")
	f.Fuzz(func(t *testing.T, text string) { roundTrip(t, text, ParseISO, 0, 1e7) })
}

func FuzzShutter(f *testing.F) {
	f.Add(`1/125 s`)
	f.Fuzz(func(t *testing.T, text string) { roundTrip(t, text, ParseShutter, 0, 3600) })
}

func FuzzStops(f *testing.F) {
	f.Add("1 2/3 stops")
	f.Fuzz(func(t *testing.T, text string) { roundTrip(t, text, ParseStops, -40, 40) })
}

func FuzzFraction(f *testing.F) {
	f.Add("1/16")
	f.Fuzz(func(t *testing.T, text string) { roundTrip(t, text, ParseFraction, 0, 1) })
}

func FuzzLevel(f *testing.F) {
	f.Add("80 %")
	f.Fuzz(func(t *testing.T, text string) { roundTrip(t, text, ParseLevel, 0, 1) })
}

// A table of durations that was read is read again as it was, and answers at every power.
func FuzzFigures(f *testing.F) {
	f.Add("1/1 1/300 s, 1/16 1/4000 s")
	f.Fuzz(func(t *testing.T, text string) {
		var figures, back Figures
		if figures.UnmarshalText([]byte(text)) != nil {
			require.Empty(t, figures)
			return
		}
		require.NoError(t, back.UnmarshalText([]byte(figures.String())))
		require.Equal(t, figures, back)
		for _, c := range []PowerControl{CutOff, Throttled} {
			pulse, known := Discharge{Control: c, Is: AboveHalf, Figures: figures}.At(0.1)
			require.Equal(t, figures != "", known)
			if known {
				require.True(t, pulse.Half > 0 && pulse.Tenth >= pulse.Half && !math.IsInf(float64(pulse.Tenth), 0), "%q: %v",
					text, pulse)
			}
		}
	})
}
