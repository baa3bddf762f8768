package control

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"stillwater/internal/board"
	"stillwater/internal/phys"
	"stillwater/internal/record"
	"stillwater/internal/shot"
)

// ShowNotice shows every phone a message, until the next notice, arming or session.
func (c *Control) ShowNotice(text string) { c.update(func() { c.notice = text }) }

func (c *Control) recordChanged() { c.update(func() {}) }

// restore resumes the latest session, or starts the first.
func (c *Control) restore(ctx context.Context) error {
	latest, ok, err := c.opts.Journal.LatestSession(ctx)
	if err != nil {
		return err
	}
	if err := c.restoreDates(ctx); err != nil {
		return err
	}
	c.set = shot.DefaultSet()
	if !ok {
		c.session = c.newSession("")
		_, err := c.sessionID(ctx, c.session)
		return err
	}
	c.session = &session{id: latest.ID, name: latest.Name, started: latest.Started}
	c.restoreSet(latest.Set)
	ticks, err := readTicks(latest.Care)
	if err != nil || len(ticks.Care) > 0 {
		c.askCareAgain("Stillwater was restarted")
	}
	if err := c.restoreShots(ctx); err != nil {
		return err
	}
	c.restoreEvening(ticks)
	return nil
}

// restoreShots reads the session's shots that are shown, and how many there are.
func (c *Control) restoreShots(ctx context.Context) error {
	stored, err := c.opts.Journal.Shots(ctx, c.session.id, maxEvening)
	if err != nil {
		return err
	}
	for _, s := range stored {
		s.Program = ""
		c.learning.evening = append(c.learning.evening, s)
	}
	for _, s := range stored[:min(len(stored), shotsShown)] {
		c.shots = append(c.shots, ViewShot(&c.outcomes, s))
	}
	if len(c.shots) > 0 {
		c.lastSeen = c.shots[0].Seen
	}
	if c.shotCount, err = c.opts.Journal.Count(ctx, c.session.id); err != nil {
		return err
	}
	c.session.made = c.shotCount
	c.nextFile, err = c.opts.Journal.NextFile(ctx, c.session.id)
	return err
}

// restoreDates reads what is known of this boot.
func (c *Control) restoreDates(ctx context.Context) (err error) {
	now := c.opts.Clock()
	c.dates.boot = now.Boot
	c.dates.origin, c.dates.datedBy, err = c.opts.Journal.Origin(ctx, now.Boot)
	c.settleDates(now)
	return err
}

func (c *Control) restoreSet(stored string) {
	set, err := shot.ParseSet(stored)
	if err != nil {
		c.log.Warn("the set of the last session cannot be used", "err", err)
		c.notice = fmt.Sprintf("the set of the last session cannot be used (%v): this is the standard set", err)
		return
	}
	c.set = set
}

// saveKey is the recorder's key for what is stored of a session besides its shots.
type saveKey struct {
	session *session
	what    string // "session", "set", "care"
}

func (c *Control) saveSession(s *session) {
	c.rec.put(saveKey{s, "session"}, func(ctx context.Context) error {
		_, err := c.sessionID(ctx, s)
		return err
	})
}

func (c *Control) saveSet() { c.saveField("set", c.set, c.opts.Journal.SaveSet) }

func (c *Control) saveCare() { c.saveField("care", c.ticksToStore(), c.opts.Journal.SaveCare) }

// saveField queues what changed of the session.
func (c *Control) saveField(what string, value any, save func(ctx context.Context, id int64, text string) error) {
	s := c.session
	c.rec.put(saveKey{s, what}, func(ctx context.Context) error {
		id, err := c.sessionID(ctx, s)
		if err != nil {
			return err
		}
		text, err := encodeJSON(value)
		if err != nil {
			return err
		}
		return save(ctx, id, text)
	})
}

// sessionID is the journal's id of a session, which is put into the journal if it is not there yet. Only the recorder
// calls it, and restore before that.
func (c *Control) sessionID(ctx context.Context, s *session) (int64, error) {
	c.mu.Lock()
	id := s.id
	c.mu.Unlock()
	if id != 0 {
		return id, nil
	}
	row, err := s.forJournal()
	if err != nil {
		return 0, err
	}
	stored, err := c.opts.Journal.NewSession(ctx, row)
	if err != nil {
		return 0, err
	}
	c.update(func() { s.id, s.started = stored.ID, stored.Started })
	return stored.ID, nil
}

// forJournal is what the journal is given of a session. Only its id and date change later.
func (s *session) forJournal() (row record.Session, err error) {
	row = s.row
	if row.Set, err = encodeJSON(s.set); err != nil {
		return row, err
	}
	row.Care, err = encodeJSON(s.ticks)
	return row, err
}

// encodeJSON encodes what the journal stores as opaque text.
func encodeJSON(v any) (string, error) {
	data, err := json.Marshal(v)
	if err != nil {
		return "", fmt.Errorf("encode for the record: %w", err)
	}
	return string(data), nil
}

