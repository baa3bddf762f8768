package main

import (
	"flag"
	"fmt"
	"slices"

	"stillwater/internal/rehearsal"
	"stillwater/internal/render"
	"stillwater/internal/shot"
)

// manyTries are the flags of a rehearsal of many tries.
type manyTries struct {
	tries           int
	method, placing string
	json, own       bool // own: the set is the person's
}

func newManyTries(flags *flag.FlagSet) *manyTries {
	t := &manyTries{}
	flags.IntVar(&t.tries, "tries", 0, "how many tries to make and sum up")
	flags.StringVar(&t.method, "method", string(rehearsal.Gates),
		"of the tries: gates (the set's beams), one-beam (a fixed delay after a throw's second) or hand (a person's remote)")
	flags.StringVar(&t.placing, "placing", string(rehearsal.Well),
		"of a throw's beams: well, or beginner (as in the standard set); a set that is given has its own")
	flags.BoolVar(&t.json, "json", false, "of the tries: write JSON, keys with units")
	return t
}

// maxTriesRehearsed takes minutes on a small board.
const maxTriesRehearsed = 100_000

func (t *manyTries) run(m *Main, set shot.Set, seed uint64) error {
	method, placing := rehearsal.Method(t.method), rehearsal.Placing(t.placing)
	switch {
	case t.tries < 0 || t.tries > maxTriesRehearsed:
		return fmt.Errorf("%w: rehearse: --tries %d: use 1 to %d", errUsage, t.tries, maxTriesRehearsed)
	case !slices.Contains(rehearsal.Methods(), method):
		return fmt.Errorf("%w: rehearse: --method %s: use gates, one-beam or hand", errUsage, method)
	case !slices.Contains(rehearsal.Placings(), placing):
		return fmt.Errorf("%w: rehearse: --placing %s: use well or beginner", errUsage, placing)
	}
	if !t.own {
		var err error
		if set, err = rehearsal.Placed(set.Kind, placing); err != nil {
			return fmt.Errorf("rehearse: %w", err)
		}
	}
	o := rehearsal.Options{Set: set, Method: method, Tries: t.tries, Seed: seed}
	r, err := rehearsal.Run(o)
	switch {
	case err != nil:
		return fmt.Errorf("rehearse: %w", err)
	case t.json:
		return render.JSON(m.Stdout, r.Report(o))
	}
	return r.Write(m.Stdout, o)
}
