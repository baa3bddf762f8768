package calc

import (
	"fmt"
	"io"
	"math"

	"stillwater/internal/lighting"
	"stillwater/internal/optics"
	"stillwater/internal/phys"
	"stillwater/internal/render"
	"stillwater/internal/shot"
)

// LightAnswer is what a set's light, focus and framing come to.
type LightAnswer struct{ report lighting.Report }

// Light judges a set's light, focus and framing. Errors are those of shot.Set.Estimate.
func Light(set shot.Set) (LightAnswer, error) {
	r, err := lighting.Judge(set)
	return LightAnswer{r}, err
}

// Report is what the answer was made from, to be drawn.
func (a LightAnswer) Report() lighting.Report { return a.report }

// LightField is a field of the set that a command line gives by a name of its own.
type LightField struct{ Name, Field, Usage string }

// LightFields lists those that light, focus and framing ask for most.
func LightFields() []LightField {
	return []LightField{
		{"aperture", "camera.aperture", "the `F-NUMBER`"},
		{"iso", "camera.iso", "the camera's `SPEED`"},
		{"shutter", "camera.shutter", "shutter `TIME` on the dial; B: as long as it is held"},
		{"focal", "camera.focal", "the lens's focal `LENGTH`"},
		{"distance", "camera.distance", "`LENGTH` from the middle of the lens to the focus spot"},
		{"print", "camera.print", "width (a `LENGTH`) of the print that is to be sharp"},
		{"guide", "flash.guide", "the flash's guide number, a `LENGTH` at ISO 100; 0 m: not known"},
		{"power", "flash.power", "the flash's power, a `FRACTION`"},
		{"flash-distance", "flash.distance", "`LENGTH` from the flash to the focus spot"},
		{"others", "flash.others", "flashes unlike the first: a `LIST` like 28 m, 1/16, 60 cm, 1/4000 s; 20 m, full, 1 m"},
		{"reading", "flash.reading", "a flash meter's reading at the focus spot, an `F-NUMBER`"},
		{"duration", "flash.duration", "`TIME` of its light at full power, above half its peak; 0 s: not known"},
		{"background", "background.seen", "how bright the background is in the frame, a `LEVEL` like 80%"},
	}
}

// lightStep is a step as it is written in JSON.
type lightStep struct {
	ID      string           `json:"id"`
	Title   string           `json:"title"`
	Do      string           `json:"do"`
	Expect  string           `json:"expect"`
	Verdict lighting.Verdict `json:"verdict"`
	Waits   bool             `json:"waits"` // nothing that was typed says that it is done
	Says    string           `json:"says"`
	Next    string           `json:"next"`
	Fixes   []fix            `json:"fixes"`
}

// ghost is a flash that is lit for longer than the light that counts, as it is written in JSON.
type ghost struct {
	Flash      int     `json:"flash"` // 1 the first
	UnderStops float64 `json:"under_stops"`
	TenthUs    any     `json:"t_tenth_us"` // null: not known
}

// fix is a change of the set as it is written in JSON.
type fix struct {
	Field string `json:"field"`
	Value string `json:"value"`
}

// JSON returns the answer for scripts; what is not known, or has no end, is null.
func (a LightAnswer) JSON() map[string]any {
	r, l := a.report, a.report.Light
	steps := []lightStep{}
	for _, s := range r.Steps {
		step := lightStep{s.ID, s.Title, s.Do, s.Expect, s.Verdict, s.Waits, s.Says, s.Next, []fix{}}
		for _, f := range s.Fixes {
			step.Fixes = append(step.Fixes, fix{f.Field, f.Value})
		}
		steps = append(steps, step)
	}
	keys := map[string]any{
		"steps": steps, "common_practice": lighting.PracticeWords, "liquid": r.Liquid.Name, "index": r.Liquid.Index,
		"open_ms": millis(r.Open), "margin_stops": number(float64(r.Margin)), "longest_open_ms": number(millis(r.Longest)),
		"key_stops": known(l.KeyKnown, float64(l.Key)), "room_stops": known(l.RoomKnown, float64(l.Room)),
		"background_stops":   known(l.BackgroundKnown, float64(l.Background)),
		"background_percent": known(l.BackgroundKnown, float64(r.Level)*100),
		"lower_by_stops":     known(l.BackgroundKnown, float64(r.LowerBy)),
		"t_half_us":          known(l.PulseKnown, micros(l.Pulse.Half)),
		"t_tenth_us":         known(l.PulseKnown, micros(l.Pulse.Tenth)),
		"speed_m_s":          known(r.Subject.Fastest > 0, float64(r.Subject.Speed)),
		"fastest_m_s":        known(r.Subject.Fastest > 0, float64(r.Subject.Fastest)),
	}
	ghosts := []ghost{}
	for _, g := range l.Ghosts {
		lasts := known(g.Pulse != optics.LightPulse{}, micros(g.Pulse.Tenth))
		ghosts = append(ghosts, ghost{g.Unit + 1, float64(g.Under()), lasts})
	}
	keys["ghosts"] = ghosts
	a.addPicture(keys)
	return keys
}

