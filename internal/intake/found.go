package intake

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"

	"stillwater/internal/contactsheet"
	"stillwater/internal/control"
	"stillwater/internal/frames"
	"stillwater/internal/match"
	"stillwater/internal/optics"
	"stillwater/internal/page"
	"stillwater/internal/phys"
	"stillwater/internal/record"
	"stillwater/internal/shot"
)

// found is the result of looking at a session's frames.
type found struct {
	view     page.CameraView
	shots    map[int64]control.FrameView
	measured []control.PastMeasured
	recorded []control.PastMeasured // measurements on record that are from frames
	basis    basis
	room     *control.RoomFrame // what the black frame says of the room; nil: nothing
}

// maxProblems are shown at once.
const maxProblems = 20

// look matches a session's frames and looks at them.
func (i *Intake) look(ctx context.Context, e *evening, settle []said) (f found, err error) {
	session := e.session
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
	g, unread := i.readReference(session)
	wide := fieldOf(s.Set)
	o := i.lookOptions(session, g, wide, settle)
	scene := page.CameraView{FieldSeen: lengthText(wide), Moves: moves(s.Set), Width: lengthText(rounded(o.Measure.Width))}
	o.Partly = i.partly(e, scene, settle)
	sheet, err := i.sheet(ctx, s, folder, o)
	if err != nil {
		return f, err
	}
	f.show(&sheet, g.Accepted)
	f.basis = basis{g.widthOfSet(s.Set), map[int64]int{}}
	for _, r := range sheet.Rows {
		f.basis.files[r.Shot.ID] = r.Shot.File
	}
	gone, err := withoutCopy(ctx, folder, f.view.Frames)
	if err != nil {
		return f, err
	}
	if unread != nil {
		f.view.Problems = append(f.view.Problems, referenceUnreadable(unread))
	}
	f.view.Kept = keptWords + goneWords(gone) + duplicateWords(sheet.Duplicates)
	f.view.FieldSeen, f.view.Moves = scene.FieldSeen, scene.Moves
	f.view.Width = lengthText(rounded(cmp.Or(sheet.Width(), o.Measure.Width)))
	g.rename(sheet.Original)
	g.show(&f.view)
	f.showRoom(sheet.Room)
	return f, nil
}

// sheet is the frames of a session, without what cannot be used of what a person named: the empty or the black frame
// may be gone. That is its first problem then.
func (i *Intake) sheet(ctx context.Context, s record.Summary, folder *frames.Folder, o contactsheet.Options) (
	contactsheet.Sheet, error,
) {
	var unusable []error
	for {
		made, err := contactsheet.Make(ctx, i.o.Journal, s, folder, o)
		switch {
		case err == nil || ctx.Err() != nil:
			made.Problems = append(unusable, made.Problems...)
			return made, err
		case errors.As(err, new(*contactsheet.BlackError)):
			o.Black = ""
		case o.Measure.Empty != "":
			o.Measure.Empty = ""
		default:
			return made, err
		}
		unusable = append(unusable, err)
	}
}

// lookOptions are how a session's frames are looked at.
func (i *Intake) lookOptions(session int64, g reference, wide phys.Length, settle []said,
) contactsheet.Options {
	i.leaveOut(session)
	leftOut := i.leftOut(session)
	o := contactsheet.Options{FrameStore: i.o.Journal, Open: func(frame string) (func(), error) {
		if slices.Contains(leftOut, frame) {
			return nil, errLeftOut(frame)
		}
		return i.opened(session, frame)
	}}
	o.Measure, o.Black = g.measure(wide), g.Black
	if g.Ruler != nil {
		o.Ruler = g.Ruler.Name
	}
	for n, one := range settle {
		if !slices.ContainsFunc(settle[n+1:], func(later said) bool { return later.replaces(one) }) {
			one.tell(&o)
		}
	}
	return o
}

// hasFrames reports whether files of a session came, or frames of it are known.
func (i *Intake) hasFrames(ctx context.Context, session int64) (bool, error) {
	if _, err := os.Stat(i.store.session(session)); err == nil {
		return true, nil
	}
	known, err := i.o.Journal.Frames(ctx, session)
	return len(known) > 0, err
}

const keptWords = "Copies of the files are kept on the machine. The oldest copies are deleted when they fill 4 GB; " +
	"what was measured stays. The phone's own files are not changed."

// withoutCopy are the frames of which no file is in the folder: their copies gave way, or were never there.
func withoutCopy(ctx context.Context, folder *frames.Folder, all []page.CameraFrame) (names []string, _ error) {
	list, _, err := folder.List(ctx)
	for _, f := range all {
		if !slices.ContainsFunc(list, func(kept frames.Frame) bool { return kept.Name == f.Name }) {
			names = append(names, f.Name)
		}
	}
	return names, err
}

