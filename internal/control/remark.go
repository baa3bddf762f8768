package control

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"stillwater/internal/record"
)

const maxNoteLength = 500

// remarkKey is the recorder's key for a verdict or a note: a newer one replaces the one that waits.
type remarkKey struct {
	shot int64
	kind string // "verdict", "note"
}

// recordRemark stores a verdict or a note. It returns nil once that is on the disk.
func (c *Control) recordRemark(ctx context.Context, client string, cmd Command) error {
	done, err := c.startRemark(client, cmd)
	if err != nil {
		return err
	}
	late := time.NewTimer(recordTimeout)
	defer late.Stop()
	select {
	case err = <-done:
	case <-late.C:
		err = errors.New("the journal does not answer")
	case <-ctx.Done():
		err = ctx.Err()
	}
	switch {
	case errors.Is(err, record.ErrNotFound):
		return refusal("shot", fmt.Sprintf("The record has no shot with id %d.", cmd.Shot), "Reload the page.")
	case err != nil:
		return refusal("", fmt.Sprintf("The %s is kept in memory and not on the disk yet: %s.", cmd.Type,
			recordProblem(err)),
			"It is tried again and again. Leave Stillwater running until the page shows it.")
	}
	return nil
}

// startRemark gives a remark to the recorder, which has it shown once the journal has it.
func (c *Control) startRemark(client string, cmd Command) (done <-chan error, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if err := c.requireHolder(client); err != nil {
		return nil, err
	}
	write, show := c.opts.Journal.SetVerdict, func(s *ShotView) { s.Verdict = cmd.Verdict }
	text := string(cmd.Verdict)
	if cmd.Type == "note" {
		write, show, text = c.opts.Journal.SetNote, func(s *ShotView) { s.Note = cmd.Text }, cmd.Text
		if err := plainText("text", text, maxNoteLength, true); err != nil {
			return nil, err
		}
	} else if err := c.checkVerdict(cmd); err != nil {
		return nil, err
	}
	done, err = c.rec.remark(remarkKey{cmd.Shot, cmd.Type}, func(ctx context.Context) error {
		if err := write(ctx, cmd.Shot, text); err != nil {
			return err
		}
		c.update(func() { c.changeShown(cmd.Shot, show) })
		return nil
	})
	if err != nil {
		return nil, refusal("", sentence(err.Error()), "Try again when the record can be written.")
	}
	return done, nil
}

// checkVerdict refuses what is no verdict, and one on a shot that says nothing of the delay: what is counted is how
// often the delay was right. One that is there may be taken back. The mutex is held.
func (c *Control) checkVerdict(cmd Command) error {
	switch cmd.Verdict {
	case Unjudged:
		return nil
	case Early, Good, Late, Nothing:
	default:
		return refusal("verdict", fmt.Sprintf("%q is not a verdict.", cmd.Verdict),
			"Say early, good, late or nothing there.")
	}
	i := slices.IndexFunc(c.shots, func(s ShotView) bool { return s.ID == cmd.Shot })
	if i >= 0 && c.shots[i].Problem != "" {
		return refusal("shot", fmt.Sprintf("Shot %d gets no verdict.", c.shots[i].Number), c.shots[i].Problem)
	}
	return nil
}

// changeShown changes a shot if it is one of those that are shown. The mutex is held.
func (c *Control) changeShown(id int64, change func(*ShotView)) {
	for i := range c.shots {
		if c.shots[i].ID == id {
			change(&c.shots[i])
		}
	}
}

// because is a reason after a colon, nothing when there is none.
func because(reason string) string {
	if reason == "" {
		return ""
	}
	return ": " + reason
}
