// Package intake takes in the camera's files, from phones, a watched folder or a connected camera: it keeps them in a
// folder beside the record, and says which is which shot and what they show. It works while nothing is armed, on a
// thread that yields to all others, one frame at a time; what it was doing is done again, from the frame on that it was
// at, when something was armed meanwhile.
//
// In memory are a part of a file for each one who sends, a picture as it is decoded (see package frames), and what is
// known of the frames of a few sessions. On the disk are at most 4 GB of files; the oldest pictures give way, and so do
// they where the disk would have less than 1 GB left for the record. What was seen in them stays on record.
package intake

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"runtime"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"stillwater/internal/background"
	"stillwater/internal/contactsheet"
	"stillwater/internal/control"
	"stillwater/internal/page"
	"stillwater/internal/record"
	"stillwater/internal/unarmed"
)

// Journal is the part of the record that intake needs.
type Journal interface {
	contactsheet.FrameStore
	contactsheet.Source
	Marks
	Sessions(context.Context) ([]record.Summary, error)
}

// Display shows phones how far it is: the control.
type Display interface {
	State() control.State
	SessionID() int64
	ShowCamera(session int64, now control.CameraStatus, frames map[int64]control.FrameView)
}

// Options is what an Intake is made of. Dir and Journal must be given.
type Options struct {
	Dir     string // for the files; it is made when one comes
	Journal Journal
	Yield   func() // makes the thread that calls it yield to all others; nil does nothing
	Log     *slog.Logger
}

// Intake is safe for concurrent use.
type Intake struct {
	o     Options
	store store         // its mutex is locked before all below: it asks what is armed
	wake  chan struct{} // has room for one

	notes sync.Mutex // see mark.go and note.go; locked before mu

	ended atomic.Bool

	changes sync.Mutex    // locked by whoever changes the record, who may hold any other
	changed map[int64]int // how often something on record of a session changed; 0: of any

	mu       sync.Mutex
	display  Display // nil: it does not run
	evenings map[int64]*evening
	version  int
	problems struct{ camera, folder, files string } // sentences; "" none

	patience    time.Duration
	sourceWords string // where files come from besides phones; "" from nowhere else

	decoding sync.Mutex // held while a frame's files are open; locked before all others
	larger   *larger
}

// evening is what is known of a session's frames, and what is to be done about them.
type evening struct {
	session  int64
	due      time.Time // when to look; zero: there is nothing to do
	first    time.Time // since when there is
	wanted   int       // how often it was to be looked at
	stale    bool      // what it is measured against changed since it was looked at
	basis    basis     // of what was measured, at most
	pairs    pairs
	failed   string // why the last look failed
	busy     string
	seen     progress
	stop     context.CancelCauseFunc // ends the look that goes on; nil: none does
	view     page.CameraView
	made     bool // the view
	shots    map[int64]control.FrameView
	room     *control.RoomFrame
	measured []control.PastMeasured
	recorded []control.PastMeasured // measurements on record that are from frames
}

// progress is how many of an evening's pictures were looked at, of how many; 0 of 0: it is not known.
type progress struct{ done, of int }

// maxDecoded is what decoding a picture may take beside the daemon's own 32 MB, in bytes: the service's GOMEMLIMIT
// leaves 160 MB. A baseline JPEG of any camera takes less.
const maxDecoded = 96_000_000

const (
	pause       = time.Second      // after a file nothing more came: it is looked at
	maxWait     = 20 * time.Second // or when files have come for so long
	maxEvenings = 8                // known at once
)

// New returns an Intake that looks at nothing until Start.
func New(o Options) *Intake {
	if o.Log == nil {
		o.Log = slog.Default()
	}
	if o.Yield == nil {
		o.Yield = func() {}
	}
	i := &Intake{o: o, store: store{dir: o.Dir, limits: usualLimits(), free: freeBytes},
		wake: make(chan struct{}, 1), evenings: map[int64]*evening{}, larger: newLarger(), patience: patience}
	i.store.onRecord, i.store.holdsUp = i.onRecord, i.holdsUp
	i.store.gave = func(paths []string) {
		i.o.Log.Info("deleted the oldest copies of camera files to make room; their measurements stay", "files", paths)
	}
	return i
}

// What is shown of what is being done.
const (
	looking = "looking at the frames"
	waiting = "waiting until nothing is armed"
)

// armed reports whether work has to wait.
func (i *Intake) armed() bool {
	i.mu.Lock()
	display := i.display
	i.mu.Unlock()
	if display == nil {
		return false
	}
	state := display.State()
	return state != control.Safe && state != control.Fault
}

// holdsUp reports whether a file is not to be read any further: something is armed, or the program ends.
func (i *Intake) holdsUp() bool { return i.ended.Load() || i.armed() }

