package rehearsal

import (
	"fmt"
	"io"

	"stillwater/internal/phys"
	"stillwater/internal/shot"
)

// Report is a Result for a program: keys with units.
type Report struct {
	Set            shot.Kind     `json:"set"`
	Method         Method        `json:"method"`
	Seed           uint64        `json:"seed"`
	Room           string        `json:"room"`
	Tries          int           `json:"tries"`
	Pictures       int           `json:"pictures"`
	Within15mm     float64       `json:"share_within_15mm"`
	InTime         float64       `json:"share_within_15mm_along_the_path"`
	Good           float64       `json:"share_good"`
	Clean          int           `json:"pictures_without_droplets_ahead"` // what follows is of these
	CleanPlace     float64       `json:"share_of_these_within_15mm"`
	SpreadMs       float64       `json:"spread_ms"`
	SpreadMm       float64       `json:"spread_mm"`
	HeightMm       float64       `json:"height_sd_mm"`
	BudgetMs       *float64      `json:"budget_ms"` // null: the plan has no budget for this method
	Agreement      *float64      `json:"spread_over_budget"`
	PredictedShare *float64      `json:"predicted_share_within_15mm"`
	TrimMs         float64       `json:"trim_ms"`
	Learned        int           `json:"trim_found_in_tries"`
	GateMm         *float64      `json:"gate_mm"` // of a throw
	ToFocusMm      *float64      `json:"to_focus_mm"`
	BeamMm         *float64      `json:"beam_height_mm"` // of a beam's light
	Better         *BetterReport `json:"better"`         // null: no better places are known
	Assumes        []string      `json:"assumes"`

	write func(io.Writer) error // in words
}

// BetterReport is where the beams would be better.
type BetterReport struct {
	GateMm    float64 `json:"gate_mm"`
	ToFocusMm float64 `json:"to_focus_mm"`
	BeamMm    float64 `json:"beam_height_mm"`
	Share     float64 `json:"predicted_share_within_15mm"`
}

// Report is the result for a program.
func (r Result) Report(o Options) Report {
	p := Report{Set: r.Set.Kind, Method: o.Method, Seed: o.Seed, Room: r.Room, Tries: r.Tries, Pictures: r.Pictures,
		Within15mm: r.InPlace, InTime: r.InTime, Good: r.Good, Clean: r.Clean,
		CleanPlace: r.CleanPlace, SpreadMs: phys.Milliseconds(r.Spread), SpreadMm: inMm(r.SpreadLong),
		HeightMm: inMm(r.Height), TrimMs: phys.Milliseconds(r.Trim), Learned: r.Learned, Assumes: assumptions(o)}
	if r.Budget > 0 {
		budget, agreement := phys.Milliseconds(r.Budget), r.Agreement()
		p.BudgetMs, p.Agreement = &budget, &agreement
	}
	if r.Set.Kind == shot.Throw {
		gate, focus, beam := inMm(r.Set.Throw.Gate), inMm(r.Set.Throw.ToFocus), inMm(r.Set.Throw.BeamHigh())
		p.GateMm, p.ToFocusMm, p.BeamMm = &gate, &focus, &beam
		if r.Predicted > 0 {
			p.PredictedShare = &r.Predicted
		}
	}
	if r.Better != nil {
		t := r.Better.Set.Throw
		p.Better = &BetterReport{inMm(t.Gate), inMm(t.ToFocus), inMm(t.BeamHigh()), r.Better.Share}
	}
	return p
}

func inMm(l phys.Length) float64 { return float64(l) * 1e3 }

func assumptions(o Options) []string {
	list := []string{"a simulated room, no real hardware"}
	if o.Set.Kind == shot.Throw {
		list = append(list, "throws that vary by 8 % in speed and 3.6° in angle (SD), as thrown balls do; ragged edges of "+
			"3 mm (SD), assumed")
	}
	if o.Method == Hand {
		return append(list, fmt.Sprintf("a person who sees it coming presses within %.0f ms (SD), a steady error corrected",
			phys.Milliseconds(handSD)))
	}
	if o.Set.Kind == shot.Throw {
		return append(list, "one in ten passes of a beam has a droplet ahead of the sheet that breaks light 3 mm high, of "+
			"which half has to be dark; one in fifty is not seen",
			fmt.Sprintf("the trim is found first, in %d pictures in which the throw is measured to %.0f mm (SD)", learningTries,
				measuredSD*1e3))
	}
	return append(list, fmt.Sprintf("the trim is found first, by %d verdicts of the room's person", learningTries))
}

// Write writes the result in words.
func (r Result) Write(w io.Writer, o Options) error {
	lines := []string{fmt.Sprintf("%d tries, %d pictures, room %s, seed %d.", r.Tries, r.Pictures, r.Room, o.Seed),
		fmt.Sprintf("Within 15 mm of the focus spot: %.1f %%; along the path alone, which is the timing's: %.1f %%.",
			r.InPlace*100, r.InTime*100),
		fmt.Sprintf("Called good: %.1f %%.", r.Good*100),
	}
	if r.Clean < r.Pictures {
		lines = append(lines, fmt.Sprintf("In %d of the pictures a droplet ahead of the sheet broke a beam, or a beam was "+
			"late to notice. Of the other %d "+
			"%.1f %% are within 15 mm; what follows is of these.", r.Pictures-r.Clean, r.Clean, r.CleanPlace*100))
	}
	lines = append(lines, fmt.Sprintf("Spread: %.1f ms, in which the liquid moves %.1f mm (SD).",
		phys.Milliseconds(r.Spread), inMm(r.SpreadLong)))
	if r.Set.Kind == shot.Throw {
		lines = append(lines, fmt.Sprintf("The path passes above or below the spot by %.1f mm (SD), which no timing "+
			"corrects.", inMm(r.Height)))
	}
	if r.Budget > 0 {
		lines = append(lines, fmt.Sprintf("The error budget has %.1f ms: the spread is %.2f of that.",
			phys.Milliseconds(r.Budget), r.Agreement()))
	}
	if r.Learned > 0 {
		lines = append(lines, fmt.Sprintf("Trim: %.1f ms, found in %d judged tries before these.",
			phys.Milliseconds(r.Trim), r.Learned))
	}
	if r.Better != nil {
		t := r.Better.Set.Throw
		lines = append(lines, fmt.Sprintf("Better: %v between the beams and the second %v before the focus spot, their "+
			"light %.0f mm high against droplets, the shutter open beforehand; about %.0f of 100 would be within 15 mm then.",
			t.Gate, t.ToFocus, inMm(t.BeamHigh()), r.Better.Share*100))
	}
	for _, a := range assumptions(o) {
		lines = append(lines, "Assumed: "+a+".")
	}
	for _, line := range lines {
		if _, err := fmt.Fprintln(w, line); err != nil {
			return err
		}
	}
	return nil
}
