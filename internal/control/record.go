package control

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"stillwater/internal/board"
	"stillwater/internal/journal"
	"stillwater/internal/shot"
)

const retryAfter = time.Second

// recorder writes to the journal in order, in a goroutine of its own, and keeps trying: a full disk or a slow card
// holds up the record and nothing else.
type recorder struct {
	changed func() // called without any lock of the recorder

	mu      sync.Mutex
	queue   []job
	closed  bool
	trouble string
	wake    chan struct{} // holds one token when there is news
	stop    context.CancelFunc
	ctx     context.Context
	done    chan struct{}
}

type job struct {
	shot bool
	do   func(context.Context) error
}

func newRecorder(changed func()) *recorder {
	ctx, stop := context.WithCancel(context.Background())
	return &recorder{changed: changed, wake: make(chan struct{}, 1), done: make(chan struct{}), ctx: ctx, stop: stop}
}

func (r *recorder) add(isShot bool, do func(context.Context) error) {
	r.mu.Lock()
	r.queue = append(r.queue, job{isShot, do})
	r.mu.Unlock()
	r.nudge()
}

func (r *recorder) nudge() {
	select {
	case r.wake <- struct{}{}:
	default:
	}
}

func (r *recorder) status() Record {
	r.mu.Lock()
	defer r.mu.Unlock()
	status := Record{Trouble: r.trouble}
	for _, j := range r.queue {
		if j.shot {
			status.Waiting++
		}
	}
	return status
}

// first is the job to do next; false when there is none, and then whether there will be none.
func (r *recorder) first() (j job, ok, over bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if len(r.queue) == 0 {
		return job{}, false, r.closed
	}
	return r.queue[0], true, false
}

// run does the jobs until finish is called and none is left, or finish loses its patience.
func (r *recorder) run() {
	defer close(r.done)
	for r.ctx.Err() == nil {
		j, ok, over := r.first()
		switch {
		case over:
			return
		case ok:
			r.attempt(j)
		default:
			select {
			case <-r.wake:
			case <-r.ctx.Done():
			}
		}
	}
}

// attempt does one job once. A failed job stays first in the queue and is tried again later, except one that asks for
// what the journal does not have.
func (r *recorder) attempt(j job) {
	err := j.do(r.ctx)
	trouble := ""
	if err != nil {
		trouble = err.Error()
	}
	r.mu.Lock()
	changed := r.trouble != trouble || j.shot
	r.trouble = trouble
	if err == nil || errors.Is(err, journal.ErrNotFound) {
		r.queue = r.queue[1:]
	}
	r.mu.Unlock()
	if changed {
		r.changed()
	}
	if err != nil {
		select {
		case <-time.After(retryAfter):
		case <-r.ctx.Done():
		}
	}
}

// finish waits until everything is written, at most so long, and says what was not.
func (r *recorder) finish(within time.Duration) error {
	r.mu.Lock()
	r.closed = true
	r.mu.Unlock()
	r.nudge()
	defer r.stop()
	select {
	case <-r.done:
		return nil
	case <-time.After(within):
	}
	status := r.status()
	if status.Trouble == "" {
		status.Trouble = "the journal did not answer"
	}
	what := fmt.Sprintf("%d shots", status.Waiting)
	if status.Waiting == 1 {
		what = "1 shot"
	}
	return fmt.Errorf("control: %s could not be written to the journal: %s", what, status.Trouble)
}

// Notice shows words to everybody, until something else is to be said.
func (c *Control) Notice(words string) { c.update(func() { c.notice = words }) }

func (c *Control) recordChanged() { c.update(func() {}) }

// restore takes up the latest session, or starts the first.
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
		kept, err := c.opts.Journal.NewSession(ctx, c.asSession(c.session))
		c.session.id = kept.ID
		c.replan()
		return err
	}
	c.session = &session{id: latest.ID, name: latest.Name, started: latest.Started}
	c.restoreSet(latest.Set)
	var ids []string
	if err := json.Unmarshal([]byte(latest.Care), &ids); err != nil {
		c.log.Warn("the ticked cautions of the last session cannot be read; they are to be ticked again", "err", err)
	}
	for _, id := range ids {
		c.ticked[id] = true
	}
	kept, err := c.opts.Journal.Shots(ctx, latest.ID, 0)
	for _, s := range kept {
		c.shots = append(c.shots, shown(s))
	}
	if len(c.shots) > 0 {
		c.seen = c.shots[0].Seen
	}
	c.replan()
	return err
}

// restoreDates takes up what is known of this boot.
func (c *Control) restoreDates(ctx context.Context) (err error) {
	now := c.opts.Clock()
	c.dates.boot = now.Boot
	c.dates.origin, c.dates.by, err = c.opts.Journal.Origin(ctx, now.Boot)
	c.settleDates(now)
	return err
}