// Receive implements page.Camera.
func (i *Intake) Receive(ctx context.Context, session int64, f page.CameraFile, at int64, part []byte) (
	page.ReceivedPart, error,
) {
	if i.armed() {
		return page.ReceivedPart{}, page.ErrArmed
	}
	e, err := i.evening(ctx, session)
	if err != nil {
		return page.ReceivedPart{}, err
	}
	t, err := i.store.receive(session, f, at, part)
	n := new(notReceived)
	if err != nil && !errors.Is(err, page.ErrArmed) && !errors.As(err, &n) { // the next file may fare better
		i.o.Log.Warn("cannot save a camera's file", "file", f.Name, "err", err)
		err = refusal(fmt.Sprintf("%s cannot be saved on the machine.", f.Name), "The machine's log says why.",
			"The log says why.")
	}
	if t.whole || t.name != "" && f.Client != "" && i.tryAgain(session, stemOf(t.name)) {
		i.want(e, pause, func() {})
	}
	return page.ReceivedPart{Have: t.have, Key: t.key, Gone: t.gone}, err
}

// onRecord reports whether a frame is known, so that its file need not come again.
func (i *Intake) onRecord(session int64, frame string) bool {
	all, err := i.o.Journal.Frames(context.Background(), session)
	return err == nil && slices.ContainsFunc(all, func(f record.Frame) bool { return f.Name == frame })
}

// evening returns the evening of a session, which must be on record.
func (i *Intake) evening(ctx context.Context, session int64) (*evening, error) {
	i.mu.Lock()
	e := i.evenings[session]
	i.mu.Unlock()
	if e != nil {
		return e, nil
	}
	if _, err := i.find(ctx, session); err != nil {
		return nil, err
	}
	before, err := readMark[pairs](i, session, pairsMark)
	if err != nil {
		i.o.Log.Warn("cannot read the saved pairs of frames and shots", "session", session, "err", err)
		before.Refused = pairsUnreadable
	}
	i.mu.Lock()
	defer i.mu.Unlock()
	if e = i.evenings[session]; e == nil {
		e = &evening{session: session, view: i.emptyView(), pairs: before}
		i.evenings[session] = e
		i.forgetOne(e)
	}
	return e, nil
}

func (i *Intake) find(ctx context.Context, session int64) (record.Summary, error) {
	all, err := i.o.Journal.Sessions(ctx)
	if err != nil {
		return record.Summary{}, err
	}
	at := slices.IndexFunc(all, func(s record.Summary) bool { return s.ID == session })
	if at < 0 {
		return record.Summary{}, fmt.Errorf("session %d is %w", session, record.ErrNotFound)
	}
	return all[at], nil
}

// forgetOne forgets an evening that has nothing to do, if there are many. The mutex is held.
func (i *Intake) forgetOne(but *evening) {
	for id, e := range i.evenings {
		if len(i.evenings) > maxEvenings && e != but && e.due.IsZero() {
			delete(i.evenings, id)
		}
	}
}

// want has an evening looked at, in a while; change is made first.
func (i *Intake) want(e *evening, in time.Duration, change func()) {
	busy := looking
	if i.armed() {
		busy = waiting
	}
	i.mu.Lock()
	defer i.mu.Unlock()
	change()
	e.wanted++
	now := time.Now()
	if e.due.IsZero() {
		e.first = now
	}
	e.due = now.Add(in)
	if last := e.first.Add(maxWait); e.due.After(last) {
		e.due = last
	}
	i.evenings[e.session] = e
	i.say(e, busy)
	i.wakeUp()
}

// Changed has the frames of a session (0: of any) looked at again, because something on record changed that they are
// compared with. It returns at once, whatever its caller has locked.
func (i *Intake) Changed(session int64) {
	i.changes.Lock()
	if i.changed == nil {
		i.changed = map[int64]int{}
	}
	i.changed[session]++
	i.changes.Unlock()
	i.wakeUp()
}

func (i *Intake) wakeUp() {
	select {
	case i.wake <- struct{}{}:
	default:
	}
}

// isChanged reports whether something on record changed since a session's frames were looked at.
func (i *Intake) isChanged(session int64) bool {
	i.changes.Lock()
	defer i.changes.Unlock()
	return i.changed[session] > 0 || i.changed[0] > 0
}

// renew marks the evenings whose record changed to be looked at again, if they have frames.
func (i *Intake) renew() {
	i.changes.Lock()
	changed := maps.Clone(i.changed)
	i.changes.Unlock()
	if len(changed) == 0 {
		return
	}
	i.mu.Lock()
	var list []*evening
	for session, e := range i.evenings {
		if changed[session]+changed[0] > 0 && (len(e.view.Frames) > 0 || !e.due.IsZero()) {
			list = append(list, e)
		}
	}
	i.mu.Unlock()
	for _, e := range list {
		i.want(e, pause, func() {})
	}
	i.changes.Lock()
	defer i.changes.Unlock()
	for session, count := range changed {
		if i.changed[session] == count { // or else it changed meanwhile
			delete(i.changed, session)
		}
	}
}

