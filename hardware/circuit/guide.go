package circuit

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"stillwater/internal/care"
)

// step is one measurement while building: how, and the simulated measure that is expected.
type step struct{ number, how, deck, measure string }

// ofVIO are measures proportional to the controller's supply: they are shown as a fraction of it.
var ofVIO = []string{"kill_after", "v_rest", "v_threshold"}

// typicalVIO is the controller's supply at the typical corner, in volts.
const typicalVIO = 3.3

var steps = []step{
	{"2", "12 V in, 1 A drawn (a 12 ohm, 20 W resistor, which gets hot): V12_F to GND", "power", "v_load"},
	{"2", "5 V in: V5_F to GND", "power", "v_five"},
	{"2", "12 V in the wrong way round, limit 0.2 A, for a second: V12_F to GND stays at about nothing", "power",
		"v_reversed"},
	{"2", "24 V in, limit 0.2 A: V12_F to GND stays at about nothing", "power", "v_wrong"},
	{"3", "kill switch closed, VIO there: KILL to GND", "kill", "kill_before"},
	{"3", "kill switch pressed: KILL to GND", "kill", "kill_after"},
	{"4", "no heartbeat: V5_ARM and V12_ARM to GND", "guard_high", "dark_v5"},
	{"4", "across C9: the guard's reference", "guard_high", "reference"},
	{"4", "heartbeat on: U1 pin 2, which ripples", "guard_high", "hold"},
	{"4", "heartbeat on, a valve on: V12_ARM to GND", "guard_high", "v12_running"},
	{"4", "heartbeat on: V5_ARM to GND", "guard_high", "v5_running"},
	{"4", "heartbeat stopped at high: time until the valve is off (oscilloscope)", "guard_high", "off_valve"},
	{"4", "heartbeat stopped at low: time until the valve is off (oscilloscope)", "guard_low", "off_valve"},
	{"5", "channel on: current of the optocoupler's lamp (voltage across 560 ohm, divided by 560)", "camera", "i_led"},
	{"6", "valve on: VALVE1_D to GND", "valve", "drop"},
	{"6", "valve switched off: peak of VALVE1_D (oscilloscope)", "valve", "peak"},
	{"7", "sync contact closed: SYNC to GND falls to (oscilloscope)", "sync", "low"},
	{"8", "emitter's current (voltage across 100 ohm, divided by 100)", "beam", "i_emitter"},
	{"8", "aligned, trimmer set: GATE_SIG or BEAM_SIG to GND", "beam", "signal_gate"},
	{"8", "no light at the receiver: GATE or BEAM to GND", "beam_quiet", "dark_max"},
	{"9", "at rest: MIC_VM to GND", "microphone", "v_rest"},
	{"9", "trimmer in the middle: MIC_TH to GND", "microphone", "v_threshold"},
	{"10", "modulated board: GATE_D or BEAM_D to GND, aligned, trimmer set", "modulated", "envelope"},
	{"10", "modulated board: VB to GND", "modulated", "bias"},
	{"10", "modulated board: TH to GND", "modulated", "threshold"},
	{"11", "camera connected, contact closed: across it", "camera", "drop_focus"},
	{"12", "flash connected, contact closed: across it, 5 V unit", "flash", "drop_5"},
	{"12", "the same, unit of 24 V and 2 mA", "flash_limit", "drop"},
	{"12", "the second contact closed, 24 V and 2 mA: across it", "flash_second", "drop"},
}

// Cautions is the guide's list of cautions, from the one source.
func Cautions() string {
	var out strings.Builder
	for _, c := range care.Checklist() {
		out.WriteString("- " + c.Text + "\n")
	}
	return out.String()
}

// firstSteps are the measurements of the first build.
var firstSteps = []step{
	{"3", "5 V in, 3.3 V and the flash unit not connected: V5_F to GND", "first_flash", "v_five"},
	{"4", "kill switch released: V5_ARM to GND", "first_flash", "v_armed"},
	{"4", "kill switch released, 3.3 V at VIO: KILL to GND", "first_flash", "kill_closed"},
	{"4", "kill switch pressed: KILL to GND", "first_flash", "kill_open"},
	{"5", "emitter's current (voltage across R903, divided by 100)", "first_beam", "i_emitter_usual"},
	{"5", "set, a card between: across R904, least light that will do", "first_beam", "set_card_weak"},
	{"5", "set, a card between: across R904, usual parts 9 cm apart", "first_beam", "set_card_usual"},
	{"5", "set, a card between: across R904, most light that can be set", "first_beam", "set_card_strong"},
	{"5", "set, lit: BEAM to GND", "first_beam", "clear_level_usual"},
	{"5", "set, lit: LIGHT to GND", "first_beam", "lit_usual"},
	{"5", "set, a card between: BEAM to GND", "first_beam", "dark_level_usual"},
	{"6", "lead F at 3.3 V: current of the optocoupler's lamp (voltage across R908, divided by 560)",
		"first_flash", "i_led"},
}

