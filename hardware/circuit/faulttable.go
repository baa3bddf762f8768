package circuit

import (
	"fmt"
	"slices"
	"strings"
)

// Verdict classifies a fault by whether the outputs are released in spite of it.
type Verdict string

// The verdicts. Noticed means that the rig visibly fails at its task while it runs; hidden, that it does not.
const (
	StillSafe     Verdict = "still safe"
	SafeNoticed   Verdict = "safe, noticed"
	UnsafeNoticed Verdict = "unsafe but noticed"
	UnsafeHidden  Verdict = "unsafe and hidden"
	Undecided     Verdict = "not simulated"
)

// Verdicts are all of them, the best first.
func Verdicts() []Verdict {
	return []Verdict{StillSafe, SafeNoticed, UnsafeNoticed, UnsafeHidden, Undecided}
}

// Ways are the ways in which outputs must be released, in the order of FaultRow.Residue.
func Ways() []string {
	return []string{"heartbeat stays high", "heartbeat stays low", "kill switch opens"}
}

// Residue is what is still live on the armed rails and the outputs 200 ms after they had to be released.
type Residue struct {
	V12, V5       float64 // volts, the most
	Output        bool    // an output is on
	Lamp12, Lamp5 bool    // the live lamps are lit
}

// FaultRow is the effect of a fault.
type FaultRow struct {
	Ref, Fault     string
	Residue        []Residue // for each of the ways
	Problem        string    // what fails while it runs; empty for nothing
	Indication     string    // what else is visible then; empty for nothing
	KillInputBlind bool      // the kill switch opens and its input does not show it
	Failed         string    // why it could not be simulated; empty if it could
}

// Limits of a released rail: an optocoupler lights above 1 V; a valve pulls in above 0.1 A or 2.4 V, of which this is
// half.
const (
	darkV5       = 0.8
	darkV12      = 1.2
	darkLampAmps = 0.05
	lit          = 50e-6 // a lamp's current in A: a quarter of what it has when healthy
)

// NewFaultRow makes a row of the values of the deck "release", measured once for each of the ways. vio is the level of
// the controller's pins in volts.
func NewFaultRow(ref, fault string, values []map[string]float64, vio float64) FaultRow {
	r := FaultRow{Ref: ref, Fault: fault}
	for _, v := range values {
		on := valveOn(v["late_valve"]) || valveOn(v["late_valve2"]) || contactOn(v["late_contact"]) ||
			contactOn(v["late_contact2"])
		r.Residue = append(r.Residue, Residue{V12: v["late_v12"], V5: v["late_v5"], Output: on,
			Lamp12: v["late_lamp12"] > lit, Lamp5: v["late_lamp5"] > lit})
	}
	r.Problem, r.Indication = problem(values[0], vio), darkLamps(values[0])
	r.KillInputBlind = values[len(values)-1]["kill_late"] < 0.6*vio
	return r
}

// valveOn is half of the 0.1 A at which a valve pulls in; contactOn is a camera's contact of 5 V below half of that.
func valveOn(amps float64) bool { return amps > darkLampAmps }

func contactOn(volts float64) bool { return volts < 2.5 }

// problem lists what does not work while it runs.
func problem(v map[string]float64, vio float64) string {
	noValve, noContact := v["on_valve"] < 0.3, v["on_contact"] > 1
	switch {
	case v["kill_runs"] > 0.25*vio:
		return "the screen says stop"
	case noValve && noContact:
		return "nothing comes on"
	case noValve:
		return "the valve does not come on"
	case noContact:
		return "the contact does not close"
	case valveOn(v["off_valve"]):
		return "the valve stays on"
	case contactOn(v["off_contact"]):
		return "the contact stays closed"
	case valveOn(v["off_valve2"]) || contactOn(v["off_contact2"]):
		return "another output is on"
	}
	return ""
}

// darkLamps lists the live lamps that are dark while it runs.
func darkLamps(v map[string]float64) string {
	switch {
	case v["lamp12"] < lit && v["lamp5"] < lit:
		return "both live lamps are dark"
	case v["lamp12"] < lit:
		return "the 12 V live lamp is dark"
	case v["lamp5"] < lit:
		return "the 5 V live lamp is dark"
	}
	return ""
}

// Released reports whether all outputs and rails are released.
func (l Residue) Released() bool { return !l.Output && l.V12 <= darkV12 && l.V5 <= darkV5 }

