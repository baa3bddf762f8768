package intake

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"

	"stillwater/internal/contactsheet"
	"stillwater/internal/control"
	"stillwater/internal/frames"
	"stillwater/internal/match"
	"stillwater/internal/page"
	"stillwater/internal/phys"
	"stillwater/internal/shot"
)

// found is what came of looking at a session's frames.
type found struct {
	view     page.CameraView
	shots    map[int64]control.FrameView
	measured []control.PastMeasured
}

// pairWords say at the page why what was said cannot be, and what to do.
func pairWords(e *contactsheet.PairError) string {
	why := strings.ToUpper(e.Why[:1]) + e.Why[1:]
	if e.Text == "" {
		return fmt.Sprintf("%s. Take back what you said about shot %d.", why, e.Shot)
	}
	return why + ". Open the frame and say again which shot it is."
}

// maxProblems are shown at once.
const maxProblems = 20

// look matches a session's frames and looks at them.
func (i *Intake) look(ctx context.Context, session int64, settle []said) (f found, err error) {
	s, err := i.find(ctx, session)
	if err != nil {
		return f, err
	}
	dir := i.store.session(session)
	if any, err := i.hasFrames(ctx, session); err != nil || !any {
		f.view = i.emptyView()
		return f, err
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return f, err
	}
	folder, err := frames.Open(dir)
	if err != nil {
		return f, err
	}
	defer folder.Close()
	folder.MaxDecoded = maxDecoded
	g, wide := i.readReference(session), fieldOf(s.Set)
	o, err := i.lookOptions(session, g, wide, settle)
	if err != nil {
		return f, err
	}
	sheet, err := contactsheet.Make(ctx, i.o.Journal, s, folder, o)
	if err != nil && g.Empty != "" && ctx.Err() == nil { // the empty frame may be gone
		emptyProblem := err
		o.Measure.Empty = ""
		if sheet, err = contactsheet.Make(ctx, i.o.Journal, s, folder, o); err == nil {
			sheet.Problems = append(sheet.Problems, fmt.Errorf("nothing is measured: %w", emptyProblem))
		}
	}
	if err != nil {
		return f, err
	}
	f.show(&sheet)
	f.view.Kept, f.view.FieldSeen, f.view.Moves = keptWords, lengthText(wide), moves(s.Set)
	f.view.Empty, f.view.FromRight = g.Empty, g.FromRight
	f.view.Width = lengthText(o.Measure.Width)
	return f, nil
}

// lookOptions are how a session's frames are looked at.
func (i *Intake) lookOptions(session int64, g reference, wide phys.Length, settle []said) (
	o contactsheet.Options, err error,
) {
	i.leaveOut(session)
	leftOut := i.leftOut(session)
	o = contactsheet.Options{FrameStore: i.o.Journal, Open: func(frame string) (func(), error) {
		if slices.Contains(leftOut, frame) {
			return nil, errLeftOut(frame)
		}
		return i.opened(session, frame)
	}}
	o.Measure = contactsheet.Measure{Look: true, Loose: true, Empty: g.Empty, FromRight: g.FromRight,
		Width: cmp.Or(g.Width, wide)}
	for n, one := range settle {
		if slices.ContainsFunc(settle[n+1:], func(later said) bool { return later.replaces(one) }) {
			continue
		}
		if err := o.Settle(one.text()); err != nil {
			return o, err
		}
	}
	return o, nil
}

// hasFrames reports whether files of a session came, or frames of it are known.
func (i *Intake) hasFrames(ctx context.Context, session int64) (bool, error) {
	if _, err := os.Stat(i.store.session(session)); err == nil {
		return true, nil
	}
	known, err := i.o.Journal.Frames(ctx, session)
	return len(known) > 0, err
}

const keptWords = "Copies of the files are kept on the machine. The oldest copies are deleted when 4 GB are full; " +
	"what was measured stays. The phone's own files are not changed."

func (i *Intake) emptyView() page.CameraView {
	return page.CameraView{Frames: []page.CameraFrame{}, Problems: []string{}, Kept: keptWords}
}

