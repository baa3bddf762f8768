package main

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/hardware/circuit"
	"stillwater/internal/need"
)

// sharedFaultRunner has the design as it is checked in. All tests share it, and with it the runs of the simulator that
// more than one of them wants.
var sharedFaultRunner = sync.OnceValues(func() (*faultRunner, error) {
	text, err := os.ReadFile(filepath.Join(hardware, "circuits.txt"))
	if err != nil {
		return nil, err
	}
	d, err := circuit.Parse(string(text))
	if err != nil {
		return nil, err
	}
	l, err := openSimulator(hardware, d)
	if err != nil {
		return nil, err
	}
	return openFaultRunner(hardware, l)
})

func testFaultRunner(t testing.TB) *faultRunner {
	t.Helper()
	l, err := sharedFaultRunner()
	require.NoError(t, err)
	return l
}

// sampled are the first few of a list with the race detector, all without it: the simulator is another program, which
// the detector does not see into, and a few runs show how ours are shared out and joined.
func sampled[T any](list []T) []T {
	if need.RaceDetector {
		return list[:min(len(list), 3)]
	}
	return list
}

// faultLines is the table of faults as it is checked in.
func faultLines(t testing.TB) []circuit.FaultLine {
	t.Helper()
	lines, err := circuit.ParseFaults(read(t, "generated", faultFile))
	require.NoError(t, err)
	return lines
}

// withFaults is the design with faults of some parts, each by its words.
func withFaults(t testing.TB, d *circuit.Design, faults ...[2]string) *circuit.Design {
	t.Helper()
	for _, want := range faults {
		list := d.Board("outputs").Faults(faultSections...)
		i := slices.IndexFunc(list, func(f circuit.Fault) bool { return f.Ref == want[0] && d.Describe(f) == want[1] })
		require.GreaterOrEqual(t, i, 0, "no fault %v", want)
		var err error
		d, err = d.With(list[i])
		require.NoError(t, err)
	}
	return d
}

// The analysis tells safe from unsafe and seen from unseen: faults whose outcome follows from the drawing.
func TestFaultsAreDistinguished(t *testing.T) {
	need.Tool(t, "ngspice")
	l := testFaultRunner(t)
	all := [3]string{"released", "released", "released"}
	twelve := [3]string{"12 V stays", "12 V stays", "released"}
	for name, c := range map[string]struct {
		faults  [][2]string
		verdict circuit.Verdict
		ways    [3]string
	}{
		"none":                {nil, circuit.StillSafe, all},
		"a rail's transistor": {[][2]string{{"Q4", "D to S shorted"}}, circuit.StillSafe, all},
		"both of a rail's": {[][2]string{{"Q4", "D to S shorted"}, {"Q5", "D to S shorted"}}, circuit.UnsafeHidden,
			twelve},
		"a gate's resistor": {[][2]string{{"R9", "open"}}, circuit.SafeNoticed, all},
		"one capacitor":     {[][2]string{{"C3", "shorted"}}, circuit.StillSafe, all},
		"the other one":     {[][2]string{{"C4", "shorted"}}, circuit.StillSafe, all},
		"both capacitors":   {[][2]string{{"C3", "shorted"}, {"C4", "shorted"}}, circuit.StillSafe, all},
		"those of both pumps": {[][2]string{{"C3", "shorted"}, {"C4", "shorted"}, {"C83", "shorted"}},
			circuit.UnsafeHidden, [3]string{"released", "12 V and 5 V stay", "released"}},
		"a contact shorted": {[][2]string{{"U21", "E to C shorted"}}, circuit.UnsafeNoticed,
			[3]string{"an output stays", "an output stays", "an output stays"}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			row, err := l.row(t.Context(), withFaults(t, l.design, c.faults...), "", "")
			require.NoError(t, err)
			assert.Equal(t, c.verdict, row.Verdict())
			for way, want := range c.ways {
				assert.Equal(t, want, row.Residue[way].String(), circuit.Ways()[way])
			}
		})
	}
}

// One welded contact of the kill switch holds nothing, at any corner; were the 5 V rail's transistor driven from
// 5 V, one would.
func TestAWeldedContactHoldsNothing(t *testing.T) {
	need.Tool(t, "ngspice")
	l := testFaultRunner(t)
	open := func(t *testing.T, d *circuit.Design, c circuit.Corner) circuit.Residue {
		c.Params = append(slices.Clone(c.Params), releases[2]...)
		text, err := d.Deck("release", l.release, l.models, c)
		require.NoError(t, err)
		v, err := l.simulated(t.Context(), text)
		require.NoError(t, err)
		return circuit.NewFaultRow("", "", []map[string]float64{v}, l.vio).Residue[0]
	}
	for _, contact := range []string{"1 to 2 shorted", "3 to 4 shorted"} {
		d := withFaults(t, l.design, [2]string{"SW1", contact})
		for _, c := range sampled(l.corners) {
			t.Run(contact+" "+c.Name, func(t *testing.T) {
				t.Parallel()
				assert.Equal(t, "released", open(t, d, c).String())
			})
		}
	}
	t.Run("spoilt", func(t *testing.T) {
		t.Parallel()
		d := design(t)
		d.Board("outputs").Part("R12").Pins["1"] = "V5_K"
		d.Board("outputs").Part("R12").Value = "1k"
		assert.False(t, open(t, withFaults(t, d, [2]string{"SW1", "3 to 4 shorted"}), l.corners[0]).Released())
	})
}

