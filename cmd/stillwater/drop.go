package main

import (
	"context"

	"stillwater/internal/calc"
	"stillwater/internal/shot"
)

// drop says when a drop that broke the beam shows the moment wanted.
func (m *Main) drop(_ context.Context, args []string) error {
	c := newDrop()
	if err := c.parse(m, args); err != nil {
		return err
	}
	a, err := calc.Drop(c.set)
	return c.give(m, a, err)
}

func newDrop() *calculator {
	c := newCalculator("drop", "computes how long after the beam a falling drop's splash shows the chosen phase.",
		shot.Drop)
	d := &c.set.Drop
	c.text(&d.Height, "height", "drop.height", "from the nozzle's tip down to the surface", d.Height)
	c.text(&d.Beam, "beam", "drop.beam", "from the nozzle's tip down to the beam", d.Beam)
	c.text(&d.Nozzle, "nozzle", "drop.nozzle", "the nozzle's outer diameter", d.Nozzle)
	c.text(&d.Diameter, "diameter", "drop.diameter",
		"the drop's diameter if measured; 0 m: computed from nozzle and liquid", d.Diameter)
	c.text(&d.PoolDepth, "pool", "drop.pool_depth", "the pool's depth", d.PoolDepth)
	c.flags.StringVar(&d.Liquid, "liquid", d.Liquid, "one of "+calc.LiquidNames())
	c.flags.StringVar(&d.PoolLiquid, "pool-liquid", d.PoolLiquid, "the pool's liquid: one of "+shot.SameLiquid+
		", "+calc.LiquidNames()+"; "+shot.SameLiquid+": the drop's")
	c.flags.StringVar((*string)(&d.Phase), "phase", string(d.Phase), "the moment: one of "+calc.PhaseNames())
	c.more = "The moments:\n\n" + calc.PhaseMeanings()
	c.flagOf["drop.liquid"], c.flagOf["drop.phase"], c.flagOf["drop.pool_liquid"] = "liquid", "phase", "pool-liquid"
	return c
}