func (l Residue) String() string {
	if l.Released() {
		return released
	}
	var on []string
	for _, x := range []struct {
		is   bool
		name string
	}{{l.V12 > darkV12, "12 V"}, {l.V5 > darkV5, "5 V"}, {l.Output && l.V12 <= darkV12 && l.V5 <= darkV5, "an output"}} {
		if x.is {
			on = append(on, x.name)
		}
	}
	if len(on) > 1 {
		return strings.Join(on, " and ") + " stay"
	}
	return on[0] + " stays"
}

// Safe reports whether everything is released in each of the ways.
func (r FaultRow) Safe() bool {
	for _, l := range r.Residue {
		if !l.Released() {
			return false
		}
	}
	return r.Failed == ""
}

// Verdict classifies a row.
func (r FaultRow) Verdict() Verdict {
	return verdict(r.Failed != "", r.Problem != "", r.Safe())
}

func verdict(failed, noticed, safe bool) Verdict {
	switch {
	case failed:
		return Undecided
	case safe && !noticed:
		return StillSafe
	case safe:
		return SafeNoticed
	case !noticed:
		return UnsafeHidden
	}
	return UnsafeNoticed
}

// killInputWord describes the kill input: does it show the switch?
var killInputWord = map[bool]string{false: "tells", true: "does not tell"}

// released is a FaultTable cell: nothing stays on.
const released = "released"

// faultHead is the first line of the table of faults.
var faultHead = []string{"part", "fault", "verdict", "heartbeat stays high", "heartbeat stays low", "kill switch opens",
	"V12_ARM", "V5_ARM", "while it runs", "live lamps", "kill input", "failed"}

// FaultTable writes rows as CSV. V12_ARM and V5_ARM are the most that is left in any of the ways, in volts.
func FaultTable(rows []FaultRow) string {
	list := [][]string{faultHead}
	for _, r := range rows {
		words := []string{r.Ref, r.Fault, string(r.Verdict())}
		var v12, v5 float64
		for way := range Ways() {
			if r.Failed != "" {
				words = append(words, "")
				continue
			}
			words = append(words, r.Residue[way].String())
			v12, v5 = max(v12, r.Residue[way].V12), max(v5, r.Residue[way].V5)
		}
		list = append(list, append(words, volts1(v12), volts1(v5), r.Problem, r.Indication, killInputWord[r.KillInputBlind],
			r.Failed))
	}
	return "# Single faults, each simulated by itself at the typical corner: go run ./hardware/gen -faults. Nothing was " +
		"measured on hardware.\n" + strings.TrimPrefix(writeCSV(list), generated)
}

// FaultLine is one parsed line of FaultTable, as far as it is needed.
type FaultLine struct {
	Ref, Fault, Problem, Indication string
	Verdict                         Verdict
	Ways                            []string // "released", or what stays
	V12, V5                         float64
	KillInputBlind                  bool
}

// ParseFaults parses FaultTable's output. A row whose verdict contradicts its other cells is an error.
func ParseFaults(text string) (list []FaultLine, err error) {
	table, err := readHeaded("faults", text, faultHead)
	if err != nil {
		return nil, err
	}
	for _, t := range table {
		l := FaultLine{Ref: t[0], Fault: t[1], Verdict: Verdict(t[2]), Ways: t[3:6], Problem: t[8], Indication: t[9],
			KillInputBlind: t[10] != killInputWord[false]}
		for i, to := range []*float64{&l.V12, &l.V5} {
			if *to, err = finite(t[6+i]); err != nil {
				return nil, fmt.Errorf("faults: %s %s: %w", l.Ref, l.Fault, err)
			}
		}
		switch {
		case t[10] != killInputWord[l.KillInputBlind]:
			return nil, fmt.Errorf("faults: %s %s: the kill input %q: write %q or %q", l.Ref, l.Fault, t[10],
				killInputWord[false], killInputWord[true])
		case l.Verdict != l.says(t[11]):
			return nil, fmt.Errorf("faults: %s %s: the verdict is %q, and the rest of the row says %q: make the table again",
				l.Ref, l.Fault, l.Verdict, l.says(t[11]))
		}
		list = append(list, l)
	}
	return list, nil
}

// says derives the verdict from a line's other cells. failed is why it could not be simulated.
func (l FaultLine) says(failed string) Verdict {
	stays := func(way string) bool { return way != released }
	return verdict(failed != "", l.Problem != "", !slices.ContainsFunc(l.Ways, stays))
}