// A shorted capacitor of either pump leaves the other one, which releases in time at the worst corner, too.
func TestOneShortedCapacitorReleases(t *testing.T) {
	need.Tool(t, "ngspice")
	off := func(ref string) float64 {
		l := openTestSimulator(t, withFaults(t, design(t), [2]string{ref, "shorted"}))
		values, err := l.runCorner(t.Context(), "guard_low", l.corners[1])
		require.NoError(t, err)
		return values["off_valve"]
	}
	for _, ref := range []string{"C3", "C4", "C83"} {
		assert.Less(t, off(ref), 0.2, ref)
	}
}

// The table lists the faults that there are; all unsafe ones and every fifth of the others come out again as they are
// in it, and whatever is unsafe and hidden shows in the check: a live lamp is lit. The whole table takes minutes.
func TestFaultsAreCurrent(t *testing.T) {
	need.Tool(t, "ngspice")
	l := testFaultRunner(t)
	faults, lines := l.faults(), faultLines(t)
	require.Len(t, lines, len(faults), "run go run ./hardware/gen -faults")
	var some []circuit.Fault
	var old []circuit.FaultLine
	for i, line := range lines {
		require.Equal(t, [2]string{line.Ref, line.Fault}, [2]string{faults[i].Ref, l.design.Describe(faults[i])},
			"run go run ./hardware/gen -faults")
		require.NotEqual(t, circuit.Undecided, line.Verdict, "%s %s", line.Ref, line.Fault)
		if i%5 == 0 || line.Verdict == circuit.UnsafeHidden || line.Verdict == circuit.UnsafeNoticed {
			some, old = append(some, faults[i]), append(old, line)
		}
	}
	some, old = sampled(some), sampled(old)
	rows, err := l.rows(t.Context(), some, func() {})
	require.NoError(t, err)
	fresh, err := circuit.ParseFaults(circuit.FaultTable(rows))
	require.NoError(t, err)
	for i, f := range fresh {
		o := old[i]
		assert.InDelta(t, o.V12, f.V12, 0.25, "%s %s: run go run ./hardware/gen -faults", f.Ref, f.Fault)
		assert.InDelta(t, o.V5, f.V5, 0.25, "%s %s: run go run ./hardware/gen -faults", f.Ref, f.Fault)
		f.V12, f.V5 = o.V12, o.V5
		assert.Equal(t, o, f, "run go run ./hardware/gen -faults")
		for way, left := range rows[i].Residue {
			visible := left.Released() || left.Lamp12 || left.Lamp5 || left.Output
			assert.True(t, f.Verdict != circuit.UnsafeHidden || visible, "%s %s, %s: no lamp shows it", f.Ref, f.Fault,
				circuit.Ways()[way])
		}
	}
}

// No single fault that the rig hides keeps an output on once the kill switch is open: the guide says so.
func TestTheKillSwitchReleasesWithAnyHiddenFault(t *testing.T) {
	for _, l := range faultLines(t) {
		if l.Verdict == circuit.UnsafeHidden {
			assert.Equal(t, "released", l.Ways[2], "%s %s", l.Ref, l.Fault)
		}
	}
}

// The slow square waves and the fastest come out as they are in the table.
func TestSquareWavesAreCurrent(t *testing.T) {
	need.Tool(t, "ngspice")
	old, err := circuit.ParseBands(read(t, "generated", bandFile))
	require.NoError(t, err)
	require.Len(t, old, len(waves), "run go run ./hardware/gen -faults")
	some := slices.DeleteFunc(slices.Clone(waves), func(w wave) bool { return w.hertz > 10e3 && w.hertz < 10e6 })
	fresh, err := testFaultRunner(t).bands(t.Context(), sampled(some), func() {})
	require.NoError(t, err)
	for _, f := range fresh {
		i := slices.IndexFunc(old, func(b circuit.Band) bool { return b.Hertz == f.Hertz })
		require.GreaterOrEqual(t, i, 0, "%g Hz: run go run ./hardware/gen -faults", f.Hertz)
		assert.Equal(t, old[i].String(), f.String(), "%g Hz", f.Hertz)
		assert.Less(t, math.Abs(old[i].Mean-f.Mean), 0.2, "%g Hz: run go run ./hardware/gen -faults", f.Hertz)
	}
}

// The guide says what the tables say.
func TestTheGuideOnFaultsIsCurrent(t *testing.T) {
	page := read(t, "README.md")
	want, err := faultGuide(page, design(t), hardware)
	require.NoError(t, err)
	assert.True(t, want == page, "hardware/README.md is out of date: run go run ./hardware/gen -faults")
}

// So does the project's README: how many faults there are, how many are hidden, how soon all is released.
func TestTheReadmeOnFaultsIsCurrent(t *testing.T) {
	said := regexp.MustCompile(`(\d+) faults, simulated .* (\d+) unsafe and hidden`)
	count := said.FindStringSubmatch(read(t, "README.md"))
	require.NotNil(t, count)
	page := read(t, "..", "README.md")
	assert.Contains(t, page, count[1]+" single faults, each by itself")
	assert.Contains(t, page, "; "+count[2]+" single faults keep a rail on unseen")

	table := csv.NewReader(strings.NewReader(read(t, "generated", "measured.csv")))
	table.Comment = '#'
	rows, err := table.ReadAll()
	require.NoError(t, err)
	soonest, latest := math.Inf(1), 0.0 // s
	for _, row := range rows {
		if strings.HasPrefix(row[0], "guard_") && strings.HasPrefix(row[1], "off_") {
			least, err := strconv.ParseFloat(row[3], 64)
			require.NoError(t, err)
			most, err := strconv.ParseFloat(row[5], 64)
			require.NoError(t, err)
			soonest, latest = min(soonest, least), max(latest, most)
		}
	}
	assert.Contains(t, page, fmt.Sprintf("all released after %.0f to %.0f ms", soonest*1e3, latest*1e3))
}
