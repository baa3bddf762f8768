// Package contactsheet matches an evening's shots and a camera's frames: which frame is which shot, how far that can be
// relied on, what the frames show, and the contact sheet. A frame is read and examined once: what was found is kept,
// and used for as long as its files do not change. Nothing is written to the frames' folder.
package contactsheet

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"slices"
	"time"

	"stillwater/internal/frames"
	"stillwater/internal/match"
	"stillwater/internal/record"
)

var errMatch = errors.New("give a shot's number and its file, like 12=PICT0471")

// MatchError reports a pair, given by a person, that is impossible. It names no option, as pairs are given on the page
// too: ForCommandLine does.
type MatchError struct {
	Text string // the pair, SHOT=FILE; "": two contradict each other
	Shot int    // the pair's, or the second one's of two
	Why  string
}

func (e *MatchError) Error() string { return e.Why }

// EmptyError reports that nothing can be measured against the frame given as the empty one. It names no option, as that
// frame is named on the page too: ForCommandLine does.
type EmptyError struct {
	Name string
	Err  error
}

func (e *EmptyError) Error() string { return fmt.Sprintf("the empty frame, %s: %v", e.Name, e.Err) }

func (e *EmptyError) Unwrap() error { return e.Err }

// BlackError means that the room cannot be judged by the frame that was named as the black one. It names no option, as
// people name that frame on the page too: ForCommandLine does.
type BlackError struct {
	Name string
	Err  error
}

func (e *BlackError) Error() string { return fmt.Sprintf("the black frame, %s: %v", e.Name, e.Err) }

func (e *BlackError) Unwrap() error { return e.Err }

// AwayError reports that a frame's files are needed and not in the folder.
type AwayError struct{ Name string }

func (e *AwayError) Error() string {
	return fmt.Sprintf("%s: its file is needed and is not in this folder: name the folder that has it", e.Name)
}

// StoppedError means that Make was ended before it was done. It names no command, as the page stops too: ForCommandLine
// does.
type StoppedError struct {
	Done, Of int    // frames
	What     string // was done with them
	Kept     bool   // what was found in them
	Recorded int    // measurements
	Err      error
}

func (e *StoppedError) Error() string {
	return fmt.Sprintf("stopped after %d of %d frames were %s: %v", e.Done, e.Of, e.What, e.Err)
}

func (e *StoppedError) Unwrap() error { return e.Err }

// words say how far it was, and what the same command does next.
func (e *StoppedError) words() string {
	text := fmt.Sprintf("stopped after %d of %d frames were %s", e.Done, e.Of, e.What)
	if e.Of == 0 {
		text = "stopped before any frame was " + e.What
	}
	if !e.Kept {
		return text + ". Nothing was written; the same command begins anew"
	}
	text += ". What was found is saved"
	if e.Recorded > 0 {
		text += fmt.Sprintf(", %d measurements are on record", e.Recorded)
	}
	return text + ", and nothing else was written; the same command goes on from there"
}

// ForCommandLine adds to a MatchError, an EmptyError or a BlackError what to do about it on the command line; other
// errors stay as they are.
func ForCommandLine(err error) error {
	e, empty, black, stopped := new(MatchError), new(EmptyError), new(BlackError), new(StoppedError)
	switch {
	case errors.As(err, &stopped):
		return errors.New(stopped.words())
	case errors.As(err, &black) && errors.Is(err, ErrNotTimed):
		return fmt.Errorf("--black %q: %w; read its histogram, and type both: stillwater light --set room.by=black-frame "+
			"--set room.frame_open=TIME --set room.frame_seen=LEVEL", black.Name, black.Err)
	case errors.As(err, &black) && errors.Is(err, ErrSetDiffers):
		return fmt.Errorf("--black %q: %w on the page, at Set up under Light, focus, framing", black.Name, black.Err)
	case errors.As(err, &black):
		return fmt.Errorf("--black %q: %w", black.Name, black.Err)
	case errors.As(err, &empty):
		return fmt.Errorf("--empty %q: %w: name another frame that shows the place without liquid", empty.Name, empty.Err)
	case !errors.As(err, &e):
		return err
	case e.Text == "":
		return fmt.Errorf("%w: take one back, --match %d=none", err, e.Shot)
	}
	return fmt.Errorf("--match %q: %w: %w", e.Text, err, errMatch)
}