// addPicture adds blur, depth, frame and edges.
func (a LightAnswer) addPicture(keys map[string]any) {
	r, l := a.report, a.report.Light
	blur := r.BlurKnown()
	b, size := r.Set.Background, r.Subject.Size > 0
	for key, value := range map[string]any{
		"blur_mm": known(blur, millimetres(r.Blur.Subject)), "blur_px": known(blur, r.Blur.Pixels),
		"blur_print_mm": known(blur, millimetres(r.Blur.Print)), "blur_screen_px": known(blur, r.Blur.Screen),
		"sharp_blur_mm": millimetres(r.SharpBlur), "circle_um": float64(r.Circle) * 1e6,
		"airy_um":       float64(l.Lens.Airy()) * 1e6,
		"magnification": l.Lens.Magnification(), "near_mm": millimetres(r.Near), "far_mm": number(millimetres(r.Far)),
		"hyperfocal_mm": millimetres(l.Lens.Hyperfocal(r.Circle)), "depth_sd_mm": known(size, millimetres(r.DepthSD)),
		"in_depth_percent": known(size, r.InDepth*100), "best_f_number": known(size, float64(r.Best)),
		"field_mm": millimetres(r.Wide), "field_high_mm": millimetres(r.High),
		"size_mm": known(size, millimetres(r.Subject.Size)), "tall_mm": known(size, millimetres(r.Subject.Tall)),
		"tallest_mm": known(size, millimetres(r.Tallest())), "in_frame_percent": known(size, r.InFrame*100),
		"rim_percent": r.Rim * 100, "black_from_deg": degrees(r.Black.From), "black_to_deg": degrees(r.Black.To),
		"black_gap_mm":    millimetres(r.Black.GapBehind(b.Distance)),
		"black_beside_mm": millimetres(r.Black.WidthBeside(r.Black.GapBehind(b.Distance) / 2)),
	} {
		keys[key] = value
	}
}

// known is a number, or nil where it is not known.
func known(is bool, x float64) any {
	if !is {
		return nil
	}
	return number(x)
}

// number is nil for a number without end.
func number(x float64) any {
	if math.IsInf(x, 0) || math.IsNaN(x) {
		return nil
	}
	return x
}

func micros(t phys.Time) float64 { return float64(t) * 1e6 }

func degrees(a phys.Angle) float64 { return float64(a) * 180 / math.Pi }

// signs mark verdicts for a reader in a hurry.
var signs = map[lighting.Verdict]string{lighting.Works: "works", lighting.Caution: "works, at a cost",
	lighting.Change: "to be changed", lighting.Unknown: "not known yet"}

// Write writes the answer for people.
func (a LightAnswer) Write(w io.Writer) error {
	for i, s := range a.report.Steps {
		sign := signs[s.Verdict]
		if s.Waits && s.Verdict == lighting.Works {
			sign = "works, once it is done"
		}
		fmt.Fprintf(w, "%d. %s: %s\n   %s\n   Expect: %s\n   %s\n", i+1, s.Title, sign, s.Do, s.Expect, s.Says)
		if s.Next != "" {
			fmt.Fprintf(w, "   Next: %s\n", s.Next)
		}
		fmt.Fprintln(w)
	}
	if err := a.writeFigures(w); err != nil {
		return err
	}
	if _, err := fmt.Fprintf(w, "\n%s\n", lighting.PracticeWords); err != nil {
		return fmt.Errorf("write the answer: %w", err)
	}
	return nil
}

func (a LightAnswer) writeFigures(w io.Writer) error {
	r, l := a.report, a.report.Light
	rows := [][]string{{"shutter open", r.Open.String(), ""}}
	row := func(is bool, name, value, note string) {
		if is {
			rows = append(rows, []string{name, value, note})
		}
	}
	row(l.KeyKnown, "flash, from white", fmt.Sprintf("%+.1f stops", float64(l.Key)), "")
	row(l.RoomKnown, "room, from white", fmt.Sprintf("%+.1f stops", float64(l.Room)), "")
	note := "t0.1 counts for blur"
	if l.PulseIdeal {
		note += "; worked out as of an ideal decay, real units differ"
	}
	row(l.PulseKnown, "light, t0.5 and t0.1", fmt.Sprintf("%.0f and %.0f µs", micros(l.Pulse.Half),
		micros(l.Pulse.Tenth)), note)
	if exact := optics.ExactFNumber(r.Set.Camera.Aperture); math.Abs(float64(exact-r.Set.Camera.Aperture)) > 0.005 {
		row(true, "aperture", r.Set.Camera.Aperture.String(), fmt.Sprintf("counted as f/%.2f, which the mark stands for",
			float64(exact)))
	}
	row(r.BlurKnown(), "blur", fmt.Sprintf("%.2f mm, %.1f pixels", millimetres(r.Blur.Subject), r.Blur.Pixels),
		fmt.Sprintf("%.2f mm on the print, %.1f pixels of a screen %d wide", millimetres(r.Blur.Print), r.Blur.Screen, 1920))
	inMicrons := func(x phys.Length) string { return fmt.Sprintf("%.0f µm", float64(x)*1e6) }
	row(true, "circle of confusion", inMicrons(r.Circle), "0.2 mm on the print: common practice, no source")
	row(true, "diffraction disc", inMicrons(l.Lens.Airy()), "to the first dark ring, 555 nm")
	row(true, "frame", fmt.Sprintf("%.0f x %.0f mm", millimetres(r.Wide), millimetres(r.High)), "")
	row(r.Liquid.Clear, "black beside", fmt.Sprintf("%.0f to %.0f degrees", degrees(r.Black.From), degrees(r.Black.To)),
		"from straight behind the spot")
	return render.Table(w, []string{"figure", "value", ""}, rows)
}
