package main

import (
	"bytes"
	"encoding/json"
	"math"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/shot"
)

const gravity = 9.80665

// calculate runs one command line and returns its exit status and what it wrote.
func calculate(t *testing.T, line string) (status int, stdout, stderr string) {
	t.Helper()
	return calculateWords(t, strings.Fields(line))
}

func calculateWords(t *testing.T, words []string) (status int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	m := &Main{Stdout: &out, Stderr: &errs, Getenv: func(string) string { return "" }}
	status = m.Run(t.Context(), words)
	return status, out.String(), errs.String()
}

// answer runs a command line with --json and returns the numbers at the top of its object.
func answer(t *testing.T, line string) map[string]float64 {
	t.Helper()
	status, out, errs := calculate(t, line+" --json")
	require.Zero(t, status, errs)
	require.Empty(t, errs)
	var all map[string]any
	require.NoError(t, json.Unmarshal([]byte(out), &all))
	numbers := map[string]float64{}
	for k, v := range all {
		if n, ok := v.(float64); ok {
			numbers[k] = n
		}
	}
	assert.NotEmpty(t, all["summary"])
	assert.NotEmpty(t, all["error_budget"])
	return numbers
}

// The drop by closed forms: the fall with a drag that grows as the square of the speed, terminal speed 9.0 m/s for a
// drop of about 4.5 mm (R. Gunn and G. D. Kinzer, J. Meteorology 6 (1949) 243-248); the splash by tau = sqrt(Rmax/g),
// Rmax = (d³V²/(3g))^(1/4): open at 0.70 tau (0.87 (R/V) Fr^0.61, Lherm 2022), the column highest 2.27 tau later for
// b = sigma/(rho g Rmax²) of 0.05 (a boundary integral), nine tenths of that in the mean of Worthington's series.
func TestDropByIndependentArithmetic(t *testing.T) {
	got := answer(t, "drop --height 40cm --beam 5cm --nozzle 3mm --phase column-highest")
	const vt = 9.0
	fall := func(h float64) float64 { return vt / gravity * math.Acosh(math.Exp(gravity*h/(vt*vt))) * 1e3 }
	// The drop's lowest point falls as if released 7.4 mm below the tip: package splash has the check.
	const release = 7.4e-3
	impact := vt * math.Sqrt(1-math.Exp(-2*gravity*(0.4-release)/(vt*vt)))
	assert.InDelta(t, fall(0.4-release)-fall(0.05-release), got["edge_to_surface_ms"], 1)
	assert.InDelta(t, impact, got["speed_m_s"], 0.03, "at the surface")
	assert.InDelta(t, math.Sqrt(2*gravity*(0.05-release)), got["beam_speed_m_s"], 0.01)
	// Tate's law with the correction of Harkins and Brown: testdata/published/nozzle_drop_computed.csv.
	assert.InEpsilon(t, 4.498, got["drop_diameter_mm"], 0.01)

	d := got["drop_diameter_mm"] / 1e3
	tau := math.Sqrt(math.Pow(d*d*d*impact*impact/(3*gravity), 0.25)/gravity) * 1e3
	assert.InEpsilon(t, 0.9*(0.70+2.27)*tau, got["delay_ms"]-got["edge_to_surface_ms"], 0.02)
	assert.Less(t, got["delay_low_ms"], got["delay_ms"])
	assert.Greater(t, got["delay_high_ms"], got["delay_ms"])
	assert.InEpsilon(t, 0.8*tau, got["delay_high_ms"]-got["delay_low_ms"], 0.3)

	contact := answer(t, "drop --phase contact")
	assert.InDelta(t, contact["edge_to_surface_ms"], contact["delay_ms"], 1e-9)
	assert.InDelta(t, got["edge_to_surface_ms"], contact["delay_ms"], 1e-9, "the defaults are the example's")
	assert.Equal(t, 3.2, math.Round(answer(t, "drop --diameter 3.2mm")["drop_diameter_mm"]*1e9)/1e9)
	assert.Less(t, answer(t, "drop --liquid milk")["drop_diameter_mm"], got["drop_diameter_mm"])
	soapy := answer(t, "drop --pool-liquid soapy-water")
	assert.Equal(t, got["drop_diameter_mm"], soapy["drop_diameter_mm"], "the drop is water")
	assert.Greater(t, soapy["delay_ms"], got["delay_ms"]+10, "the pool is not")
	assert.Equal(t, 80., got["band_percent"])
}