// Source reads the shots of a session in their order.
type Source interface {
	AllShots(ctx context.Context, session int64) iter.Seq2[record.Shot, error]
}

// Sheet is a session with the frames of a folder.
type Sheet struct {
	Session  record.Summary
	Rows     []Row
	Clocks   []ClockOffset  // the camera's, one for each boot of the machine
	Extra    []frames.Frame // of no shot
	Untimed  []frames.Frame // that do not say when they were taken
	Problems []error        // files that could not be read

	Duplicates []Duplicate

	Contradictions []Contradiction // of what a person said

	Lost   int     // shots that could not be read
	Read   int     // frames that were read now, and not before
	Looked int     // frames whose pictures were looked at now
	Lesson *Lesson // what was measured says of the delay; nil: nothing
	Room   *Room   // what a frame without flash says of the room's light; nil: there is none

	progress  func(of int) func(done int)
	far       StoppedError // how far it is
	unread    []unread
	store     FrameStore
	dry       bool // nothing is kept
	only      bool
	open      func(frame string) (end func(), err error)
	partly    func(s *Sheet, done, of int)
	shown     map[string]*pictured // what each frame that was looked at shows, by name
	known     map[string]*knownFrame
	listed    map[string]bool
	away      map[string]bool // frames that are known, and are not in the folder
	said      said
	noShot    map[string]bool // frames that a person says are of no shot
	aside     []string        // frames that are used for something else, by what they are called
	reference *reference      // nil: nothing is measured
}

// Row is a shot and what is known of its frame.
type Row struct {
	Shot  record.Shot
	Frame *frames.Frame // nil: none is probable enough to name
	match.Match
	pictured     *pictured // nil: not looked at
	unreadable   bool      // it was to be looked at, and its picture cannot be read
	contradicted bool      // what a person said of this boot's shots cannot all be
}

// ClockOffset is how far the camera's clock was from the record's, where enough was matched to say so.
type ClockOffset struct {
	match.CameraClock
	Boot int64
}

// unread is a frame whose files could not be read, and why.
type unread struct {
	frames.Frame
	why error
}

// Options is what a person said beside the folder.
type Options struct {
	Progress   func(of int) func(done int)
	FrameStore FrameStore // nil: nothing is known from before, and nothing is kept
	DryRun     bool       // nothing is kept
	Measure    Measure
	Accept     bool   // what was measured is put on record
	Watch      bool   // the folder is watched
	Camera     string // the port of the camera that is fetched from; "" none
	Ruler      string // the frame with the ruler; "" none
	Black      string // the frame with the flash off, which the room is judged by; "" none
	Only       bool   // a frame that is known and not in the folder is forgotten, and does not count as it was

	// Partly is called with the sheet so far: once all frames are matched, then after each picture examined, of so many.
	// nil: it is not called.
	Partly func(s *Sheet, done, of int)

	// Open is called before a frame's files are opened, and what it returns when they are closed. An error leaves them
	// closed, and is what is said of the frame. nil does nothing.
	Open func(frame string) (end func(), err error)

	held  bool // the journal is open for writing, so that no daemon has it and nothing is armed
	inUse bool // a daemon has it
	said  said
}

// aside are the frames that show the place without liquid, a ruler, or the room: they hardly are of a shot.
func (o *Options) aside() []string {
	return slices.DeleteFunc([]string{o.Measure.Empty, o.Ruler, o.Black}, func(name string) bool { return name == "" })
}

