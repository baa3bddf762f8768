package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"

	"stillwater/internal/config"
	"stillwater/internal/journal"
	"stillwater/internal/lateness/bench"
	"stillwater/internal/shot"
)

// latenessPlan is the plan of the latest session, or the one the flags describe.
func (m *Main) latenessPlan(ctx context.Context, o *latenessOptions, cfg config.Config) (bench.Plan, error) {
	set, from, err := m.latenessSet(ctx, o, cfg)
	if err != nil {
		return bench.Plan{}, err
	}
	for _, s := range o.sets {
		field, value, ok := strings.Cut(s, "=")
		if !ok {
			return bench.Plan{}, fmt.Errorf("%w: lateness: --set %q: write FIELD=VALUE, like throw.gate=10cm", errUsage, s)
		}
		if err := set.Put(field, value); err != nil {
			return bench.Plan{}, fmt.Errorf("%w: lateness: --set %s: %w", errUsage, s, err)
		}
		from = "as given"
	}
	plan, err := bench.NewPlan(set, from, cfg.Board.Late)
	if err != nil {
		return bench.Plan{}, fmt.Errorf("lateness: %w; give another with --plan and --set", err)
	}
	return plan, nil
}

// latenessSet is the set to begin with, and where it comes from.
func (m *Main) latenessSet(ctx context.Context, o *latenessOptions, cfg config.Config) (shot.Set, string, error) {
	switch kind := shot.Kind(o.kind); kind {
	case "":
		return m.latestSet(ctx, o, cfg)
	case shot.Drop, shot.Throw, shot.Sound, shot.Drops:
		set := shot.DefaultSet()
		set.Kind = kind
		return set, "the usual set", nil
	}
	return shot.Set{}, "", fmt.Errorf("%w: lateness: --plan %q: give drop, throw, sound or drops", errUsage, o.kind)
}

// latestSet is that of the latest session, or the usual one where there is no journal yet.
func (m *Main) latestSet(ctx context.Context, o *latenessOptions, cfg config.Config) (shot.Set, string, error) {
	path, err := journal.PathOr(cmp.Or(o.journal, cfg.Journal), m.Getenv)
	if err != nil { // no home, so nothing was recorded there
		set, from := bench.UsualSet()
		return set, from, nil
	}
	set, from, err := bench.LatestSet(ctx, path)
	switch {
	case errors.Is(err, journal.ErrNone) && o.journal == "":
		set, from = bench.UsualSet()
		return set, from, nil
	case err != nil:
		return set, "", fmt.Errorf("lateness: %w; or choose the plan to compare with by --plan", err)
	}
	return set, from, nil
}
