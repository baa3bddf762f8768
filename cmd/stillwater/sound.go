package main

import (
	"context"
	"flag"

	"stillwater/internal/calc"
	"stillwater/internal/phys"
	"stillwater/internal/shot"
)

// sound says how long a sound takes to reach the microphone and, with --after, how long the board then waits.
func (m *Main) sound(_ context.Context, args []string) error {
	c := newSound()
	if err := c.parse(m, args); err != nil {
		return err
	}
	wanted := c.set.Sound.After != 0
	c.flags.Visit(func(f *flag.Flag) { wanted = wanted || f.Name == "after" })
	a, err := calc.Sound(c.set, wanted)
	return c.give(m, a, err)
}

func newSound() *calculator {
	c := newCalculator("sound", "computes how long a sound takes to reach the microphone.", shot.Sound)
	n := &c.set.Sound
	n.After = 0
	c.text(&n.Distance, "distance", "sound.distance", "from the sound to the microphone", n.Distance)
	c.text(&n.Temperature, "temperature", "sound.temperature", "air temperature", n.Temperature)
	c.text(&n.After, "after", "sound.after", "from the sound to the moment wanted", phys.Time(0))
	return c
}