// say shows what is being done. The mutex is held.
func (i *Intake) say(e *evening, busy string) {
	if e.busy == busy {
		return
	}
	e.busy = busy
	i.show(e, nil)
}

// show shows that more is known of an evening. The mutex is held.
func (i *Intake) show(e *evening, frames map[int64]control.FrameView) {
	i.version++
	if i.display != nil {
		i.display.ShowCamera(e.session, control.CameraStatus{Version: i.version, Busy: e.busy, Measured: len(e.measured),
			Problem: i.problemWords(), Room: e.room}, frames)
	}
}

// Start looks at what came and comes, and shows it, until the context ends. Call what it returns to end it, and what
// larger picture is being made.
func (i *Intake) Start(ctx context.Context, display Display) (end func()) {
	ctx, stop := context.WithCancel(ctx)
	done := make(chan struct{})
	context.AfterFunc(ctx, func() { i.ended.Store(true) })
	go func() {
		defer close(done)
		i.run(ctx, display)
	}()
	return func() {
		stop()
		i.ended.Store(true) // at once: what is above runs in a goroutine of its own
		larger := make(chan struct{})
		go func() { i.larger.end(); close(larger) }()
		i.await("camera files are being read", larger, done)
	}
}

// patience is how long the end waits for a file: one on a disk of the network that is gone is never read. Own choice.
const patience = 10 * time.Second

// await waits for all that is to end, but not for ever.
func (i *Intake) await(what string, all ...<-chan struct{}) {
	late := time.NewTimer(i.patience)
	defer late.Stop()
	for _, done := range all {
		select {
		case <-done:
			continue
		default:
		}
		select {
		case <-done:
		case <-late.C:
			i.o.Log.Warn("stopping without waiting any longer: a disk or the camera does not answer", "while", what)
			return
		}
	}
}

func (i *Intake) run(ctx context.Context, display Display) {
	runtime.LockOSThread() // and never unlocked: it yields for good
	i.o.Yield()
	i.mu.Lock()
	i.display = display
	i.mu.Unlock()
	i.begin(ctx, display.SessionID())
	for ctx.Err() == nil {
		i.renew()
		e, in := i.next(time.Now())
		switch {
		case e != nil && i.armed():
			i.mu.Lock()
			i.say(e, waiting)
			i.mu.Unlock()
			in = unarmed.Check
		case e != nil:
			i.mu.Lock()
			i.say(e, looking)
			i.mu.Unlock()
			i.work(ctx, e)
			continue
		}
		i.rest(ctx, in)
	}
}

// begin looks at what came before a restart.
func (i *Intake) begin(ctx context.Context, session int64) {
	i.mu.Lock()
	i.version++
	i.display.ShowCamera(session, control.CameraStatus{Version: i.version, Problem: i.problemWords()}, nil)
	i.mu.Unlock()
	for _, one := range append(i.unsettled(), session) {
		if one == 0 {
			continue
		}
		if e, err := i.evening(ctx, one); err == nil {
			i.want(e, 0, func() {})
		}
	}
}

// next returns an evening to look at now, or else how long until there is one; 0: there is none.
func (i *Intake) next(now time.Time) (e *evening, in time.Duration) {
	i.mu.Lock()
	defer i.mu.Unlock()
	for _, one := range i.evenings {
		if !one.due.IsZero() && (e == nil || one.due.Before(e.due)) {
			e = one
		}
	}
	if e == nil {
		return nil, 0
	}
	if in = e.due.Sub(now); in > 0 {
		return nil, in
	}
	return e, 0
}

// rest waits that long, or until there is something to do; 0: without limit.
func (i *Intake) rest(ctx context.Context, in time.Duration) {
	var over <-chan time.Time
	if in > 0 {
		timer := time.NewTimer(in)
		defer timer.Stop()
		over = timer.C
	}
	select {
	case <-ctx.Done():
	case <-i.wake:
	case <-over:
	}
}

// errSaid means that somebody said which shot a frame is, which comes before looking at more pictures.
var errSaid = errors.New("something was said of a frame")