// The throw without drag, which at 4 m/s a sphere of 36 mm feels little of.
func TestThrowByIndependentArithmetic(t *testing.T) {
	for _, c := range []struct {
		flags            string
		angle, to, gate  float64
		interval, within float64
	}{
		{"--gate 10cm --to-focus 80cm --angle 20deg --interval 25ms", 20, 0.8, 0.1, 25e-3, 0.015},
		{"--gate 10cm --to-focus 0.8m --angle -20deg --interval 25ms", -20, 0.8, 0.1, 25e-3, 0.015},
		{"--gate 250mm --to-focus 0.5m --angle 0deg --interval 80ms", 0, 0.5, 0.25, 80e-3, 0.02},
	} {
		got := answer(t, "throw "+c.flags)
		sin, cos := math.Sincos(c.angle * math.Pi / 180)
		// Back from the second beam by the interval: v T cos behind, v T sin + g T²/2 below; that place is a gate away.
		half := gravity * c.interval / 2
		v := math.Sqrt(c.gate*c.gate/(c.interval*c.interval)-half*half*cos*cos) - half*sin
		delay := c.to / (v * cos)
		assert.InEpsilon(t, v, got["speed_m_s"], c.within, c.flags)
		assert.InEpsilon(t, delay*1e3, got["delay_ms"], c.within, c.flags)
		assert.InDelta(t, (c.to*sin/cos-gravity*delay*delay/2)*1e3, got["rise_mm"], 25, c.flags)
		assert.InDelta(t, got["delay_ms"], (got["delay_low_ms"]+got["delay_high_ms"])/2, 1e-6)
		assert.Greater(t, got["delay_high_ms"], got["delay_ms"])
	}
}

// Speed of sound in dry air at 20 °C: 343.2 m/s (ISO 9613-1:1993).
func TestSoundByIndependentArithmetic(t *testing.T) {
	got := answer(t, "sound --distance 1.5m --temperature 20C")
	assert.InEpsilon(t, 1500/343.2, got["delay_ms"], 1e-3)
	assert.InEpsilon(t, 343.2, got["speed_m_s"], 1e-3)
	speed := func(celsius float64) float64 { return 343.2 * math.Sqrt((273.15+celsius)/293.15) }
	// A centimetre and a degree, one standard deviation each; four in five lie within 1.2816.
	either := 1.2816 * math.Hypot(10/343.2, 1500/speed(19.5)-1500/speed(20.5))
	assert.InDelta(t, 1500/343.2-either, got["delay_low_ms"], 1e-3)
	assert.InDelta(t, 1500/343.2+either, got["delay_high_ms"], 1e-3)
	assert.NotContains(t, got, "edge_to_moment_ms")
	got = answer(t, "sound --distance 1.5m --after 20ms")
	assert.InEpsilon(t, 20-1500/343.2, got["edge_to_moment_ms"], 1e-3)
	assert.InEpsilon(t, 1500/speed(-10), answer(t, "sound --temperature -10C")["delay_ms"], 1e-3)
}

func TestCalculatorsForPeople(t *testing.T) {
	for line, says := range map[string][]string{
		"drop": {"column highest", "Delay from the beam", "8 of 10 first shots from", "drop size", "total, first shot",
			"Column highest means: the column's tip is highest", "- The drop passes the beam"},
		"throw": {"Delay from the second beam", "ragged edge at the gate", "One beam"},
		"throw --gate 10cm --to-focus 80cm --interval 25ms": {"Moving the gate nearer", "With 20 cm between the beams"},
		"sound":              {"4.37 ms", "343.2 m/s", "8 of 10 first shots", "known to 1 cm and 1 °C"},
		"sound --after 20ms": {"the board waits 15.63 ms more"},
		"drop -h": {"--height 40 cm", "--phase column-highest", "--pool-liquid same",
			"column-gone: the column's tip is back at the pool's level"},
		"throw --help": {"--to-focus 8 cm", "written with its unit"},
	} {
		status, out, errs := calculate(t, line)
		assert.Zero(t, status, line)
		assert.Empty(t, errs, line)
		for _, s := range says {
			assert.Contains(t, out, s, line)
		}
	}
}