// recordShot puts a shot in the queue for the journal. It is shown once the journal has it.
func (c *Control) recordShot(l *link, r *run, report board.ShotReport) {
	row := c.journalShot(l, r, report)
	r.session.made++
	c.rec.addShot(func(ctx context.Context) (err error) {
		if row.Set, err = encodeJSON(r.set); err != nil {
			return err
		}
		if row.Program, err = encodeJSON(r.program); err != nil {
			return err
		}
		if row.Session, err = c.sessionID(ctx, r.session); err != nil {
			return err
		}
		if c.opts.Room != nil && row.Seen == "" {
			row.Seen = c.opts.Room.Look(report.ClockAt)
		}
		stored, err := c.opts.Journal.Add(ctx, row)
		if err != nil {
			return err
		}
		made := ViewShot(&c.outcomes, stored)
		next, err := c.opts.Journal.NextFile(ctx, stored.Session)
		if err != nil {
			next = record.FileAfter(made.File, 1)
		}
		c.update(func() { c.show(r.session, stored, made, next) })
		return nil
	})
}

func (c *Control) show(s *session, stored record.Shot, made ShotView, nextFile int) {
	if s != c.session {
		return // a new session was started meanwhile
	}
	c.shots = append([]ShotView{made}, c.shots[:min(len(c.shots), shotsShown-1)]...)
	c.shotCount++
	c.lastSeen, c.nextFile = made.Seen, nextFile
	if set, err := shot.ParseSet(stored.Set); err == nil {
		c.sweepOn(set, made.OK && made.Problem == "")
	}
	c.addTry(stored)
}

func (c *Control) journalShot(l *link, r *run, report board.ShotReport) record.Shot {
	made := c.opts.Clock().Earlier(time.Since(report.Received))
	row := record.Shot{
		At: made.Wall, When: whenOf(made), Status: statusWords(report.Status), Simulated: c.opts.Room != nil,
		BootID: l.id.BootID, GateNs: report.GateAt.Nanoseconds(), ClockNs: report.ClockAt.Nanoseconds(),
		DelayNs: report.Delay.Nanoseconds(),
	}
	if r.program.Gate != nil {
		row.IntervalNs = report.Interval().Nanoseconds()
	}
	for _, cue := range report.Cues {
		row.Cues = append(row.Cues, record.Cue{
			Name: l.outputName(r.program, cue.Output), Opening: cue.Opening,
			PlannedNs: (cue.Planned - report.ClockAt).Nanoseconds(),
			OnNs:      (cue.On - report.ClockAt).Nanoseconds(),
			OffNs:     (cue.Off - report.ClockAt).Nanoseconds(),
		})
	}
	// The board reports pulses as they end; people read them in the order in which they begin.
	slices.SortStableFunc(row.Cues, func(a, b record.Cue) int { return cmp.Compare(a.PlannedNs, b.PlannedNs) })
	return row
}

// outputName is what the program calls an output, or else the board.
func (l *link) outputName(p shot.Program, output uint8) string {
	for _, cues := range [][]shot.Cue{p.Cues, p.Opening} {
		for _, cue := range cues {
			if cue.Output == output {
				return cue.Name
			}
		}
	}
	if int(output) < len(l.id.Outputs) {
		return l.id.Outputs[output].Name
	}
	return fmt.Sprintf("output %d", output)
}

// frameOf is the address of a practice shot's picture, by what names the shot to the simulated board.
func frameOf(s record.Shot) string {
	if !s.Simulated || s.Seen == "" {
		return ""
	}
	return fmt.Sprintf("%d/%d", s.BootID, s.ClockNs)
}

// ViewShot is a shot of the journal as the page shows it. It can be slow.
func ViewShot(outcomes *shot.Outcomes, s record.Shot) ShotView {
	outcome := outcomes.Of(s)
	made := ShotView{
		ID: s.ID, Number: s.Number, At: s.At, Dated: s.When.Dated.String(), Status: s.Status, OK: !outcome.Failed,
		Problem: outcome.Problem, LateMs: ms(outcome.Late),
		Simulated: s.Simulated, DelayMs: ms(time.Duration(s.DelayNs)), Cues: []CueView{}, Seen: s.Seen, Frame: frameOf(s),
		Verdict: s.Verdict, Note: s.Note, Star: s.Star, Picture: Picture(s.Picture), File: s.File,
		Framed: s.Framed,
	}
	if set, err := outcomes.ParseSet(s.Set); err == nil {
		made.Kind, made.Aimed, made.Measurable = set.Kind, set.Aims(), set.Measurable()
		made.TrimMs = ms(set.OwnTrim().Duration())
		if v, known := set.ThrowSpeed(phys.Seconds(time.Duration(s.IntervalNs))); known {
			speed := float64(v)
			made.SpeedMS = &speed
		}
	}
	made.PastMm, made.PastSDMm = pastMm(s.PastUm, s.PastSDUm)
	if made.Measurable && made.Frame != "" {
		made.PathDeg, made.FieldMm = geometry(outcomes, s)
	}
	if s.IntervalNs != 0 {
		interval := ms(time.Duration(s.IntervalNs))
		made.IntervalMs = &interval
	}
	if s.Damaged != "" {
		made.OK, made.Status = false, strings.TrimPrefix(s.Status+"; in the record: "+s.Damaged, "; ")
	}
	for _, cue := range s.Cues {
		made.Cues = append(made.Cues, CueView{
			Name: cue.Name, PlannedMs: ms(time.Duration(cue.PlannedNs)), ActualMs: ms(time.Duration(cue.OnNs)),
			LateUs: float64(cue.LateNs()) / 1e3,
		})
	}
	return made
}
