package main

import (
	"context"

	"stillwater/internal/calc"
	"stillwater/internal/phys"
	"stillwater/internal/shot"
)

// throw says when a throw that took interval through the gate passes the focus spot.
func (m *Main) throw(_ context.Context, args []string) error {
	c := newThrow()
	if err := c.parse(m, args); err != nil {
		return err
	}
	a, err := calc.Throw(c.set, c.interval)
	return c.give(m, a, err)
}

func newThrow() *calculator {
	c := newCalculator("throw", "computes how long after the second beam a throw passes the focus spot.", shot.Throw)
	t := &c.set.Throw
	c.text(&t.Gate, "gate", "throw.gate", "distance between the two beams, along the path", t.Gate)
	c.text(&t.ToFocus, "to-focus", "throw.to_focus",
		"horizontal distance from the second beam to the focus spot", t.ToFocus)
	c.text(&t.Angle, "angle", "throw.angle", "of the path at the second beam, above the horizontal", t.Angle)
	c.text(&c.interval, "interval", "interval", "time from the first beam to the second", phys.Time(45e-3))
	c.text(&t.Mass, "mass", "throw.mass", "diameter of a sphere of the thrown liquid's volume", t.Mass)
	c.text(&t.Thickness, "thickness", "throw.thickness",
		"of a sheet that is thrown; 0 for a mass that keeps together", t.Thickness)
	c.text(&t.Edge, "edge", "throw.edge",
		"how ragged its leading edge is (standard deviation), as a dry run measured; 0: 3 mm assumed", t.Edge)
	c.text(&t.AboveFloor, "above-floor", "throw.above_floor", "height of the second beam above the floor", t.AboveFloor)
	return c
}
