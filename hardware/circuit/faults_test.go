package circuit

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// faultsOf lists the faults of one part in words.
func faultsOf(d *Design, board, section, ref string) (words []string) {
	for _, f := range d.Board(board).Faults(section) {
		if f.Ref == ref {
			words = append(words, d.Describe(f))
		}
	}
	return words
}

func TestEachKindHasItsFaults(t *testing.T) {
	d := design(t)
	for _, c := range []struct {
		section, ref string
		want         []string
	}{
		{"rails", "R9", []string{"open", "shorted"}},
		{"rails", "D6", []string{"open", "shorted"}},
		{"rails", "Q4", []string{"G open, drifts to V12_K", "G open, drifts to GND", "D open", "S open", "G to D shorted",
			"G to S shorted", "D to S shorted"}},
		{"valves", "Q41", []string{"G open, drifts to GND", "G open, drifts to VIO", "D open", "S open", "G to D shorted",
			"G to S shorted", "D to S shorted"}},
		{"guard", "Q2", []string{"C open", "B open", "E open", "C to B shorted", "C to E shorted", "B to E shorted"}},
		{"camera", "U21", []string{"A open", "K open", "E open", "C open", "A to K shorted", "E to C shorted"}},
		{"power", "J2", []string{"1 open", "1 to 2 shorted"}},
		{"camera", "J3", []string{"1 to 2 shorted", "2 to 3 shorted"}},
	} {
		assert.ElementsMatch(t, c.want, faultsOf(d, "outputs", c.section, c.ref), c.ref)
	}
	u1 := faultsOf(d, "outputs", "guard", "U1")
	assert.Contains(t, u1, "1out to 0V shorted")
	assert.Contains(t, u1, "1- open")
	assert.NotContains(t, u1, "1- to 2+ shorted", "one net")
}

// A faulty copy differs from the design in the fault alone, and the design stays as it was.
func TestAFaultChangesACopy(t *testing.T) {
	d := design(t)
	before := d.Board("outputs").spice([]string{"guard", "rails", "controller"}, "nominal", false)
	for _, f := range d.Board("outputs").Faults("controller", "guard", "rails") {
		faulty, err := d.With(f)
		require.NoError(t, err)
		text := faulty.Board("outputs").spice([]string{"guard", "rails", "controller"}, "nominal", false)
		assert.Equal(t, before, d.Board("outputs").spice([]string{"guard", "rails", "controller"}, "nominal", false))
		assert.NotEqual(t, before, text, "%s %s", f.Ref, d.Describe(f))
		if len(f.Pins) == 2 {
			assert.True(t, strings.HasPrefix(text, before), "%s %s: a short changes nothing else", f.Ref, d.Describe(f))
		}
	}
	_, err := d.With(Fault{Board: "outputs", Ref: "R0", Pins: []string{"1"}})
	assert.ErrorContains(t, err, "R0")
}

// The same two nets joined by different parts are the same circuit, so it is simulated once.
func TestTheSameShortIsTheSameCircuit(t *testing.T) {
	d := design(t)
	text := func(ref string, pins ...string) string {
		f, err := d.With(Fault{Board: "outputs", Ref: ref, Pins: pins})
		require.NoError(t, err)
		return f.Board("outputs").spice([]string{"guard"}, "nominal", false)
	}
	assert.Equal(t, text("R6", "1", "2"), text("Q2", "2", "3"))
	assert.NotEqual(t, text("R6", "1", "2"), text("R8", "1", "2"))
}

// measured are the values of the deck "release".
type measured = map[string]float64

// healthy is what the deck measures without a fault.
func healthy() measured {
	return measured{"on_valve": 0.48, "on_contact": 0.05, "off_contact": 5, "off_contact2": 5, "late_contact": 5,
		"late_contact2": 5, "lamp12": 2e-4, "lamp5": 2e-4, "kill_runs": 0.02, "kill_late": 3.3}
}

// visible: nothing is on, or somebody who looks sees it: a live lamp, or the output itself.
func visible(l Residue) bool { return l.Released() || l.Lamp12 || l.Lamp5 || l.Output }