// Make reads a folder's frames, except those that are known already, matches them to a session's shots, and keeps what
// was found. What a person settled earlier still holds.
func Make(ctx context.Context, source Source, session record.Summary, folder *frames.Folder, o Options) (Sheet, error) {
	s, err := makeSheet(ctx, source, session, folder, o)
	if err != nil && ctx.Err() != nil {
		_, inMemory := s.store.(*memory)
		if s.Lesson != nil {
			s.far.Recorded = s.Lesson.Accepted
		}
		s.far.Kept, s.far.Err = s.store != nil && !s.dry && !inMemory, err
		err = &s.far
	}
	return s, err
}

func makeSheet(ctx context.Context, source Source, session record.Summary, folder *frames.Folder, o Options) (
	Sheet, error,
) {
	s := Sheet{Session: session, progress: o.Progress, store: o.FrameStore, dry: o.DryRun, said: o.said,
		only: o.Only, open: o.Open, partly: o.Partly, noShot: map[string]bool{}, aside: o.aside(),
		listed: map[string]bool{}, away: map[string]bool{},
		shown: map[string]*pictured{}, far: StoppedError{What: "read"}}
	if o.Open == nil {
		s.open = func(string) (func(), error) { return func() {}, nil }
	}
	if o.Partly == nil {
		s.partly = func(*Sheet, int, int) {}
	}
	if o.Progress == nil {
		s.progress = func(int) func(int) { return func(int) {} }
	}
	for made, err := range source.AllShots(ctx, session.ID) {
		switch {
		case err != nil:
			return s, err
		case made.Lost:
			s.Lost++
		default:
			s.Rows = append(s.Rows, Row{Shot: made})
		}
	}
	if err := s.recall(ctx); err != nil {
		return s, err
	}
	timed, err := s.readFrames(ctx, folder)
	if err != nil {
		return s, err
	}
	settled, err := s.settledPairs(timed)
	if err != nil {
		return s, err
	}
	if err := s.match(timed, settled); err != nil {
		return s, err
	}
	if err := s.keepMatches(ctx); err != nil {
		return s, err
	}
	if o.Measure.wanted() {
		if err := s.look(ctx, folder, o.Measure); err != nil {
			return s, err
		}
		s.learn()
	}
	if o.Black != "" {
		if err := s.judgeRoom(ctx, folder, o.Black); err != nil {
			return s, err
		}
	}
	if o.Accept && o.Measure.wanted() {
		return s, s.accept(ctx)
	}
	return s, nil
}

// readFrames reads what all files say of themselves and returns the frames that have a time.
func (s *Sheet) readFrames(ctx context.Context, folder *frames.Folder) (timed []frames.Frame, _ error) {
	list, problems, err := folder.List(ctx)
	if err != nil {
		return nil, err
	}
	s.Problems = append(s.Problems, problems...)
	progress := s.begin("read", len(list))
	for i, frame := range list {
		s.listed[frame.Name] = true
		read, err := s.read(ctx, folder, frame)
		switch {
		case ctx.Err() != nil:
			return nil, ctx.Err()
		case err != nil && read.Taken.IsZero():
			s.Problems = append(s.Problems, err)
			s.unread = append(s.unread, unread{frame, err})
		case read.Taken.IsZero():
			s.Untimed = append(s.Untimed, read)
		default:
			timed = append(timed, read)
		}
		progress(i + 1)
	}
	if timed, err = s.dropDuplicates(ctx, folder, timed); err != nil {
		return nil, err
	}
	if !s.only {
		timed = append(timed, s.remembered(timed)...)
	}
	return timed, nil
}

// begin begins to do something with so many frames, and returns what is sent how many are done.
func (s *Sheet) begin(what string, of int) func(done int) {
	s.far = StoppedError{What: what, Of: of}
	progress := s.progress(of)
	return func(done int) {
		s.far.Done = done
		progress(done)
	}
}

