package main

import (
	"context"
	"errors"

	"stillwater/internal/calc"
	"stillwater/internal/shot"
)

// drops says what drops on command do: when valves open, when drops land and meet, and when the flash fires.
func (m *Main) drops(_ context.Context, args []string) error {
	c := newDrops()
	if err := c.parse(m, args); err != nil {
		return err
	}
	a, err := calc.Drops(c.set)
	return c.give(m, a, err)
}

func newDrops() *calculator {
	c := newCalculator("drops", "computes drops on command: when valves open, when drops land and meet, and the "+
		"flash's delay.",
		shot.Drops)
	d := &c.set.Drops
	c.word("count", "drops.count", "how many drops: 1, 2 or 3")
	c.text(&d.First.Open, "open", "drops.first.open", "how long the first opening is", d.First.Open)
	c.text(&d.Second.Open, "open2", "drops.second.open", "the second", d.Second.Open)
	c.text(&d.Third.Open, "open3", "drops.third.open", "the third", d.Third.Open)
	c.text(&d.Second.Gap, "gap", "drops.second.gap", "between the starts of the first two; 0 s: worked out for a "+
		"collision",
		d.Second.Gap)
	c.text(&d.Third.Gap, "gap3", "drops.third.gap", "between the starts of the last two", d.Third.Gap)
	c.text(&d.Height, "height", "drops.height", "from the tip down to the surface", d.Height)
	c.text(&d.Beam, "beam", "drops.beam", "from the tip down to the beam", d.Beam)
	c.word("from", "drops.from", "the delay runs from the \"beam\" or, without one, from the \"valve\"")
	c.text(&d.Tip, "tip", "drops.tip", "the tip's outer diameter", d.Tip)
	c.text(&d.Bore, "bore", "drops.bore", "the narrowest diameter of valve and tip", d.Bore)
	c.text(&d.Head, "head", "drops.head", "from the tip up to the liquid's surface, or to an air tube's lower end", d.Head)
	c.word("weighed", "drops.weighed", "what openings gave on a scale, in `WORDS`: \"20 drops 1.1 g at 24 ms\", several "+
		"with ;")
	c.word("liquid", "drops.liquid", "of the drops: one of "+calc.LiquidNames())
	c.word("pool-liquid", "drops.pool_liquid", "the pool's liquid: \""+shot.SameLiquid+"\" as the drops, or one of those")
	c.word("want", "drops.want", "a \"collision\" of the second drop with the first one's column, or a \"phase\" "+
		"of the last drop")
	c.word("phase", "drops.phase", "of the last drop: one of "+calc.PhaseNames())
	c.text(&d.Meet, "meet", "drops.meet", "collision: how far above the surface", d.Meet)
	c.word("column", "drops.column", "collision: the column is \"rising\" or \"sinking\" then")
	c.text(&d.ColumnHeight, "column-height", "drops.column_height", "of the first drop's column if measured; 0 m: "+
		"estimated",
		d.ColumnHeight)
	c.text(&d.ColumnTime, "column-time", "drops.column_time", "from contact until it is highest; 0 s: estimated",
		d.ColumnTime)
	c.word("sheet", "drops.sheet", "collision, the moment: \"contact\", \"opening\" or \"widest\"")
	return c
}

// word adds a flag for a field that is no quantity.
func (c *calculator) word(name, field, usage string) {
	c.flags.Func(name, usage, func(value string) error { return c.putField(field, value) })
	for _, v := range c.set.Values() {
		if v.Field == field {
			c.flags.Lookup(name).DefValue = v.Text
		}
	}
	c.flagOf[field] = name
}

// putField sets a field by a flag. An empty value, which some fields have when nothing is known, is a mistake there.
func (c *calculator) putField(field, value string) error {
	if value == "" {
		return errors.New("it is empty: leave the flag out")
	}
	return c.set.Put(field, value)
}