// What is called wrongly is status 2, and names the flag and the accepted form; what cannot work is status 1.
func TestCalculatorsRefuse(t *testing.T) {
	for _, c := range []struct {
		line   string
		status int
		says   []string
	}{
		{"drop --height 40", 2, []string{"--height", "unit", "40 cm"}},
		{"drop --height -40cm", 2, []string{"--height", "1 cm to 5 m"}},
		{"drop --height 0cm", 2, []string{"--height"}},
		{"drop --height 30kg", 2, []string{"--height", "40 cm"}},
		{"drop --height", 2, []string{"--height"}},
		{"drop --beam 40cm", 2, []string{"--beam", "surface", "less than 40 cm"}},
		{"drop --beam 60cm", 2, []string{"--beam", "surface"}},
		{"drop --beam -1cm", 2, []string{"--beam"}},
		{"drop --nozzle 0mm", 2, []string{"--nozzle"}},
		{"drop --phase splash", 2, []string{"--phase", "column-highest"}},
		{"drop --liquid mercury", 2, []string{"--liquid", "water"}},
		{"drop --pool NaNcm", 2, []string{"--pool"}},
		{"drop 40cm", 2, []string{"40cm", "--beam"}},
		{"drop --hight 40cm", 2, []string{"--hight"}},
		{"throw --interval 0ms", 2, []string{"--interval", "25 ms"}},
		{"throw --interval -1ms", 2, []string{"--interval"}},
		{"throw --interval 25", 2, []string{"--interval", "unit"}},
		{"throw --gate 10cm --to-focus 80cm --interval 180ms", 2, []string{"--interval", "138.8 ms or less"}},
		{"throw --gate 10cm --to-focus 80cm --interval 2us", 2, []string{"--interval", "3.34 ms or more"}},
		{"throw --angle 90deg", 2, []string{"--angle", "70°"}},
		{"throw --angle 20", 2, []string{"--angle", "20 deg"}},
		{"throw --gate 0cm", 2, []string{"--gate", "5 mm"}},
		{"throw --to-focus -1m", 2, []string{"--to-focus"}},
		{"throw --gate 10cm --to-focus 80cm --interval 100ms", 1, []string{"short of the focus spot", "throw faster"}},
		{"sound --distance 0m", 2, []string{"--distance", "1 cm"}},
		{"sound --distance 1.5", 2, []string{"--distance", "unit"}},
		{"sound --temperature 20", 2, []string{"--temperature", "20 °C"}},
		{"sound --temperature 80C", 2, []string{"--temperature", "50 °C"}},
		{"sound --after -1ms", 2, []string{"--after"}},
		{"sound --after 2ms", 1, []string{"4.37 ms", "within 686 mm", "2.38 ms later"}},
	} {
		t.Run(c.line, func(t *testing.T) {
			for _, json := range []string{"", " --json"} {
				if c.line == "drop --height" && json != "" {
					continue
				}
				status, out, errs := calculate(t, c.line+json)
				assert.Equal(t, c.status, status, errs)
				assert.Empty(t, out)
				for _, s := range c.says {
					assert.Contains(t, errs, s)
				}
			}
		})
	}
}

// lightAnswer is what light says with --json.
func lightAnswer(t *testing.T, line string) map[string]any {
	t.Helper()
	status, out, errs := calculate(t, line+" --json")
	require.Zero(t, status, errs)
	var all map[string]any
	require.NoError(t, json.Unmarshal([]byte(out), &all))
	return all
}

// What is usual works from the command line too, in words and in figures with their units.
func TestLightCommand(t *testing.T) {
	for _, kind := range []string{"drop", "throw"} {
		steps := lightAnswer(t, "light --practice --kind "+kind)["steps"].([]any)
		require.Len(t, steps, 7)
		for _, s := range steps {
			assert.Equal(t, "works", s.(map[string]any)["verdict"], s)
		}
	}
	// 28 m at ISO 400 is 56 m; a sixteenth of the power is a quarter of that, 14 m; at 0.5 m f/28. The lens at 50 cm
	// gives a quarter of life size, so f/16 works as f/20: 0.97 stops over.
	got := lightAnswer(t, "light --guide 28m --power 1/16 --aperture f/16 --iso 400 --flash-distance 50cm --duration 3ms "+
		"--black 1/8")
	assert.InDelta(t, 2*math.Log2(28./20), got["key_stops"], 0.01)
	assert.InDelta(t, 3e3*-math.Log(1-1./16)/math.Ln2, got["t_tenth_us"], 0.5)
	assert.InDelta(t, 144, got["field_mm"], 0.01)
	// Black at 1/8 s is 5 % of the scale or less, 0.39 % of white; open for what the program holds it.
	open := got["open_ms"].(float64)
	assert.InDelta(t, math.Log2(0.05/12.92*open/125), got["room_stops"], 0.1)
	assert.Nil(t, got["background_stops"], "not known")
	assert.Equal(t, []any{}, got["ghosts"])
	// A quarter of the guide number at the same place and power is a sixteenth of the light: 4.09 stops below both.
	got = lightAnswer(t, "light --guide 20m --power 1/16 --flash-distance 50cm --duration 3ms "+
		"--others 5m,1/16,50cm,1/100s")
	assert.InDelta(t, math.Log2(17), got["ghosts"].([]any)[0].(map[string]any)["under_stops"], 1e-9)
	status, out, errs := calculate(t, "light --liquids")
	assert.Zero(t, status, errs)
	assert.Contains(t, out, "glycerol-water")
	status, out, _ = calculate(t, "light --practice")
	assert.Contains(t, out, "5. Focus on a stand-in, and lock it: works, once it is done")
	assert.Contains(t, out, "7. Take the stand-in away: works, once it is done")
	assert.Zero(t, status)
	assert.Contains(t, out, "Common practice, no source: around f/16")
}