func (c *Control) restoreSet(kept string) {
	set := shot.DefaultSet()
	err := json.Unmarshal([]byte(kept), &set)
	if err == nil {
		err = set.Validate()
	}
	if err != nil {
		c.log.Warn("the set of the last session cannot be used", "err", err)
		c.notice = fmt.Sprintf("the set of the last session cannot be used (%v): this is the standard set", err)
		return
	}
	c.set = set
}

func (c *Control) asSession(s *session) journal.Session {
	return journal.Session{
		Name: s.name, Started: s.made.Wall, When: asWhen(s.made), Board: c.opts.Kind, Set: asJSON(c.set),
		Care: asJSON(c.tickedIDs()),
	}
}

func (c *Control) saveSession(s *session) {
	row := c.asSession(s)
	c.rec.add(false, func(ctx context.Context) error {
		kept, err := c.opts.Journal.NewSession(ctx, row)
		if err == nil {
			c.update(func() { s.id, s.started = kept.ID, kept.Started })
		}
		return err
	})
}

func (c *Control) saveSet() {
	s, set := c.session, asJSON(c.set)
	c.rec.add(false, func(ctx context.Context) error { return c.opts.Journal.SaveSet(ctx, c.sessionID(s), set) })
}

func (c *Control) saveCare() {
	s, ids := c.session, asJSON(c.tickedIDs())
	c.rec.add(false, func(ctx context.Context) error { return c.opts.Journal.SaveCare(ctx, c.sessionID(s), ids) })
}

func (c *Control) sessionID(s *session) int64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	return s.id
}

// keep puts a shot in the queue for the journal. It is shown once the journal has it.
func (c *Control) keep(l *link, r *run, report board.Shot) {
	row := c.asShot(l, r, report)
	c.rec.add(true, func(ctx context.Context) error {
		row.Session = c.sessionID(r.session)
		if c.opts.Room != nil && row.Seen == "" {
			row.Seen = c.opts.Room.Look(report.Clock)
		}
		kept, err := c.opts.Journal.Add(ctx, row)
		if err != nil {
			return err
		}
		c.update(func() { c.show(r.session, shown(kept)) })
		return nil
	})
}

func (c *Control) show(s *session, made Shot) {
	if s != c.session {
		return // a new session was started meanwhile
	}
	c.shots = append([]Shot{made}, c.shots...)
	c.seen = made.Seen
}

func (c *Control) asShot(l *link, r *run, report board.Shot) journal.Shot {
	made := c.opts.Clock().Back(time.Since(report.Received))
	row := journal.Shot{
		At: made.Wall, When: asWhen(made), Status: statusWords(report.Status), Simulated: c.opts.Room != nil,
		BootID: l.id.BootID, GateNs: report.Gate.Nanoseconds(), ClockNs: report.Clock.Nanoseconds(),
		DelayNs: report.Delay.Nanoseconds(), Set: asJSON(r.set), Program: asJSON(r.program),
	}
	if r.program.Gate != nil {
		row.IntervalNs = report.Interval().Nanoseconds()
	}
	for _, cue := range report.Cues {
		row.Cues = append(row.Cues, journal.Cue{
			Name: l.outputName(r.program, cue.Output), Opening: cue.Opening,
			PlannedNs: (cue.Planned - report.Clock).Nanoseconds(),
			OnNs:      (cue.On - report.Clock).Nanoseconds(),
			OffNs:     (cue.Off - report.Clock).Nanoseconds(),
		})
	}
	// The board reports a pulse when it ends; people read them in the order in which they begin.
	slices.SortStableFunc(row.Cues, func(a, b journal.Cue) int { return cmp.Compare(a.PlannedNs, b.PlannedNs) })
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

// shown is a shot of the journal as the page shows it.
func shown(s journal.Shot) Shot {
	made := Shot{
		ID: s.ID, Number: s.Number, At: s.At, Dated: s.When.Dated.String(), Status: s.Status, OK: s.Status == "done",
		Simulated: s.Simulated, DelayMs: ms(time.Duration(s.DelayNs)), Cues: []CueShot{}, Seen: s.Seen,
		Verdict: Verdict(s.Verdict), Note: s.Note,
	}
	if s.IntervalNs != 0 {
		interval := ms(time.Duration(s.IntervalNs))
		made.IntervalMs = &interval
	}
	for _, cue := range s.Cues {
		made.Cues = append(made.Cues, CueShot{
			Name: cue.Name, PlannedMs: ms(time.Duration(cue.PlannedNs)), ActualMs: ms(time.Duration(cue.OnNs)),
			LateUs: float64(cue.LateNs()) / 1e3,
		})
	}
	return made
}
