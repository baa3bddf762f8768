package main

import (
	"maps"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/hardware/circuit"
	"stillwater/internal/need"
)

const hardware = ".."

func read(t testing.TB, names ...string) string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(append([]string{hardware}, names...)...))
	require.NoError(t, err)
	return string(text)
}

func design(t testing.TB) *circuit.Design {
	t.Helper()
	d, err := circuit.Parse(read(t, "circuits.txt"))
	require.NoError(t, err)
	return d
}

func openTestSimulator(t testing.TB, d *circuit.Design) *simulator {
	t.Helper()
	l, err := openSimulator(hardware, d)
	require.NoError(t, err)
	return l
}

// rows are the measured values as they are checked in.
func rows(t testing.TB) []circuit.Row {
	t.Helper()
	list, err := circuit.ParseTable(read(t, "generated", "measured.csv"))
	require.NoError(t, err)
	require.NotEmpty(t, list)
	return list
}

// What is checked in is what the description gives; the boards are what people made of them.
func TestGeneratedFilesAreCurrent(t *testing.T) {
	drawn, err := readDrawn(hardware)
	require.NoError(t, err)
	made, err := generate(design(t), drawn, rows(t))
	require.NoError(t, err)
	require.NoError(t, made.keep(hardware))
	around, err := projects(design(t))
	require.NoError(t, err)
	for folder, made := range map[string]files{"generated": made, boards: around} {
		names, err := there(filepath.Join(hardware, folder))
		require.NoError(t, err)
		if folder == boards {
			names = slices.DeleteFunc(names, ofKiCad)
		}
		for _, name := range names {
			text, known := made[name]
			if assert.True(t, known, "%s/%s is not generated any more: remove it", folder, name) {
				assert.True(t, text == read(t, folder, name), "%s/%s is out of date: run go run ./hardware/gen", folder, name)
			}
		}
		assert.Len(t, names, len(made), "a file is missing in %s: run go run ./hardware/gen", folder)
	}
}

// ofKiCad reports whether a file is a board or one that KiCad writes for whoever edits it.
func ofKiCad(name string) bool {
	for _, ending := range []string{".kicad_pcb", ".kicad_prl", ".lck", "fp-info-cache"} {
		if strings.HasSuffix(name, ending) {
			return true
		}
	}
	return strings.Contains(name, "-backups/")
}

// The guide's cautions are those of the one source, its expected values those of the simulation.
func TestTheGuideIsCurrent(t *testing.T) {
	page := read(t, "README.md")
	want, err := guide(page, design(t), rows(t))
	require.NoError(t, err)
	assert.True(t, want == page, "hardware/README.md is out of date: run go run ./hardware/gen")
	first := read(t, "FIRST.md")
	want, err = firstGuide(first, design(t), rows(t))
	require.NoError(t, err)
	assert.True(t, want == first, "hardware/FIRST.md is out of date: run go run ./hardware/gen")
	_, err = guide("a page without its places", design(t), rows(t))
	assert.ErrorContains(t, err, "<!-- cautions -->")
}

// Every measure of every deck, at every corner, keeps its limit, and the table that is checked in is what comes out:
// to
// 2 %, for versions of the simulator differ in the last digits.
func TestTheSimulationKeepsItsLimits(t *testing.T) {
	need.Tool(t, "ngspice")
	d := design(t)
	laid, err := readOnce()
	require.NoError(t, err)
	for _, p := range laid {
		for net, c := range p.Resistances() {
			d.Board(p.Board.Name).Lay(net, c)
		}
	}
	l, old := openTestSimulator(t, d), rows(t)
	if need.RaceDetector { // one deck is enough to see, as for sampled
		other := func(deck string) bool { return deck != old[0].Deck }
		maps.DeleteFunc(l.decks, func(deck, _ string) bool { return other(deck) })
		l.limits = slices.DeleteFunc(l.limits, func(lim circuit.Limit) bool { return other(lim.Deck) })
		old = slices.DeleteFunc(old, func(r circuit.Row) bool { return other(r.Deck) })
	}
	fresh, err := l.measure(t.Context())
	require.NoError(t, err)
	require.Equal(t, len(fresh), len(old), "run go run ./hardware/gen")
	for i, f := range fresh {
		assert.Equal(t, f.Limit, old[i].Limit, "run go run ./hardware/gen")
		for _, pair := range [][2]float64{{f.Least, old[i].Least}, {f.Typical, old[i].Typical}, {f.Most, old[i].Most}} {
			near := math.Abs(pair[0]-pair[1]) <= 0.02*math.Abs(pair[1])+negligible(f.Deck, f.Unit)
			assert.True(t, near, "%s %s: %g now, %g in the table: run go run ./hardware/gen", f.Deck, f.Measure,
				pair[0], pair[1])
		}
	}
}