// Bad input is refused by flag or field, and with how to write it.
func TestLightRefusals(t *testing.T) {
	for line, says := range map[string][]string{
		"light --aperture f/0":               {`--aperture "f/0"`, "write it like f/16"},
		"light --iso -3":                     {`--iso "-3"`, "write it like ISO 400"},
		"light --shutter 1/0":                {`--shutter "1/0"`, "divides by zero"},
		"light --power 3/2":                  {`--power "3/2"`, "more than the whole"},
		"light --set camera.field_seen=1mm":  {"camera.field_seen", "read the ruler again: at least 1.8 mm"},
		"light --distance 12cm":              {"--distance", "nearer than this lens focuses", "use at least 15 cm"},
		"light --draw sky":                   {`--draw "sky"`, "give frame, depth, plan or duration"},
		"light --kind rain":                  {"--kind", "drop, throw, sound"},
		"light --set background.seen=120%":   {"background.seen", "whiter than white"},
		"light --kind throw --set light.lag": {"FIELD=VALUE"},
	} {
		status, out, errs := calculate(t, line)
		assert.Equal(t, 2, status, line)
		assert.Empty(t, out, line)
		for _, s := range says {
			assert.Contains(t, errs, s, line)
		}
	}
}

// Each drawing goes to a file, or alone to standard output.
func TestLightDrawings(t *testing.T) {
	for _, name := range []string{"frame", "depth", "plan", "duration"} {
		status, out, errs := calculate(t, "light --practice --svg - --draw "+name)
		assert.Zero(t, status, errs)
		assert.True(t, strings.HasPrefix(out, "<svg ") && strings.HasSuffix(out, "</svg>\n"), name)
		path := t.TempDir() + "/" + name + ".svg"
		_, said, _ := calculate(t, "light --practice --svg "+path+" --draw "+name)
		assert.Contains(t, said, "Drawing written to "+path)
		written, err := os.ReadFile(path)
		require.NoError(t, err)
		assert.Equal(t, out, string(written))
	}
}

// The light's values go with the set: from a file of any kind, which may also be older than they are.
func TestLightOfASetInAFile(t *testing.T) {
	set := shot.DefaultSet()
	set.Kind, set.Flash.Reading, set.Camera.Aperture = shot.Throw, 22, 11
	text, err := json.Marshal(set)
	require.NoError(t, err)
	path := t.TempDir() + "/set.json"
	require.NoError(t, os.WriteFile(path, text, 0o600))
	got := lightAnswer(t, "light --set-file "+path)
	assert.InDelta(t, 2-2*math.Log2(1.25), got["key_stops"], 0.01)

	var older map[string]any
	require.NoError(t, json.Unmarshal(text, &older))
	delete(older, "flash")
	delete(older, "camera")
	text, err = json.Marshal(older)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, text, 0o600))
	assert.Nil(t, lightAnswer(t, "light --set-file "+path)["key_stops"])
}

// A refusal names the flag to change, and taking it leads on to the next one.
func TestDropsRefusalsNameTheirFlag(t *testing.T) {
	status, _, errs := calculate(t, "drops --head 5m")
	assert.Equal(t, 1, status)
	assert.Contains(t, errs, "drops: --open: an opening of 19 ms lets out a jet")
	status, _, errs = calculate(t, "drops --head 5m --open 5ms")
	assert.Equal(t, 1, status)
	assert.Contains(t, errs, "drops: --open2: an opening of 19 ms lets out a jet")
	status, _, errs = calculate(t, "drops --head 5m --open 5ms --open2 5ms")
	assert.Equal(t, 0, status, errs)
	status, _, errs = calculate(t, "drops --bore 5mm")
	assert.Equal(t, 2, status)
	assert.Contains(t, errs, "--bore")
}