func lengthText(l phys.Length) string {
	if l <= 0 {
		return ""
	}
	return l.String()
}

// fieldOf is how wide a piece of the scene the set's camera shows where it is focused; 0 not known.
func fieldOf(stored string) phys.Length {
	set, err := shot.ParseSet(stored)
	if err != nil {
		return 0
	}
	if set.Camera.FieldSeen > 0 {
		return set.Camera.FieldSeen
	}
	return set.Camera.Lens().Field(set.Camera.Sensor)
}

func moves(stored string) bool {
	set, err := shot.ParseSet(stored)
	return err == nil && set.Measurable()
}

// show has what phones are shown of a sheet.
func (f *found) show(s *contactsheet.Sheet) {
	f.view.Frames, f.view.Problems = []page.CameraFrame{}, []string{}
	f.shots = map[int64]control.FrameView{}
	f.view.Certain, f.view.Likely, f.view.Open = s.Count()
	for _, e := range s.FrameEntries() {
		one := page.CameraFrame{Name: e.Name, Shot: e.Shot, ShotID: e.ShotID, Sure: string(e.Sure), Settled: e.Settled,
			Pictured: e.Pictured, Says: []string{}, Next: []string{}}
		if !e.Taken.IsZero() {
			one.Taken = e.Taken.Format("2006-01-02 15:04:05")
		}
		if e.Look != nil {
			one.Verdict, one.Says, one.Next = control.Verdict(e.Look.Suggested), e.Look.Reasons, e.Look.Next
		}
		f.view.Frames = append(f.view.Frames, one)
		if e.Sure != match.Open && e.Pictured {
			f.shots[e.ShotID] = control.FrameView{Name: e.Name, Sure: string(e.Sure), Settled: e.Settled,
				Verdict: one.Verdict, Says: one.Says, Next: one.Next}
		}
	}
	for _, p := range s.Problems[:min(len(s.Problems), maxProblems)] {
		f.view.Problems = append(f.view.Problems, p.Error())
	}
	for _, m := range s.Measurements() {
		f.measured = append(f.measured, control.PastMeasured{Shot: m.ShotID, PastMm: float64(m.PastUm) / 1e3,
			PastSDMm: float64(m.SDUm) / 1e3})
	}
	if l := s.LessonFact(); l != nil {
		f.view.Lesson = &page.CameraLesson{Measured: l.Measured, Waiting: len(f.measured), TrimMs: l.TrimMs,
			LowMs: l.LowMs, HighMs: l.HighMs, Words: l.Words}
	}
}

// Frames implements page.Camera. What is not known yet is worked out, and the view says so.
func (i *Intake) Frames(ctx context.Context, session int64) (page.CameraView, error) {
	e, err := i.evening(ctx, session)
	if err != nil {
		return page.CameraView{}, err
	}
	i.mu.Lock()
	unknown := !e.made && e.due.IsZero() && e.failed == ""
	i.mu.Unlock()
	if unknown {
		i.want(e, 0, func() {})
	}
	i.mu.Lock()
	defer i.mu.Unlock()
	view := e.view
	view.Busy = e.busy
	for _, problem := range []string{e.failed, e.refused} {
		if problem != "" {
			view.Problems = append([]string{problem}, view.Problems...)
		}
	}
	return view, nil
}

// Picture implements page.Camera.
func (i *Intake) Picture(ctx context.Context, session int64, name string) ([]byte, error) {
	return i.o.Journal.FramePicture(ctx, session, name)
}

// frame finds a frame of a session; nil: there is none. "" is any session that is known.
func (i *Intake) frame(session int64, name string) (*evening, page.CameraFrame) {
	i.mu.Lock()
	defer i.mu.Unlock()
	e := i.evenings[session]
	if e == nil || name == "" {
		return e, page.CameraFrame{}
	}
	at := slices.IndexFunc(e.view.Frames, func(f page.CameraFrame) bool { return f.Name == name })
	if at < 0 {
		return nil, page.CameraFrame{}
	}
	return e, e.view.Frames[at]
}

