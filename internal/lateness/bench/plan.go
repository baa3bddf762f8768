package bench

import (
	"context"
	"errors"
	"fmt"
	"strings"
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

// PlanOptions say which plan to compare with: that of the latest session, or the one described.
type PlanOptions struct {
	Kind    string   // of a usual set, "" for the latest session's set
	Fields  []string // FIELD=VALUE, changed in the set
	Journal string   // where sessions are; "" where there is no home for one
	Given   bool     // somebody named the journal, so it has to be there
	Limit   time.Duration
}

// FindPlan returns the plan to compare with.
func FindPlan(ctx context.Context, o PlanOptions) (Plan, error) {
	set, from, err := o.find(ctx)
	if err != nil {
		return Plan{}, err
	}
	for _, s := range o.Fields {
		field, value, ok := strings.Cut(s, "=")
		if !ok {
			return Plan{}, badFlag("set %q: write FIELD=VALUE, like throw.gate=10cm", s)
		}
		if err := set.Put(field, value); err != nil {
			return Plan{}, badFlag("set %s: %w", s, err)
		}
		from = "as given"
	}
	plan, err := NewPlan(set, from, o.Limit)
	if err != nil {
		return Plan{}, fmt.Errorf("lateness: %w; give another with --plan and --set", err)
	}
	return plan, nil
}

// find returns the set to begin with, and where it comes from.
func (o PlanOptions) find(ctx context.Context) (set shot.Set, from string, err error) {
	switch kind := shot.Kind(o.Kind); kind {
	case "":
	case shot.Drop, shot.Throw, shot.Sound, shot.Drops:
		set = shot.DefaultSet()
		set.Kind = kind
		return set, "the usual set", nil
	default:
		return set, "", badFlag("plan %q: give drop, throw, sound or drops", o.Kind)
	}
	if o.Journal != "" {
		set, from, err = latestSet(ctx, o.Journal)
	}
	switch {
	case o.Journal == "" || errors.Is(err, journal.ErrNone) && !o.Given:
		set, from = usualSet()
		return set, from, nil
	case err != nil:
		return set, "", fmt.Errorf("lateness: %w; or choose the plan to compare with by --plan", err)
	}
	return set, from, nil
}

// latestSet is the set of the latest session in a journal, and where it comes from; the usual set while nothing is
// recorded in it. Without the file the error is journal.ErrNone.
func latestSet(ctx context.Context, path string) (set shot.Set, from string, err error) {
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
		set, from = usualSet()
		return set, from, nil
	}
	if set, err = shot.ParseSet(session.Set); err != nil {
		return set, "", fmt.Errorf("the set of session %d cannot be read: %w", session.ID, err)
	}
	return set, "the latest session, " + session.Title(), nil
}

// usualSet returns the default set, for when nothing is recorded yet.
func usualSet() (set shot.Set, from string) {
	return shot.DefaultSet(), "the usual set, nothing is recorded yet"
}
