package main

import (
	"flag"
	"fmt"

	"stillwater/internal/rehearsal"
	"stillwater/internal/render"
	"stillwater/internal/shot"
)

// manyTries are the flags of a rehearsal of many tries.
type manyTries struct {
	asked rehearsal.Request
	json  bool
}

func (t *manyTries) define(flags *flag.FlagSet) {
	t.asked.Define(flags)
	flags.BoolVar(&t.json, "json", false, "with --tries or --sweep: write JSON, keys with units")
}

func (t *manyTries) run(m *Main, set shot.Set, seed uint64) error {
	t.asked.Set, t.asked.Seed = set, seed
	o, err := t.asked.Options()
	if err != nil {
		return fmt.Errorf("%w: rehearse: %w", errUsage, err)
	}
	answer, err := t.asked.Run(o)
	switch {
	case err != nil:
		return fmt.Errorf("rehearse: %w", err)
	case t.json:
		return render.JSON(m.Stdout, answer)
	}
	return answer.Write(m.Stdout)
}
