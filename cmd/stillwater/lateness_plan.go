package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"

	"stillwater/internal/config"
	"stillwater/internal/journal"
	"stillwater/internal/lateness"
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
	budget, err := latenessBudget(set)
	if err != nil {
		return bench.Plan{}, fmt.Errorf("lateness: the plan to judge by (%s) does not work: %w; give another with --plan "+
			"and --set", from, err)
	}
	plan := lateness.Plan{Name: "a " + string(set.Kind), Again: budget.Repeat.Mistiming.Duration(), Limit: cfg.Board.Late}
	return bench.Plan{Plan: plan, From: from}, nil
}

// latenessSet is the set to begin with, and where it comes from.
func (m *Main) latenessSet(ctx context.Context, o *latenessOptions, cfg config.Config) (shot.Set, string, error) {
	set := shot.DefaultSet()
	switch kind := shot.Kind(o.kind); kind {
	case "":
		return m.latestSet(ctx, o, cfg)
	case shot.Drop, shot.Throw, shot.Sound:
		set.Kind = kind
		return set, "the usual set", nil
	}
	return set, "", fmt.Errorf("%w: lateness: --plan %q: give drop, throw or sound", errUsage, o.kind)
}

// latestSet is that of the latest session, or the usual one where nothing is recorded yet.
func (m *Main) latestSet(ctx context.Context, o *latenessOptions, cfg config.Config) (
	set shot.Set, from string, err error,
) {
	set, from = shot.DefaultSet(), "the usual set, nothing is recorded yet"
	path, err := journal.PathOr(cmp.Or(o.journal, cfg.Journal), m.Getenv)
	if err != nil {
		return set, from, nil // no home, so nothing was recorded there
	}
	j, err := journal.OpenReadOnly(ctx, path)
	switch {
	case errors.Is(err, journal.ErrNone) && o.journal == "":
		return set, from, nil
	case err != nil:
		return set, "", fmt.Errorf("lateness: %w; or say what to judge by with --plan", err)
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	session, ok, err := j.LatestSession(ctx)
	if err != nil || !ok {
		return set, from, err
	}
	if set, err = shot.ParseSet(session.Set); err != nil {
		return set, "", fmt.Errorf("lateness: the set of session %d cannot be read: %w; say what to judge by with --plan",
			session.ID, err)
	}
	return set, "the latest session, " + session.Title(), nil
}

func latenessBudget(set shot.Set) (shot.Budget, error) {
	e, err := set.Estimate()
	if err != nil {
		return shot.Budget{}, err
	}
	return shot.Errors(set, e, shot.DefaultSpread(), calcTick)
}