// goneWords say which frames have no copy, and how it comes back; "" all have one.
func goneWords(names []string) string {
	if len(names) == 0 {
		return ""
	}
	which := strings.Join(names[:min(len(names), maxNamed)], ", ")
	if more := len(names) - maxNamed; more > 0 {
		which += fmt.Sprintf(" and %d more", more)
	}
	return fmt.Sprintf(" There is no copy now of %s: choose these files again to restore their copies, which larger "+
		"pictures and new measurements need.", which)
}

// duplicateWords say which frames are there twice; "" none is.
func duplicateWords(all []contactsheet.Duplicate) string {
	var words []string
	for _, d := range all[:min(len(all), maxNamed)] {
		words = append(words, fmt.Sprintf("%s as %s", d.Of, d.Frame))
	}
	switch more := len(all) - maxNamed; {
	case len(all) == 0:
		return ""
	case more > 0:
		words = append(words, fmt.Sprintf("%d more", more))
	}
	return " Frames that came again under another name count once: " + strings.Join(words, ", ") + "."
}

func (i *Intake) emptyView() page.CameraView {
	return page.CameraView{Frames: []page.CameraFrame{}, Problems: []string{}, Clashes: []page.CameraClash{},
		Kept: keptWords}
}

// rounded is a length as well as a person reads it: three figures.
func rounded(l phys.Length) phys.Length {
	if l <= 0 {
		return 0
	}
	unit := math.Pow(10, math.Floor(math.Log10(float64(l)))-2)
	return phys.Length(math.Round(float64(l)/unit) * unit)
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

// show is what phones are shown of a sheet. accepted are the measurements from frames that were put on record.
func (f *found) show(s *contactsheet.Sheet, accepted []control.PastMeasured) {
	f.view.Frames, f.view.Problems, f.view.Clashes = []page.CameraFrame{}, []string{}, []page.CameraClash{}
	f.shots = map[int64]control.FrameView{}
	f.view.Certain, f.view.Likely, f.view.Open = s.Count()
	for _, e := range s.FrameEntries() {
		one := page.CameraFrame{Name: e.Name, Version: versionOf(e.Files), Shot: e.Shot, ShotID: e.ShotID,
			Sure: string(e.Sure), Settled: e.Settled, Pictured: e.Pictured,
			Width: e.Width, Height: e.Height, Number: e.Number, Says: []string{}, Next: []string{}}
		if !e.Taken.IsZero() {
			one.Taken = e.Taken.Format("2006-01-02 15:04:05")
		}
		if e.Look != nil {
			one.Verdict, one.Says, one.Next = record.Verdict(e.Look.Suggested), e.Look.Reasons, e.Look.Next
		}
		f.view.Frames = append(f.view.Frames, one)
		if e.Sure != match.Open && e.Pictured {
			f.shots[e.ShotID] = control.FrameView{Name: e.Name, Version: one.Version, Sure: string(e.Sure),
				Settled: e.Settled,
				Verdict: one.Verdict, Says: one.Says, Next: one.Next}
		}
	}
	for _, c := range s.Contradictions {
		f.view.Clashes = append(f.view.Clashes, page.CameraClash{Words: c.Words(), Frames: c.Frames[:], Shots: c.Shots[:]})
	}
	for _, p := range s.Problems[:min(len(s.Problems), maxProblems)] {
		f.view.Problems = append(f.view.Problems, problemAtPage(p))
		f.view.Damaged = f.view.Damaged || isOfCopy(p)
	}
	if more := len(s.Problems) - maxProblems; more > 0 {
		f.view.Problems = append(f.view.Problems, fmt.Sprintf("and %d more: see to these first", more))
	}
	for _, m := range s.Measurements() {
		f.measured = append(f.measured, pastOf(m))
	}
	for _, m := range s.Recorded(func(m contactsheet.Measurement) bool { return slices.Contains(accepted, pastOf(m)) }) {
		f.recorded = append(f.recorded, pastOf(m))
	}
	f.view.OnRecord = len(f.recorded)
	if l := s.LessonFact(); l != nil {
		f.view.Lesson = &page.CameraLesson{Measured: l.Measured, Waiting: len(f.measured),
			TrimMs: l.TrimMs, LowMs: l.LowMs, HighMs: l.HighMs, Words: l.Words}
	}
}

// showRoom has phones shown what the black frame says of the room; nil: nothing.
func (f *found) showRoom(r *contactsheet.Room) {
	if r == nil {
		return
	}
	f.view.Room = &page.CameraRoom{Open: optics.ExposureTime(r.OpenS).String(), Seen: r.Seen.String(),
		MarginStops: r.MarginStops, Words: r.Words}
	f.room = &control.RoomFrame{Name: r.Frame, Open: f.view.Room.Open, Seen: f.view.Room.Seen, Fix: control.FixOf(r.Fix),
		Camera: r.Camera}
}

// versionOf changes with a frame's files.
func versionOf(files []frames.File) string {
	var parts [][]byte
	for _, f := range files {
		parts = append(parts, fmt.Append(nil, f.Name, f.Size, f.Modified.UnixNano()))
	}
	return hashOf(parts...)
}

// problemAtPage says what is wrong with a file, and what to do on the page.
func problemAtPage(err error) string {
	empty, away := new(contactsheet.EmptyError), new(contactsheet.AwayError)
	black := new(contactsheet.BlackError)
	switch {
	case errors.As(err, &black) && errors.As(err, &away):
		return fmt.Sprintf("The room cannot be judged: this machine has no copy of the black frame, %s. Choose its file "+
			"again to restore it, or choose another black frame.", black.Name)
	case errors.As(err, &black) && errors.Is(err, contactsheet.ErrNotTimed):
		return fmt.Sprintf("The room cannot be judged by %s: %v. Type that and the brightest part yourself, in the first "+
			"step of Light, focus and framing.", black.Name, black.Err)
	case errors.As(err, &black) && errors.Is(err, contactsheet.ErrSetDiffers):
		return fmt.Sprintf("The room cannot be judged by the black frame, %s: %v, at Set up under Light, focus, framing.",
			black.Name, black.Err)
	case errors.As(err, &black):
		return fmt.Sprintf("The room cannot be judged by the black frame, %s: %v. Or choose another black frame.",
			black.Name, black.Err)
	case errors.As(err, &empty) && errors.As(err, &away):
		return fmt.Sprintf("Nothing can be measured: this machine has no copy of the empty frame, %s. Choose its file "+
			"again to restore it, or choose another empty frame.", empty.Name)
	case errors.As(err, &empty):
		return fmt.Sprintf("Nothing can be measured against the empty frame, %s: %v. Or choose another empty frame.",
			empty.Name,
			empty.Err)
	case errors.As(err, &away):
		return fmt.Sprintf("%s: this machine has no copy of it: choose its file again to restore it", away.Name)
	}
	return err.Error()
}

// isOfCopy reports whether a problem is of a file whose copy may be damaged.
func isOfCopy(err error) bool {
	return !errors.As(err, new(*contactsheet.EmptyError)) && !errors.As(err, new(*contactsheet.BlackError)) &&
		!errors.As(err, new(*contactsheet.AwayError))
}

func pastOf(m contactsheet.Measurement) control.PastMeasured {
	return control.PastMeasured{Shot: m.ShotID, PastMm: float64(m.PastUm) / 1e3, PastSDMm: float64(m.SDUm) / 1e3}
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
	view.Busy, view.Waits, view.Changed = e.busy, e.busy == waiting, e.pairs.shown(e.view.Frames)
	view.Kept += i.sourceWords
	view.Matching = len(e.pairs.Said) > 0
	if view.Busy == looking && e.seen.of > 0 {
		view.Busy = fmt.Sprintf("%s: %d of %d", looking, e.seen.done, e.seen.of)
	}
	if view.Busy == "" && len(view.Frames) > 0 && i.isChanged(session) {
		view.Busy = looking
	}
	for _, problem := range []string{e.failed, e.pairs.Refused} {
		if problem != "" {
			view.Problems = append([]string{problem}, view.Problems...)
		}
	}
	return view, nil
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

func noSession(session int64) error {
	return &control.Refusal{Field: "session", Why: fmt.Sprintf("There is no session %d.", session),
		Remedy: "Reload the page to see which sessions there are."}
}

// noFrame refuses a frame that a session does not have; "": nothing is known of its frames.
func (i *Intake) noFrame(session int64, name string) error {
	if _, err := i.find(context.Background(), session); errors.Is(err, record.ErrNotFound) {
		return noSession(session)
	}
	if name == "" {
		return &control.Refusal{Field: "session", Why: fmt.Sprintf("Session %d has no frames yet.", session),
			Remedy: "Choose the camera's files first."}
	}
	i.mu.Lock()
	defer i.mu.Unlock()
	has := func(f page.CameraFrame) bool { return f.Name == name }
	for _, e := range i.evenings {
		if e.session != session && slices.ContainsFunc(e.view.Frames, has) {
			return &control.Refusal{Field: "name", Why: fmt.Sprintf("%s is a frame of session %d, not of %d.", name, e.session,
				session), Remedy: fmt.Sprintf("Open session %d in Look back, and the frame there.", e.session)}
		}
	}
	return &control.Refusal{Field: "name", Why: fmt.Sprintf("Session %d has no frame %q.", session, name),
		Remedy: "Choose its file for this session, or reload the page to see which frames there are."}
}