// A limit that fails is an error, and the values are written nevertheless: a run takes minutes.
func TestValuesAreKeptWhenALimitFails(t *testing.T) {
	need.Tool(t, "ngspice")
	l := openTestSimulator(t, design(t))
	l.corners = l.corners[:1]
	_, err := l.keepOnly("first_boot", nil)
	require.NoError(t, err)
	for i := range l.limits {
		if l.limits[i].Measure == "contact" {
			l.limits[i].Low = 100
		}
	}
	fresh, err := l.values(t.Context(), "", "", false)
	require.ErrorContains(t, err, "first_boot contact is")
	file := filepath.Join(t.TempDir(), "measured.csv")
	require.NoError(t, writeTable(file, fresh))
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	written, err := circuit.ParseTable(string(text))
	require.NoError(t, err)
	assert.Equal(t, fresh, written)
	assert.Len(t, written, 2)
}

// negligible is an insignificant amount of a unit. When something happens to a modulated beam its oscillator is
// anywhere in its period of 30 us: a delay that moves by less says nothing.
func negligible(deck, unit string) float64 {
	switch {
	case unit == "s" && strings.HasPrefix(deck, "modulated"):
		return 30e-6
	case unit == "s":
		return 2e-6
	}
	switch unit {
	case "A":
		return 1e-5
	case "J":
		return 1e-6
	}
	return 5e-3
}

// A trimmer's wiper is simulated where its pin is: a fifth of the way from pin 1 it is at 8 of 10 V, nine tenths of
// the
// way at 1 V. Its track from end to end is the whole resistance, 10 kohm.
func TestATrimmerDividesAtItsWiper(t *testing.T) {
	need.Tool(t, "ngspice")
	d, err := circuit.Parse(`type trimmer trimmer "one turn" p=0.5 model=TRIMMER legs=0,0/1,1/2,0 body=7x7 makers="a (b)"
type resistor resistor "metal film" p=0.25 v=250 legs=0,0/4,0 body=6.8x2.5 makers="a (b); c (d)"
board a "a" 100x100
group LOGIC 12 "b"
net GND LOGIC 0 use=zero
net HIGH LOGIC 12
net TAP LOGIC 12
net TAPPED LOGIC 12
section s "s" 0,0 10x10
part RV1 trimmer 10k at=5,5 hole=5,5,0 : 1=HIGH wiper=TAP 3=GND
part RV2 trimmer 10k at=5,5 hole=9,9,0 : 1=HIGH wiper=TAPPED 3=GND
part R1 resistor 10M at=9,5 hole=15,5,0 : 1=TAP 2=GND
part R2 resistor 10M at=9,9 hole=15,9,0 : 1=TAPPED 2=GND
`)
	require.NoError(t, err)
	text, err := d.Deck("trimmer", `*use a s
.param POS_RV1=0.2 POS_RV2=0.9
V1 high 0 10
.tran 1u 10u
.meas tran fifth FIND v(tap) AT=5u
.meas tran tenths FIND v(tapped) AT=5u
.meas tran current FIND i(V1) AT=5u
.end
`, openTestSimulator(t, design(t)).models, circuit.Corner{Name: "typical",
		Params: []string{"TEMP=25", "SPREAD=nominal", "CTR=1", "SLOW=1", "VTO=0", "VZ=0", "LEAK=0", "KB=1", "VOS=0",
			"VLOW=1"}})
	require.NoError(t, err)
	got, err := spice(t.Context(), text)
	require.NoError(t, err)
	assert.InDelta(t, 8, got["fifth"], 0.01)
	assert.InDelta(t, 1, got["tenths"], 0.01)
	assert.InDelta(t, -2*10.0/10e3, got["current"], 1e-5)
}

