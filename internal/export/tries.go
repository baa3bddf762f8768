package export

import (
	"context"
	"fmt"

	"stillwater/internal/history"
	"stillwater/internal/record"
	"stillwater/internal/shot"
	"stillwater/internal/strip"
)

// maxTries is how many tries are drawn, the newest.
const maxTries = 500

// ShotReader reads the newest shots of a session.
type ShotReader interface {
	Shots(ctx context.Context, session int64, limit int) ([]record.Shot, error)
}

// Tries draws a session's tries over their delay: those of the kind with most of them.
func Tries(ctx context.Context, r ShotReader, s record.Summary) (strip.Drawing, error) {
	shots, err := r.Shots(ctx, s.ID, s.Shots)
	if err != nil {
		return strip.Drawing{}, err
	}
	sum := history.Summarize(shots, new(shot.Outcomes))
	if len(sum.ByKind) == 0 {
		return strip.Drawing{}, fmt.Errorf("session %d has no tries that say something of the delay", s.ID)
	}
	return strip.Draw(sum.ByKind[0].Strip(maxTries), strip.Options{}), nil
}
