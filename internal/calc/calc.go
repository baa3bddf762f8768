// Package calc answers what a set will do, without a board: when a drop or a throw shows its moment, how long a sound
// takes, and how exact that is. An answer has lines for people, and keys with units for scripts.
package calc

import (
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"stillwater/internal/lighting"
	"stillwater/internal/phys"
	"stillwater/internal/realtime"
	"stillwater/internal/render"
	"stillwater/internal/sentence"
	"stillwater/internal/shot"
	"stillwater/internal/splash"
)

// Tick is the resolution that is computed with, as there is no board to ask: that of the Linux board.
const Tick = time.Second / realtime.TickHz

// Answer is what a set will do.
type Answer struct {
	lines  []string
	keys   map[string]any
	budget shot.Budget
	advice []string
}

// Drop says how long after the beam a drop shows its moment. Errors are those of shot.Set.Estimate.
func Drop(set shot.Set) (Answer, error) {
	e, err := set.Estimate()
	if err != nil {
		return Answer{}, err
	}
	d := set.Drop
	delay := fmt.Sprintf("Delay from the beam: %.1f ms", millis(e.Delay))
	if e.Within > 0 {
		delay += fmt.Sprintf("; %s from %.1f to %.1f ms", inBand(e), millis(e.Low), millis(e.High))
	}
	moment := fmt.Sprintf("%s means: %s.", spaced(d.Phase), d.Phase.Meaning())
	return answer(set, e, []string{e.Summary, delay + ".", moment}, map[string]any{
		"delay_ms": millis(e.Delay), "delay_low_ms": millis(e.Low), "delay_high_ms": millis(e.High),
		"edge_to_surface_ms": millis(e.EdgeToSurface), "speed_m_s": float64(e.Speed),
		"beam_speed_m_s": float64(e.BeamSpeed), "drop_diameter_mm": millimetres(e.Diameter),
		"height_mm": millimetres(d.Height), "beam_mm": millimetres(d.Beam), "phase": string(d.Phase),
		"phase_meaning": d.Phase.Meaning(), "liquid": d.Liquid, "pool_liquid": d.PoolLiquid,
		"extrapolated": e.Extrapolated, "bubble": e.Bubble, "band_percent": e.Within * 100,
	})
}

// spaced is a phase's name as the beginning of a sentence.
func spaced(p splash.Phase) string {
	return sentence.Capital(strings.ReplaceAll(string(p), "-", " "))
}

// inBand says how many first shots have their moment within the band of an estimate.
func inBand(e shot.Estimate) string { return fmt.Sprintf("%.0f of 10 first shots", e.Within*10) }

// Throw says how long after the second beam a throw that took interval through the gate passes the focus spot. Errors
// are those of shot.Set.EstimateAt.
func Throw(set shot.Set, interval phys.Time) (Answer, error) {
	e, err := set.EstimateAt(interval)
	if err != nil {
		return Answer{}, err
	}
	lines := []string{e.Summary, fmt.Sprintf("Delay from the second beam: %.1f ms; %s from %.1f to %.1f ms.",
		millis(e.Delay), inBand(e), millis(e.Low), millis(e.High))}
	return answer(set, e, lines, map[string]any{
		"delay_ms": millis(e.Delay), "delay_low_ms": millis(e.Low), "delay_high_ms": millis(e.High),
		"speed_m_s": float64(e.Speed), "focus_speed_m_s": float64(e.FocusSpeed),
		"focus_angle_deg": float64(e.FocusAngle) * 180 / math.Pi, "rise_mm": millimetres(e.Rise),
		"interval_ms": millis(e.Interval), "band_percent": e.Within * 100,
	})
}

// Sound says how long a sound takes to the microphone and, if a moment after the sound is wanted, how long the board
// then waits. Errors are those of shot.Set.Estimate, and one that says what to move when the moment comes too soon.
func Sound(set shot.Set, wanted bool) (Answer, error) {
	e, err := set.Estimate()
	if err != nil {
		return Answer{}, err
	}
	n := set.Sound
	if wanted && e.Delay < 0 {
		return Answer{}, tooSoon(n, e)
	}
	spread := shot.DefaultSpread()
	lines := []string{fmt.Sprintf("The sound takes %.2f ms to the microphone, at %.1f m/s in air of %v.", millis(e.Travel),
		e.Speed, n.Temperature), fmt.Sprintf("%s from %.2f to %.2f ms, as distance and temperature are known to %v and %v "+
		"(SD).", inBand(e), millis(e.TravelLow), millis(e.TravelHigh), spread.Distance, spread.Temperature)}
	keys := map[string]any{
		"delay_ms": millis(e.Travel), "delay_low_ms": millis(e.TravelLow), "delay_high_ms": millis(e.TravelHigh),
		"speed_m_s": float64(e.Speed), "distance_mm": millimetres(n.Distance), "temperature_c": float64(n.Temperature),
		"band_percent": e.Within * 100,
	}
	if wanted {
		keys["edge_to_moment_ms"], keys["after_ms"] = millis(e.Delay), millis(n.After)
		lines = append(lines, fmt.Sprintf("For a moment %v after the sound the board waits %.2f ms more.", n.After,
			millis(e.Delay)))
	}
	return answer(set, e, lines, keys)
}

