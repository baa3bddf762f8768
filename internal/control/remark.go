package control

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"stillwater/internal/record"
	"stillwater/internal/sentence"
)

const maxNoteLength = 500

// remarkKey is the recorder's key for a remark: a newer one replaces the one that waits.
type remarkKey struct {
	id   int64  // of the shot; of the session for its name; for a file number of a next shot that shot's number
	kind string // the command's type
	next bool   // of a next shot
}

// remark is what a person says of a shot or a session.
type remark struct {
	key   remarkKey
	write func(context.Context) error // to the journal
	show  func()                      // once it is there; the mutex is held
}

// recordRemark stores a remark. It returns nil once that is on the disk.
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
		return notOnRecord(cmd)
	case err != nil:
		return refusal("", fmt.Sprintf("The %s is in memory but not on the disk yet: %s.", remarkWord(cmd.Type),
			RecordProblem(err)),
			"Stillwater keeps trying. Leave Stillwater running until the page shows it.")
	}
	return nil
}

func notOnRecord(cmd Command) *Refusal {
	if cmd.Type == "rename" || cmd.Type == "again" && cmd.Shot == 0 {
		return refusal("session", fmt.Sprintf("The record has no session %d.", cmd.Session), "Reload the page.")
	}
	return refusal("shot", fmt.Sprintf("The record has no shot with id %d.", cmd.Shot), "Reload the page.")
}

// remarkWord is what a command to remark something gives.
func remarkWord(command string) string {
	switch command {
	case "file":
		return "file number"
	case "rename":
		return "name"
	case "picture":
		return "mark"
	case "measure":
		return "measurement"
	}
	return command
}

// startRemark gives a remark to the recorder, which has it shown once the journal has it.
func (c *Control) startRemark(client string, cmd Command) (done <-chan error, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if err := c.requireHolder(client); err != nil {
		return nil, err
	}
	r, err := c.remarkOf(cmd)
	if err != nil {
		return nil, err
	}
	done, err = c.rec.remark(r.key, func(ctx context.Context) error {
		if err := r.write(ctx); err != nil {
			return err
		}
		c.update(r.show)
		return nil
	})
	if err != nil {
		return nil, refusal("", sentence.From(err.Error()), "Try again when the record can be written.")
	}
	return done, nil
}

// remarkOf makes a command a remark, or refuses it. The mutex is held.
func (c *Control) remarkOf(cmd Command) (remark, error) {
	switch cmd.Type {
	case "rename":
		return c.newName(cmd)
	case "file":
		return c.fileNumber(cmd)
	case "measure":
		return c.measured(cmd)
	}
	r := remark{key: remarkKey{id: cmd.Shot, kind: cmd.Type}}
	show := func(change func(*ShotView)) func() { return func() { c.changeShown(cmd.Shot, change) } }
	journal := c.opts.Journal
	switch cmd.Type {
	case "note":
		r.write = func(ctx context.Context) error { return journal.SetNote(ctx, cmd.Shot, cmd.Text) }
		r.show = show(func(s *ShotView) { s.Note = cmd.Text })
		return r, plainText("text", cmd.Text, maxNoteLength, true)
	case "star":
		r.write = func(ctx context.Context) error { return journal.SetStar(ctx, cmd.Shot, cmd.Star) }
		r.show = show(func(s *ShotView) { s.Star = cmd.Star })
		return r, nil
	case "picture":
		r.write = func(ctx context.Context) error { return journal.SetPicture(ctx, cmd.Shot, string(cmd.Picture)) }
		r.show = func() {
			c.changeShown(cmd.Shot, func(s *ShotView) { s.Picture = cmd.Picture })
			c.changeTry(cmd.Shot, func(s *record.Shot) { s.Picture = string(cmd.Picture) })
		}
		if !slices.Contains(Pictures(), cmd.Picture) {
			return r, refusal("picture", fmt.Sprintf("A picture cannot be marked %q.", cmd.Picture),
				"Mark it blurred or black, or neither.")
		}
		return r, nil
	}
	r.write = func(ctx context.Context) error { return journal.SetVerdict(ctx, cmd.Shot, cmd.Verdict) }
	r.show = func() {
		c.changeShown(cmd.Shot, func(s *ShotView) { s.Verdict = cmd.Verdict })
		c.changeTry(cmd.Shot, func(s *record.Shot) { s.Verdict = cmd.Verdict })
	}
	return r, c.checkVerdict(cmd)
}

// newName is the remark that renames a session. The mutex is held.
func (c *Control) newName(cmd Command) (remark, error) {
	name := strings.TrimSpace(cmd.Name)
	r := remark{key: remarkKey{id: cmd.Session, kind: cmd.Type},
		write: func(ctx context.Context) error { return c.opts.Journal.Rename(ctx, cmd.Session, name) },
		show: func() {
			if c.session.id == cmd.Session {
				c.session.name = name
			}
		}}
	return r, plainText("name", name, maxNameLength, false)
}

// fileNumber is the remark that gives a shot, or the next one, the camera's file number. The mutex is held.
func (c *Control) fileNumber(cmd Command) (remark, error) {
	if cmd.File < 0 || cmd.File > record.MaxFile {
		return remark{}, refusal("file", fmt.Sprintf("%d is not a camera's file number.", cmd.File),
			fmt.Sprintf("Use 1 to %d.", record.MaxFile))
	}
	s := c.session
	shots, next := []record.Shot(nil), 0
	read := func(ctx context.Context) {
		c.mu.Lock()
		id := s.id
		c.mu.Unlock()
		if list, err := c.opts.Journal.Shots(ctx, id, shotsShown); err == nil {
			shots = list
		}
		if n, err := c.opts.Journal.NextFile(ctx, id); err == nil {
			next = n
		}
	}
	r := remark{key: remarkKey{id: cmd.Shot, kind: cmd.Type}}
	write := func(ctx context.Context) error { return c.opts.Journal.SetFile(ctx, cmd.Shot, cmd.File) }
	if cmd.Shot == 0 { // its number is known now: when the journal is written again, more may have been made
		number := s.made + 1
		r.key = remarkKey{id: int64(number), kind: cmd.Type, next: true}
		write = func(ctx context.Context) error {
			id, err := c.sessionID(ctx, s)
			if err != nil {
				return err
			}
			return c.opts.Journal.SetFileFrom(ctx, id, number, cmd.File)
		}
	}
	r.write = func(ctx context.Context) error {
		err := write(ctx)
		if err == nil {
			read(ctx)
		}
		return err
	}
	r.show = func() {
		if c.session != s {
			return
		}
		c.nextFile = next
		for _, made := range shots {
			c.changeShown(made.ID, func(v *ShotView) { v.File = made.File })
		}
	}
	return r, nil
}

// checkVerdict refuses an unknown verdict, and one on a shot that says nothing of the delay: what is counted is how
// often the delay was right. An existing verdict may be taken back. The mutex is held.
func (c *Control) checkVerdict(cmd Command) error {
	switch {
	case cmd.Verdict == record.Unjudged:
		return nil
	case !slices.Contains(record.Verdicts(), cmd.Verdict):
		return refusal("verdict", fmt.Sprintf("%q is not a verdict.", cmd.Verdict),
			"Say early, good, late, too high, too low or nothing there.")
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

// because introduces a reason by a colon; "" for none.
func because(reason string) string {
	if reason == "" {
		return ""
	}
	return ": " + reason
}