// match matches the shots of each boot of the machine by itself: between two boots the record's clock may have jumped.
func (s *Sheet) match(timed []frames.Frame, settled []match.Pair) error {
	matched := make([]bool, len(timed))
	for i, frame := range timed {
		matched[i] = s.noShot[frame.Name]
	}
	for first := 0; first < len(s.Rows); {
		last := first + 1
		for last < len(s.Rows) && s.Rows[last].Shot.When.Number == s.Rows[first].Shot.When.Number {
			last++
		}
		if err := s.matchBoot(first, last, timed, matched, settled); err != nil {
			return err
		}
		first = last
	}
	for i, frame := range timed {
		if !matched[i] || s.noShot[frame.Name] {
			s.Extra = append(s.Extra, frame)
		}
	}
	return nil
}

// matchBoot matches the rows of one boot to the frames that are not matched, and marks those that then are.
func (s *Sheet) matchBoot(first, last int, timed []frames.Frame, matched []bool, settled []match.Pair) error {
	rows := s.Rows[first:last]
	o := match.Options{Step: stepOf(timed)}
	var free []int // of timed
	var list []match.Frame
	place := map[int]int{}
	for i, frame := range timed {
		if matched[i] {
			continue
		}
		place[i] = len(free)
		free = append(free, i)
		list = append(list, match.Frame{At: frame.Taken.Sub(timed[0].Taken), Number: frame.Number,
			Aside: slices.ContainsFunc(s.aside, func(name string) bool { return isNamed(frame, name) })})
	}
	for _, p := range settled {
		if at, isFree := place[p.Frame]; isFree && p.Shot >= first && p.Shot < last {
			o.Settled = append(o.Settled, match.Pair{Shot: p.Shot - first, Frame: at})
		}
	}
	shots := make([]match.Shot, len(rows))
	for i, r := range rows {
		shots[i] = match.Shot{At: r.Shot.At.Sub(rows[0].Shot.At), Number: s.typedAt(first + i)}
	}
	found, err := match.Find(shots, list, o)
	if e := new(match.ConflictError); errors.As(err, &e) {
		one, two := rows[e.One.Shot].Shot.Number, rows[e.Two.Shot].Shot.Number
		return &MatchError{Shot: two, Why: fmt.Sprintf("shot %d has %s for its frame, and shot %d has %s", one,
			oneLine(timed[free[e.One.Frame]].Name), two, oneLine(timed[free[e.Two.Frame]].Name))}
	}
	if err != nil {
		return err
	}
	sure := 0
	for i, m := range found.Matches {
		rows[i].Match = m
		if m.Frame < 0 {
			continue
		}
		rows[i].Frame = &timed[free[m.Frame]]
		if m.Sure != match.Open {
			sure++
			matched[free[m.Frame]] = true
		}
	}
	for i := range rows {
		rows[i].contradicted = len(found.Contradictions) > 0
	}
	for _, c := range found.Contradictions {
		s.Contradictions = append(s.Contradictions, contradictionOf(&rows[c[0].Shot], &rows[c[1].Shot]))
	}
	if sure > 0 { // both zeros are to be dates again
		found.Clock.Offset += dateGap(timed[0].Taken, rows[0].Shot.At)
		s.Clocks = append(s.Clocks, ClockOffset{found.Clock, rows[0].Shot.When.Number})
	}
	return nil
}

// dateGap is how far the camera's date is ahead of the record's, both as a clock on the wall shows them.
func dateGap(camera, shot time.Time) time.Duration {
	_, zone := shot.Zone()
	return camera.Sub(shot.Add(time.Duration(zone) * time.Second))
}

// stepOf is a hundredth only where every frame has one.
func stepOf(timed []frames.Frame) (step time.Duration) {
	for _, f := range timed {
		step = max(step, f.Step)
	}
	return step
}

// typedAt is the file number that a person typed for a shot. The record works all others out from those, so that one
// differs from what the number before it leads to.
func (s *Sheet) typedAt(row int) int {
	now := s.Rows[row].Shot
	if row > 0 {
		before := s.Rows[row-1].Shot
		if now.File == record.FileAfter(before.File, now.Number-before.Number) {
			return 0
		}
	}
	return now.File
}