// tooSoon says what would make the moment come after the sound is heard.
func tooSoon(n shot.SoundSet, e shot.Estimate) error {
	remedy := fmt.Sprintf("ask for a moment at least %.2f ms later", math.Ceil(-millis(e.Delay)*100)/100)
	if within := math.Floor(float64(e.Speed) * float64(n.After) * 1e3); within >= 10 {
		remedy = fmt.Sprintf("move the microphone to within %.0f mm, or %s", within, remedy)
	}
	return fmt.Errorf("%v after the sound it has not reached the microphone, which takes it %.2f ms: %s", n.After,
		millis(e.Travel), remedy)
}

// trimmedAway is the error of a trim that takes more than there is between edge and moment.
func trimmedAway(set shot.Set) error {
	field, plain := "trim."+string(set.Kind), set
	if err := plain.Put(field, "0 ms"); err != nil {
		return err
	}
	e, err := plain.Estimate()
	if err != nil {
		return err
	}
	return &shot.FieldError{Field: field,
		Why:    fmt.Sprintf("with %v the moment would come before what starts the delay", set.OwnTrim()),
		Remedy: fmt.Sprintf("use %.1f ms or more", math.Floor(-millis(e.Delay)*10+1)/10)}
}

// answer adds how exact it is, and what would make it more so.
func answer(set shot.Set, e shot.Estimate, lines []string, keys map[string]any) (Answer, error) {
	if e.Delay <= 0 && set.Kind != shot.Sound { // a sound's moment may be before it reaches the microphone
		return Answer{}, trimmedAway(set)
	}
	budget, err := shot.Errors(set, e, shot.DefaultSpread(), Tick)
	if err != nil {
		return Answer{}, err
	}
	advice, err := shot.Advice(set, e, shot.DefaultSpread(), Tick)
	if err != nil {
		return Answer{}, err
	}
	if set.Kind == shot.Throw { // of this very throw: slower ones that are accepted need not get there
		set.Throw.SpeedLow, set.Throw.SpeedHigh = e.Speed, e.Speed*1.05
	}
	light, err := lighting.Judge(set)
	if err != nil {
		return Answer{}, err
	}
	advice = append(advice, light.Budget()...)
	keys["summary"], keys["advice"] = e.Summary, advice
	keys["error_budget"] = termsOf(budget.Terms)
	keys["error_total"], keys["error_after_trim"] = termOf(budget.Total), termOf(budget.Repeat)
	return Answer{lines, keys, budget, advice}, nil
}

// JSON returns the answer for scripts.
func (a Answer) JSON() map[string]any { return a.keys }

// term is one contribution of the error budget, one standard deviation.
type term struct {
	Name        string  `json:"name"`
	SdMs        float64 `json:"sd_ms"`
	SdMm        float64 `json:"sd_mm"`
	Steady      bool    `json:"steady"`
	Compensated bool    `json:"compensated"`
	WithoutMs   float64 `json:"without_ms"`
}

func termOf(t shot.Term) term {
	return term{t.Label(), millis(t.Mistiming), millimetres(t.Displaced), t.Systematic, t.Compensated,
		millis(max(t.Uncompensated, t.Mistiming))}
}

func termsOf(terms []shot.Term) []term {
	all := make([]term, len(terms))
	for i, t := range terms {
		all[i] = termOf(t)
	}
	return all
}

// Write writes the answer for people.
func (a Answer) Write(w io.Writer) error {
	for _, l := range a.lines {
		fmt.Fprintln(w, l)
	}
	fmt.Fprintln(w)
	if err := a.writeBudget(w); err != nil {
		return err
	}
	for _, advice := range a.advice {
		fmt.Fprintf(w, "\n- %s", advice)
	}
	if _, err := fmt.Fprintln(w); err != nil {
		return fmt.Errorf("write the answer: %w", err)
	}
	return nil
}

func (a Answer) writeBudget(w io.Writer) error {
	var rows [][]string
	for _, t := range append(a.budget.Terms, a.budget.Total, a.budget.Repeat) {
		note := ""
		switch {
		case t.Compensated:
			note = fmt.Sprintf("compensated; %.2f ms otherwise", millis(t.Uncompensated))
		case t.Systematic:
			note = "the same each time: the trim takes it out"
		}
		moved := "-"
		if a.budget.Total.Displaced > 0 {
			moved = fmt.Sprintf("%.2f", millimetres(t.Displaced))
		}
		rows = append(rows, []string{t.Label(), fmt.Sprintf("%.3f", millis(t.Mistiming)), moved, note})
	}
	return render.Table(w, []string{"error (one standard deviation)", "ms", "mm", ""}, rows)
}

func millis(t phys.Time) float64        { return float64(t) * 1e3 }
func millimetres(l phys.Length) float64 { return float64(l) * 1e3 }