// work looks at an evening's frames, unless something is armed meanwhile, or said of them: then it is due still. What a
// person said waits until what the frames were before is kept, so that what it changes can be said, whatever ends the
// program.
func (i *Intake) work(ctx context.Context, e *evening) {
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	i.mu.Lock()
	wanted, p := e.wanted, e.pairs
	if len(p.Said) > 0 && p.Before == nil && e.made {
		p.Before = pairedOf(e.view.Frames)
	}
	e.stop, e.seen = stop, progress{}
	i.mu.Unlock()
	settle := p.Said
	switch {
	case len(settle) == 0:
	case p.Before == nil:
		settle = nil
	default:
		i.changePairs(e, func(now *pairs) { now.Before = p.Before })
	}
	news := i.store.news(e.session)
	var f found
	var err error
	background.HoldGC(func() {
		err = unarmed.Do(ctx, i.armed, func(ctx context.Context) (err error) {
			f, err = i.look(ctx, e, settle)
			return err
		})
	})
	i.mu.Lock()
	e.stop = nil
	i.mu.Unlock()
	if errors.Is(err, unarmed.ErrArmed) || ctx.Err() != nil {
		return
	}
	if refused := i.refused(e, settle, err); !refused { // or else it is due still, without that
		i.looked(e, wanted, news, f, err)
	}
}

// partlyEvery is how often at most an evening is shown while its pictures are looked at. Own choice.
const partlyEvery = time.Second

// partly shows what is known of an evening while it is looked at: the matches first, with what became of what a person
// said, and then the pictures as they come. scene is what the set says of what is photographed.
func (i *Intake) partly(e *evening, scene page.CameraView, settle []said) func(*contactsheet.Sheet, int, int) {
	var last time.Time
	return func(s *contactsheet.Sheet, done, of int) {
		i.mu.Lock()
		e.seen = progress{done, of}
		i.mu.Unlock()
		if done > 0 && time.Since(last) < partlyEvery {
			return
		}
		last = time.Now()
		var f found
		f.show(s, nil)
		if done == 0 && len(settle) > 0 {
			i.settled(e, settle, f)
		}
		i.mu.Lock()
		defer i.mu.Unlock()
		v := &e.view
		keepPictures(f.view.Frames, v.Frames)
		v.Frames, v.Problems, v.Damaged = f.view.Frames, f.view.Problems, f.view.Damaged
		v.Clashes, v.Moves, v.FieldSeen = f.view.Clashes, scene.Moves, scene.FieldSeen
		v.Width = cmp.Or(v.Width, scene.Width)
		v.Certain, v.Likely, v.Open = f.view.Certain, f.view.Likely, f.view.Open
		e.made = true
		if len(e.pairs.Said) > 0 && e.stop != nil { // before anything was known
			e.stop(errSaid)
		}
		i.show(e, nil)
	}
}

// keepPictures keeps what is shown of frames that are to be looked at again: their pictures are as they were, and a
// ruler can be placed in them.
func keepPictures(now, before []page.CameraFrame) {
	for n := range now {
		f := &now[n]
		at := slices.IndexFunc(before, func(was page.CameraFrame) bool {
			return was.Pictured && was.Name == f.Name && was.Version == f.Version
		})
		if !f.Pictured && at >= 0 {
			f.Pictured, f.Width, f.Height = true, before[at].Width, before[at].Height
		}
	}
}

// settled keeps the effect of what a person said.
func (i *Intake) settled(e *evening, settle []said, f found) {
	i.changePairs(e, func(p *pairs) {
		p.change(p.Before, pairedOf(f.view.Frames), settle)
		p.Said, p.Before = p.Said[len(settle):], nil
	})
}

// refused keeps why what a person said cannot be, if that is so.
func (i *Intake) refused(e *evening, settle []said, err error) bool {
	pair := new(contactsheet.MatchError)
	if len(settle) == 0 || !errors.As(err, &pair) {
		return false
	}
	i.changePairs(e, func(p *pairs) {
		p.Refused = matchWords(pair)
		p.Said, p.Before = p.Said[len(settle):], nil
	})
	return true
}

// looked shows the result of looking at an evening; wanted is how often that had been asked for before.
func (i *Intake) looked(e *evening, wanted int, news []string, f found, err error) {
	i.store.looked(e.session, news) // those that follow shall not wait for ever
	i.mu.Lock()
	defer i.mu.Unlock()
	e.failed = ""
	seen := e.wanted == wanted // or else it was wanted again meanwhile
	if seen {
		e.due = time.Time{}
	}
	if err != nil {
		i.o.Log.Warn("cannot look at the camera's frames", "session", e.session, "err", err)
		e.failed = fmt.Sprintf("The frames cannot be read: %v.", err)
	} else {
		e.view, e.shots, e.measured, e.recorded, e.made = f.view, f.shots, f.measured, f.recorded, true
		e.basis, e.room = f.basis, f.room
		e.stale = e.stale && !seen
		if len(e.pairs.Said) > 0 && e.due.IsZero() {
			e.due = time.Now()
		}
	}
	e.busy = ""
	if !e.due.IsZero() {
		e.busy = looking
	}
	i.show(e, e.shots)
}