// Expected is the guide's table of what to measure.
func Expected(rows []Row) (string, error) { return expectedTable(rows, steps) }

// ExpectedFirst is the same table for the first build.
func ExpectedFirst(rows []Row) (string, error) { return expectedTable(rows, firstSteps) }

func expectedTable(rows []Row, steps []step) (string, error) {
	var out strings.Builder
	out.WriteString("| step | measure | expect, simulated |\n|---|---|---|\n")
	for _, s := range steps {
		i := slices.IndexFunc(rows, func(r Row) bool { return r.Deck == s.deck && r.Measure == s.measure })
		if i < 0 {
			return "", fmt.Errorf("the guide's step %s: deck %s has no measure %s", s.number, s.deck, s.measure)
		}
		fmt.Fprintf(&out, "| %s | %s | %s |\n", s.number, s.how, rows[i].expect())
	}
	return out.String(), nil
}

// The error of a hobbyist's meter: a fraction of the reading, and volts.
const meterTolerance, meterOffset = 0.01, 0.02

// expect is the reading to expect on a meter: the limit where there is one on one side only, else the range over the
// corners, widened by the meter's error.
func (r Row) expect() string {
	scale, unit, off := 1.0, r.Unit, 0.0
	switch unit {
	case "V":
		off = meterOffset
	case "s", "A":
		scale, unit = 1e3, "m"+unit
	}
	switch {
	case r.Unit == "1": // of VIO, as it is
		return fmt.Sprintf("%.2f of VIO", r.Typical)
	case slices.Contains(ofVIO, r.Measure):
		return fmt.Sprintf("%.2f of VIO", r.Typical/typicalVIO)
	case math.IsInf(r.Low, -1):
		return fmt.Sprintf("below %.3g %s", r.High*scale, unit)
	case math.IsInf(r.High, 1):
		return fmt.Sprintf("above %.3g %s", r.Low*scale, unit)
	}
	return fmt.Sprintf("%.3g %s (%.3g to %.3g)", r.Typical*scale, unit, (r.Least*(1-meterTolerance)-off)*scale,
		(r.Most*(1+meterTolerance)+off)*scale)
}

// The light of the modulated beams' deck in uA, and the parts of it that drops take, in percent.
var (
	lights     = []int{5, 12, 18, 30, 40, 200}
	occlusions = []int{15, 30, 60}
)

// Occlusions is the table of what the modulated beams see.
func Occlusions(rows []Row) (string, error) {
	const deck = "modulated_range"
	var out strings.Builder
	out.WriteString("| light | 15 % taken | 30 % taken | 60 % taken | delay at 30 % |\n|---|---|---|---|---|\n")
	for _, light := range lights {
		fmt.Fprintf(&out, "| %d uA |", light)
		row := func(measure string) (Row, error) {
			name := fmt.Sprintf("%s_%d", measure, light)
			i := slices.IndexFunc(rows, func(r Row) bool { return r.Deck == deck && r.Measure == name })
			if i < 0 {
				return Row{}, fmt.Errorf("deck %s has no measure %s", deck, name)
			}
			return rows[i], nil
		}
		for _, part := range occlusions {
			r, err := row(fmt.Sprint("seen", part))
			if err != nil {
				return "", err
			}
			const low = 0.4 // V: the output of a beam that is broken
			switch {
			case r.Most < low:
				out.WriteString(" seen at all corners |")
			case r.Typical < low:
				out.WriteString(" seen at the typical corner, not at every one |")
			default:
				out.WriteString(" not seen |")
			}
		}
		r, err := row("delay30")
		if err != nil {
			return "", err
		}
		fmt.Fprintf(&out, " %.0f us (%.0f to %.0f) |\n", r.Typical*1e6, r.Least*1e6, r.Most*1e6)
	}
	return out.String(), nil
}

const endMark = "<!-- end -->"

// Fill replaces what is between the lines "<!-- name -->" and "<!-- end -->" of a page.
func Fill(page, name, text string) (string, error) {
	head, rest, found := strings.Cut(page, "<!-- "+name+" -->\n")
	_, tail, ended := strings.Cut(rest, endMark)
	switch {
	case strings.Contains(text, endMark):
		return "", fmt.Errorf("what is to be put into the page for %s has the mark %s in it: leave it out", name, endMark)
	case !found || !ended:
		return "", fmt.Errorf("the page has no place for %s: write <!-- %s --> and %s on lines of their own", name,
			name, endMark)
	}
	return head + "<!-- " + name + " -->\n" + text + endMark + tail, nil
}
