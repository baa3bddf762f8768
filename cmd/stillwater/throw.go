package main

import (
	"context"
	"fmt"

	"stillwater/internal/phys"
	"stillwater/internal/shot"
)

// throw says when a throw that took interval through the gate passes the focus spot.
func (m *Main) throw(ctx context.Context, args []string) error {
	c := newCalculator("throw", "says how long after the second beam a throw passes the focus spot.", shot.Throw)
	t := &c.set.Throw
	interval := phys.Time(25e-3)
	c.text(&t.Gate, "gate", "throw.gate", "between the two beams, along the path", t.Gate)
	c.text(&t.ToFocus, "to-focus", "throw.to_focus", "level distance from the second beam to the focus spot", t.ToFocus)
	c.text(&t.Angle, "angle", "throw.angle", "of the path at the second beam, above level", t.Angle)
	c.text(&interval, "interval", "interval", "time from the first beam to the second", interval)
	c.text(&t.Mass, "mass", "throw.mass", "diameter of a sphere of the thrown liquid's volume", t.Mass)
	c.text(&t.AboveFloor, "above-floor", "throw.above_floor", "height of the second beam above the floor", t.AboveFloor)
	if err := c.parse(m, args); err != nil {
		return err
	}
	e, err := c.set.EstimateAt(interval)
	if err != nil {
		return c.explain(err)
	}
	keys := map[string]any{
		"delay_ms": millis(e.Delay), "delay_low_ms": millis(e.Low), "delay_high_ms": millis(e.High),
		"speed_m_s": metresPerSec(e.Speed), "focus_speed_m_s": metresPerSec(e.FocusSpeed),
		"focus_angle_deg": degreesOf(e.FocusAngle), "rise_mm": millimetres(e.Rise), "interval_ms": millis(e.Interval),
	}
	return c.answer(m, e, []string{e.Summary,
		fmt.Sprintf("Delay from the second beam: %.1f ms, one standard deviation from %.1f to %.1f ms.", millis(e.Delay),
			millis(e.Low), millis(e.High))}, keys)
}
