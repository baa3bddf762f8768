package calc

import (
	"errors"
	"fmt"

	"stillwater/internal/rig"
	"stillwater/internal/shot"
)

// dropKeys is one drop for scripts. Times count from Go.
type dropKeys struct {
	Valve      int     `json:"valve"`
	OpensMs    float64 `json:"opens_ms"`
	OpenMs     float64 `json:"open_ms"`
	VolumeUl   float64 `json:"volume_ul"`
	DiameterMm float64 `json:"diameter_mm"`
	StaysUl    float64 `json:"stays_ul"`          // on the tip, for the next drop to begin with
	FallsMs    float64 `json:"falls_ms"`          // it moves from then as if released at rest
	BeamMs     float64 `json:"beam_ms,omitempty"` // there is none if the valve alone starts the delay
	LandsMs    float64 `json:"lands_ms"`
	SpeedMS    float64 `json:"speed_m_s"`
}

// Drops says what drops on command do. Errors are those of shot.Set.Estimate; what they say to change works on the
// simulated board too, as the page has it.
func Drops(set shot.Set) (Answer, error) {
	e, err := set.Estimate()
	if no := new(shot.Refusal); errors.As(err, &no) {
		if _, _, onBoard := shot.Compile(set, rig.Bench()); errors.As(onBoard, &no) {
			err = onBoard
		}
	}
	if err != nil {
		return Answer{}, err
	}
	d, p := set.Drops, e.Drops
	lines := []string{e.Summary}
	var drops []dropKeys
	for i := range p.Count {
		x := p.Drops[i]
		keys := dropKeys{Valve: x.Valve, OpensMs: millis(x.On), OpenMs: millis(x.Open), VolumeUl: float64(x.Volume) * 1e9,
			DiameterMm: millimetres(x.Diameter), StaysUl: float64(x.Stays) * 1e9,
			FallsMs: millis(x.Falls), LandsMs: millis(x.Lands), SpeedMS: float64(x.Speed)}
		passes := ""
		if d.From == shot.FromBeam {
			keys.BeamMs = millis(x.Beam)
			passes = fmt.Sprintf("passes the beam at %.1f ms and ", keys.BeamMs)
		}
		drops = append(drops, keys)
		lines = append(lines, fmt.Sprintf("Drop %d: valve %d opens %.1f ms after Go for %.1f ms and lets out %.1f µl, a "+
			"drop of %.2f mm; it %slands at %.1f ms at %.2f m/s.", i+1, x.Valve, keys.OpensMs, keys.OpenMs, keys.VolumeUl,
			keys.DiameterMm, passes, keys.LandsMs, keys.SpeedMS))
	}
	keys := map[string]any{
		"drops": drops, "delay_ms": millis(e.Delay), "delay_low_ms": millis(e.Low), "delay_high_ms": millis(e.High),
		"delay_from": string(d.From), "moment_ms": millis(p.Moment + set.OwnTrim()), "band_percent": e.Within * 100,
		"liquid": d.Liquid, "pool_liquid": d.PoolLiquid, "want": string(d.Want),
		"extrapolated": e.Extrapolated, "bubble": e.Bubble,
	}
	if d.Want == shot.WantCollision {
		c, m := p.Column, p.Meeting
		lines = append(lines, fmt.Sprintf("The first drop's column emerges %.1f ms after it landed, is highest at "+
			"%.1f ms with "+
			"%.1f mm, and gone at %.1f ms; 8 of 10 are between %.1f and %.1f mm high. The two meet %.1f mm above the surface.",
			millis(c.Emerges), millis(c.Highest), millimetres(c.Height), millis(c.Gone), millimetres(c.Low), millimetres(c.High),
			millimetres(m.Height)))
		keys["gap_ms"], keys["meeting_ms"], keys["meeting_mm"] = millis(p.Drops[1].On-p.Drops[0].On), millis(m.At),
			millimetres(m.Height)
		keys["column_height_mm"], keys["column_low_mm"], keys["column_high_mm"] = millimetres(c.Height), millimetres(c.Low),
			millimetres(c.High)
		keys["column_emerges_ms"], keys["column_highest_ms"], keys["column_gone_ms"] = millis(c.Emerges), millis(c.Highest),
			millis(c.Gone)
		keys["sheet_widest_ms"] = millis(m.Widest)
	} else {
		keys["phase"] = string(d.Phase)
	}
	from := map[shot.ClockFrom]string{shot.FromBeam: "the beam", shot.FromValve: "Go"}[d.From]
	lines = append(lines, fmt.Sprintf("Delay from %s: %.1f ms; %s from %.1f to %.1f ms.", from, millis(e.Delay), inBand(e),
		millis(e.Low), millis(e.High)))
	a, err := answer(set, e, lines, keys)
	if err == nil && d.Want == shot.WantCollision {
		keys["meets_percent"] = a.budget.Meets * 100
	}
	return a, err
}
