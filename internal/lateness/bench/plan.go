package bench

import (
	"context"
	"errors"
	"fmt"
	"time"

	"stillwater/internal/journal"
	"stillwater/internal/lateness"
	"stillwater/internal/realtime"
	"stillwater/internal/shot"
)

// tick is the resolution that a plan is taken to have, that of the Linux board.
const tick = time.Second / realtime.TickHz

// NewPlan returns the plan of a set; from says where the set comes from. A cue that is later than limit is not fired.
func NewPlan(set shot.Set, from string, limit time.Duration) (Plan, error) {
	e, err := set.Estimate()
	if err != nil {
		return Plan{}, fmt.Errorf("the plan to compare with (%s) does not work: %w", from, err)
	}
	budget, err := shot.Errors(set, e, shot.DefaultSpread(), tick)
	if err != nil {
		return Plan{}, fmt.Errorf("the plan to compare with (%s) does not work: %w", from, err)
	}
	return Plan{lateness.Plan{Name: "a " + string(set.Kind), Repeat: budget.Repeat.Mistiming.Duration(), Limit: limit},
		from}, nil
}

// LatestSet is the set of the latest session in a journal, and where it comes from; the usual set while nothing is
// recorded in it. Without the file the error is journal.ErrNone.
func LatestSet(ctx context.Context, path string) (set shot.Set, from string, err error) {
	j, err := journal.OpenReadOnly(ctx, path)
	if err != nil {
		return set, "", err
	}
	defer func() { err = errors.Join(err, j.Close()) }()
	session, ok, err := j.LatestSession(ctx)
	if err != nil {
		return set, "", err
	}
	if !ok {
		set, from = UsualSet()
		return set, from, nil
	}
	if set, err = shot.ParseSet(session.Set); err != nil {
		return set, "", fmt.Errorf("the set of session %d cannot be read: %w", session.ID, err)
	}
	return set, "the latest session, " + session.Title(), nil
}

// UsualSet returns the default set, for when nothing is recorded yet.
func UsualSet() (set shot.Set, from string) {
	return shot.DefaultSet(), "the usual set, nothing is recorded yet"
}