// A spoiled circuit fails a limit: the decks see what they are for.
func TestSpoiledCircuitsFailALimit(t *testing.T) {
	need.Tool(t, "ngspice")
	value := func(board, ref, to string) func(*circuit.Design) {
		return func(d *circuit.Design) { d.Board(board).Part(ref).Value = to }
	}
	short := func(board, ref string) func(*circuit.Design) {
		return func(d *circuit.Design) { p := d.Board(board).Part(ref).Pins; p["1"] = p["2"] }
	}
	pin := func(ref, net string) func(*circuit.Design) {
		return func(d *circuit.Design) { d.Board("outputs").Part(ref).Pins["1"] = net }
	}
	first := func(ref, net string) func(*circuit.Design) {
		return func(d *circuit.Design) { d.Board("first").Part(ref).Pins["1"] = net }
	}
	both := func(one, other func(*circuit.Design)) func(*circuit.Design) {
		return func(d *circuit.Design) { one(d); other(d) }
	}
	for name, c := range map[string]struct {
		deck, measure string
		spoil         func(*circuit.Design)
	}{
		"no flyback":                  {"valve", "peak", short("outputs", "D410")},
		"a plain diode for a flyback": {"valve", "off", pin("D41", "V12_ARM")},
		"no diode at the rail":        {"kill", "rail_min", pin("D6", "GND")},
		"a pump that bounces":         {"bounce_kill", "pump", pin("R7", "V5_K")},
		"a pump that waits for 12 V":  {"order_five", "rail_v5", pin("R7", "V12_K")},
		"a reference that waits for 12 V": {"order_twelve", "rail_v12",
			both(both(pin("R17", "V12_K"), value("outputs", "R17", "120k")),
				both(pin("R87", "V12_K"), value("outputs", "R87", "120k")))},
		"a slow guard": {"guard_high", "off_valve",
			both(value("outputs", "R8", "330k"), value("outputs", "R86", "330k"))},
		"a quick guard": {"guard_slow", "hold", value("outputs", "R8", "47k")},
		"a coupling that arms by one pulse": {"guard_slow", "blip_v5",
			both(value("outputs", "C5", "330n"), value("outputs", "C85", "330n"))},
		"no clamp":                              {"clamp", "v_opto", short("outputs", "R312")},
		"a weak pull-down":                      {"boot", "pad_pulled", value("outputs", "R41", "100k")},
		"a bright lamp":                         {"lamps", "i_live", value("outputs", "R15", "330")},
		"a flash contact that sinks too little": {"flash_limit", "sinks", value("outputs", "R311", "2.2k")},
		"a second flash contact without its thyristor": {"flash_second", "discharged", func(d *circuit.Design) {
			d.Board("outputs").Part("Q321").Pins["3"] = "FL2_COM"
		}},
		"a thyristor that holds on": {"flash_second", "open", value("outputs", "R323", "10k")},
		"guards with neither hysteresis nor a capacitor at the reference": {"guard_ripple", "flutter_12",
			both(both(value("outputs", "R82", "1000M"), value("outputs", "R90", "1000M")),
				both(value("outputs", "C9", "1p"), value("outputs", "C89", "1p")))},
		"no cut-off":                      {"power", "v_wrong", value("outputs", "R71", "10M")},
		"a flash's lamp that ages":        {"flash", "i_led_first", value("outputs", "R311", "330")},
		"a second flash's lamp that ages": {"flash", "i_led_second", value("outputs", "R321", "330")},
		"a starved optocoupler":           {"camera", "i_led", value("outputs", "R201", "2.2k")},
		"a quick mean":                    {"beam", "clear_beam", value("sensors", "C721", "1n")},
		"a mean on an electrolytic capacitor in the warmth": {"beam_drop", "seen30_gate", func(d *circuit.Design) {
			d.Board("sensors").Part("C711").Type = d.Types["electrolytic"]
		}},
		"a first build that drops do not break": {"first_beam", "clear_weak", value("first", "R904", "47k")},
		"a contact that the switch leaves":      {"first_flash", "released", first("R908", "V5_F")},
		"a pin that nothing pulls down":         {"first_boot", "pad", value("first", "R907", "220k")},
		"a mean that is not a mean":             {"modulated", "delay", value("modulated", "R8310", "100k")},
	} {
		t.Run(strings.ReplaceAll(name, " ", "-"), func(t *testing.T) {
			t.Parallel()
			d := design(t)
			c.spoil(d)
			l := openTestSimulator(t, d)
			corner := l.corners[0]
			if strings.HasSuffix(name, " in the warmth") {
				corner = l.corners[2]
				require.Contains(t, corner.Params, "LEAK=1")
			}
			values, err := l.runCorner(t.Context(), c.deck, corner)
			for _, lim := range l.limits {
				if lim.Deck == c.deck && lim.Measure == c.measure && err == nil {
					x := values[c.measure]
					assert.True(t, x < lim.Low || x > lim.High, "%s %s is %g, within its limit", c.deck, c.measure, x)
				}
			}
			if err != nil { // what cannot be measured any more failed too, if it was this measure
				assert.Contains(t, err.Error(), c.measure)
			}
		})
	}
}
