package control

import (
	"context"
	"errors"
	"fmt"
	"time"

	"stillwater/internal/journal"
)

const noteLongest = 500

// remarkOn names what a person said last of a shot, for the recorder: a newer verdict takes the place of an older one.
type remarkOn struct {
	shot int64
	kind string // "verdict", "note"
}

// remark keeps a verdict or a note. It returns nil when it is on the disk.
func (c *Control) remark(ctx context.Context, client string, cmd Command) error {
	kept, err := c.startRemark(client, cmd)
	if err != nil {
		return err
	}
	late := time.NewTimer(recordWithin)
	defer late.Stop()
	select {
	case err = <-kept:
	case <-late.C:
		err = errors.New("the journal does not answer")
	case <-ctx.Done():
		err = ctx.Err()
	}
	switch {
	case errors.Is(err, journal.ErrNotFound):
		return refusal("shot", fmt.Sprintf("The record has no shot with id %d.", cmd.Shot), "Reload the page.")
	case err != nil:
		return refusal("", fmt.Sprintf("The %s is kept in memory and not on the disk yet: %v.", cmd.Type, err),
			"It is tried again and again. Leave Stillwater running until the page shows it.")
	}
	return nil
}

// startRemark gives a remark to the recorder, which has it shown once the journal has it.
func (c *Control) startRemark(client string, cmd Command) (kept <-chan error, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if err := c.holds(client); err != nil {
		return nil, err
	}
	write, show := c.opts.Journal.SetVerdict, func(s *Shot) { s.Verdict = cmd.Verdict }
	text := string(cmd.Verdict)
	if cmd.Type == "note" {
		write, show, text = c.opts.Journal.SetNote, func(s *Shot) { s.Note = cmd.Text }, cmd.Text
		if err := plainText("text", text, noteLongest, true); err != nil {
			return nil, err
		}
	} else if err := knownVerdict(cmd.Verdict); err != nil {
		return nil, err
	}
	kept, err = c.rec.remark(remarkOn{cmd.Shot, cmd.Type}, func(ctx context.Context) error {
		if err := write(ctx, cmd.Shot, text); err != nil {
			return err
		}
		c.update(func() { c.changeShown(cmd.Shot, show) })
		return nil
	})
	if err != nil {
		return nil, refusal("", sentence(err.Error()), "Try again when the record can be written.")
	}
	return kept, nil
}

func knownVerdict(v Verdict) error {
	switch v {
	case Unjudged, Early, Good, LateV, Nothing:
		return nil
	}
	return refusal("verdict", fmt.Sprintf("%q is not a verdict.", v), "Say early, good, late or nothing there.")
}

// changeShown changes a shot if it is one of those that are shown. The mutex is held.
func (c *Control) changeShown(id int64, change func(*Shot)) {
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