func TestVerdicts(t *testing.T) {
	for name, c := range map[string]struct {
		change  func(v measured)
		verdict Verdict
		left    string
		problem string
		shown   bool
	}{
		"healthy": {func(measured) {}, StillSafe, "released", "", true},
		"a rail that stays": {func(v measured) { v["late_v12"] = 11 },
			UnsafeHidden, "12 V stays", "", false},
		"and its lamp": {func(v measured) { v["late_v12"], v["late_lamp12"] = 11, 2e-4 },
			UnsafeHidden, "12 V stays", "", true},
		"half a rail": {func(v measured) { v["late_v5"] = 0.9 },
			UnsafeHidden, "5 V stays", "", false},
		"both": {func(v measured) { v["late_v5"], v["late_v12"] = 5, 11 },
			UnsafeHidden, "12 V and 5 V stay", "", false},
		"a contact that stays": {func(v measured) { v["late_contact"] = 0 },
			UnsafeHidden, "an output stays", "", true},
		"another valve": {func(v measured) { v["late_valve2"] = 0.4 },
			UnsafeHidden, "an output stays", "", true},
		"a dead valve": {func(v measured) { v["on_valve"] = 0 },
			SafeNoticed, "released", "the valve does not come on", true},
		"nothing": {func(v measured) { v["on_valve"], v["on_contact"] = 0, 5 },
			SafeNoticed, "released", "nothing comes on", true},
		"a valve that is on": {func(v measured) { v["off_valve"] = 0.4 },
			SafeNoticed, "released", "the valve stays on", true},
		"stop without a stop": {func(v measured) { v["kill_runs"] = 3.3 },
			SafeNoticed, "released", "the screen says stop", true},
		"stuck and seen": {func(v measured) { v["off_contact"], v["late_contact"] = 0, 0 },
			UnsafeNoticed, "an output stays", "the contact stays closed", true},
		"a lamp alone is a sign": {func(v measured) { v["lamp12"] = 0 }, StillSafe, "released", "", true},
	} {
		v := healthy()
		c.change(v)
		r := NewFaultRow("R1", "open", []map[string]float64{v, healthy(), healthy()}, 3.3)
		assert.Equal(t, c.verdict, r.Verdict(), name)
		assert.Equal(t, c.left, r.Residue[0].String(), name)
		assert.Equal(t, c.problem, r.Problem, name)
		assert.Equal(t, c.shown, visible(r.Residue[0]), name)
		assert.Equal(t, name == "a lamp alone is a sign", r.Indication != "", name)
		lines, err := ParseFaults(FaultTable([]FaultRow{r}))
		require.NoError(t, err)
		assert.Equal(t, FaultLine{Ref: "R1", Fault: "open", Problem: c.problem, Indication: r.Indication, Verdict: c.verdict,
			Ways: []string{c.left, "released", "released"}, V12: v["late_v12"], V5: v["late_v5"]}, lines[0], name)
	}
	blind := healthy()
	blind["kill_late"] = 0
	assert.True(t, NewFaultRow("R1", "open", []map[string]float64{healthy(), healthy(), blind}, 3.3).KillInputBlind)
	failed := FaultRow{Ref: "R1", Fault: "open", Failed: "no convergence"}
	assert.Equal(t, Undecided, failed.Verdict())
	assert.False(t, failed.Safe())
	lines, err := ParseFaults(FaultTable([]FaultRow{failed}))
	require.NoError(t, err)
	assert.Equal(t, Undecided, lines[0].Verdict)
}

func TestBandGuide(t *testing.T) {
	band := func(hertz, least, mean, most float64) Band {
		return Band{Hertz: hertz, Least: least, Mean: mean, Most: most}
	}
	dark, some, on := band(5, 0, 0, 0.1), band(10, 0, 2, 5), band(50, 4.9, 4.9, 4.9)
	fast := band(1e6, 0, 0, 0)
	text, err := BandGuide([]Band{dark, some, on, fast})
	require.NoError(t, err)
	assert.Equal(t, "Of the simulated square waves those from 50 Hz to 50 Hz keep the rails on; at 10 Hz they come "+
		"and go; 5 Hz is not enough; 1 MHz is too fast.\n", text)
	_, err = BandGuide([]Band{dark, fast})
	assert.ErrorContains(t, err, "no frequency")
	_, err = BandGuide([]Band{on, fast, on})
	assert.ErrorContains(t, err, "not one band")
	again, err := ParseBands(BandTable([]Band{dark, some, on}))
	require.NoError(t, err)
	dark.read, some.read, on.read = railDark, railIntermittent, railOn
	assert.Equal(t, []Band{dark, some, on}, again)
	_, err = ParseBands("1,2\n")
	assert.ErrorContains(t, err, "wrong number of fields")
	// 0.84 V is not dark, though it is written as 0.8 V, which is: the table's word stands.
	again, err = ParseBands(BandTable([]Band{band(9, 0, 0.5, 0.84)}))
	require.NoError(t, err)
	assert.Equal(t, railIntermittent, again[0].String())
}