func noFrame(name string) error {
	return &control.Refusal{Field: "name", Why: fmt.Sprintf("There is no frame %q.", name), Remedy: "Reload the page."}
}

// Pair implements control.Camera.
func (i *Intake) Pair(ctx context.Context, session int64, number int, frame string) error {
	e, was := i.frame(session, frame)
	if e == nil || frame == "" || frame == "none" {
		return noFrame(frame)
	}
	says := said{Shot: number, Frame: frame}
	if number == 0 {
		if !was.Settled {
			return &control.Refusal{Field: "name", Why: fmt.Sprintf("Nobody said which shot %s is.", frame),
				Remedy: "Say which one it is."}
		}
		says.Shot, says.Not = was.Shot, true
	} else if err := i.hasShot(ctx, session, number); err != nil {
		return err
	}
	return i.keepSaid(e, says)
}

// keepSaid keeps what a person said until it is looked at, which has to wait while something is armed.
func (i *Intake) keepSaid(e *evening, says said) error {
	i.notes.Lock()
	defer i.notes.Unlock()
	i.mu.Lock()
	all := append(slices.Clone(e.settle), says)
	i.mu.Unlock()
	if err := i.writeNote(e.session, saidFile, all); err != nil {
		return notKept(err)
	}
	i.want(e, 0, func() { e.settle, e.refused = all, "" })
	return nil
}

func notKept(err error) error {
	return &control.Refusal{Why: fmt.Sprintf("It could not be kept: %v.", plain(err)),
		Remedy: "See that the machine's disk has room."}
}

// hasShot refuses the number of a shot that a session does not have.
func (i *Intake) hasShot(ctx context.Context, session int64, number int) error {
	s, err := i.find(ctx, session)
	switch {
	case err != nil:
		return &control.Refusal{Why: fmt.Sprintf("The record cannot be read: %v.", plain(err)), Remedy: "Try it again."}
	case s.Shots == 0:
		return &control.Refusal{Field: "number", Why: fmt.Sprintf("Session %d has no shots.", session),
			Remedy: "Make a shot first."}
	case number < 1 || number > s.Shots:
		return &control.Refusal{Field: "number", Why: fmt.Sprintf("Session %d has no shot %d.", session, number),
			Remedy: fmt.Sprintf("Type a number from 1 to %d.", s.Shots)}
	}
	return nil
}

// Reference implements control.Camera.
func (i *Intake) Reference(session int64, empty, width string, fromRight bool) error {
	e, _ := i.frame(session, empty)
	if e == nil {
		return noFrame(empty)
	}
	g := reference{Empty: empty, FromRight: fromRight}
	if width != "" {
		wide, err := phys.ParseLength(width)
		if err != nil || wide < 0.001 || wide > 20 {
			return &control.Refusal{Field: "value", Why: "The width must be 1 mm to 20 m.",
				Remedy: "Type a length like 60 cm."}
		}
		g.Width = wide
	}
	if err := i.writeNote(session, referenceFile, g); err != nil {
		return notKept(err)
	}
	i.want(e, 0, func() {})
	return nil
}

// plain is an error without the name of a file of the machine.
func plain(err error) error {
	if e := new(fs.PathError); errors.As(err, &e) {
		return e.Err
	}
	return err
}

// Measured implements control.Camera.
func (i *Intake) Measured(session int64) ([]control.PastMeasured, error) {
	i.mu.Lock()
	defer i.mu.Unlock()
	e := i.evenings[session]
	if e == nil || len(e.measured) == 0 {
		return nil, &control.Refusal{Field: "", Why: "There is no new measurement to record.",
			Remedy: "Choose the empty frame if you have not."}
	}
	return e.measured, nil
}

// Recorded implements control.Camera.
func (i *Intake) Recorded(session int64) {
	if e, _ := i.frame(session, ""); e != nil {
		i.want(e, 0, func() {})
	}
}
