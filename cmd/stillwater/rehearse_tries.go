package main

import (
	"flag"
	"fmt"
	"io"

	"stillwater/internal/rehearsal"
	"stillwater/internal/render"
	"stillwater/internal/scene"
	"stillwater/internal/shot"
	"stillwater/internal/tuning"
)

// manyTries are the flags of a rehearsal of many tries.
type manyTries struct {
	asked    rehearsal.Asked
	json     bool
	sweep    *tuning.Sweep // nil: none
	shuffled bool
}

func newManyTries(flags *flag.FlagSet) *manyTries {
	t := &manyTries{}
	flags.IntVar(&t.asked.Tries, "tries", 0, "how many tries to make and sum up")
	flags.StringVar(&t.asked.Method, "method", string(rehearsal.Gates),
		"of the tries: gates (the set's beams), one-beam (a fixed delay after a throw's second) or hand (a person's remote)")
	flags.StringVar(&t.asked.Placing, "placing", string(rehearsal.Well),
		"of a throw's beams: well, or beginner (as in the standard set); a set that is given has its own")
	flags.StringVar(&t.asked.Room, "room", scene.UsualPreset, "the `ROOM`, from easy to hard: still, kitchen, squall")
	flags.Func("sweep", "instead of --tries, each trim: `FROM,TO,STEP,EACH`, like -20ms,20ms,5ms,4",
		func(text string) error {
			sweep, err := rehearsal.ParseSweep(text)
			t.sweep = &sweep
			return err
		})
	flags.BoolVar(&t.shuffled, "shuffled", false, "of the sweep: the trims in any order")
	flags.BoolVar(&t.json, "json", false, "of the tries: write JSON, keys with units")
	return t
}

func (t *manyTries) run(m *Main, set shot.Set, seed uint64) error {
	t.asked.Set, t.asked.Seed = set, seed
	o, err := t.asked.Options()
	if err != nil {
		return fmt.Errorf("%w: rehearse: %w", errUsage, err)
	}
	var result interface{ Write(io.Writer) error }
	if t.sweep == nil {
		result, err = rehearsal.RunReport(o)
	} else {
		result, err = rehearsal.RunSweep(o, *t.sweep, t.shuffled)
	}
	switch {
	case err != nil:
		return fmt.Errorf("rehearse: %w", err)
	case t.json:
		return render.JSON(m.Stdout, result)
	}
	return result.Write(m.Stdout)
}
