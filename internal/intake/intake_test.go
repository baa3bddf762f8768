package intake

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"image/jpeg"
	"iter"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/contactsheet"
	"stillwater/internal/control"
	"stillwater/internal/frames/framestest"
	"stillwater/internal/journal"
	"stillwater/internal/match"
	"stillwater/internal/page"
	"stillwater/internal/proctest"
	"stillwater/internal/record"
	"stillwater/internal/shot"
)

// screen is what phones are shown.
type screen struct {
	mu      sync.Mutex
	state   control.State
	session int64
	now     control.CameraStatus
	frames  map[int64]control.FrameView
	news    chan struct{}
}

func (s *screen) State() control.State {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.state
}

func (s *screen) be(state control.State) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.state = state
}

func (s *screen) SessionID() int64 { return s.session }

func (s *screen) ShowCamera(_ int64, now control.CameraStatus, frames map[int64]control.FrameView) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.now = now
	if frames != nil {
		s.frames = frames
	}
	select {
	case s.news <- struct{}{}:
	default:
	}
}

// until waits for what phones are shown.
func (s *screen) until(t *testing.T, what string, is func(control.CameraStatus, map[int64]control.FrameView) bool) {
	t.Helper()
	late := time.After(4 * time.Minute)
	for {
		s.mu.Lock()
		now, frames := s.now, s.frames
		s.mu.Unlock()
		if is(now, frames) {
			return
		}
		select {
		case <-s.news:
		case <-late:
			require.Fail(t, "waited in vain until "+what)
		}
	}
}

// studio is a machine with an evening's shots, and the camera's files of them on a phone: the camera is three hours
// behind, and took none of shot 3.
type studio struct {
	*Intake
	t       *testing.T
	journal *journal.Journal
	session int64
	screen  *screen
	shots   []record.Shot
	files   map[string][]byte
	end     func()
}

var secondsOf = []int{0, 21, 47, 108, 139, 171, 230, 262}

func newStudio(t *testing.T) *studio {
	t.Helper()
	picture := framestest.Plain(60, 40)
	return newStudioOf(t, shot.DefaultSet(), secondsOf, func(i int) []byte {
		if i == 2 {
			return nil
		}
		return picture
	})
}

// newStudioOf has shots so many seconds after the first, and of each the picture that is asked for; nil is none.
func newStudioOf(t *testing.T, with shot.Set, seconds []int, pictureOf func(i int) []byte) *studio {
	t.Helper()
	ctx := t.Context()
	j, err := journal.Open(ctx, filepath.Join(t.TempDir(), "journal.db"))
	require.NoError(t, err)
	t.Cleanup(func() { j.Close() })
	set, err := json.Marshal(with)
	require.NoError(t, err)
	start := time.Date(2026, 11, 24, 20, 30, 0, 0, time.UTC)
	s, err := j.NewSession(ctx, record.Session{Started: start, Set: string(set), When: record.When{Boot: "b"}})
	require.NoError(t, err)
	x := &studio{t: t, journal: j, session: s.ID, files: map[string][]byte{}}
	file := 471
	for i, after := range seconds {
		at := start.Add(time.Duration(after)*time.Second + 300*time.Millisecond)
		made, err := j.Add(ctx, record.Shot{Session: s.ID, At: at, When: record.When{Boot: "b", Wall: at,
			SinceBoot: at.Sub(start)}, Status: record.StatusDone, Set: string(set), DelayNs: 90e6})
		require.NoError(t, err)
		x.shots = append(x.shots, made)
		if picture := pictureOf(i); picture != nil {
			x.files[fmt.Sprintf("PICT%04d.JPG", file)] = framestest.WithExif(picture,
				at.Add(-3*time.Hour).Format("2006:01:02 15:04:05"), "")
			file++
		}
	}
	x.open()
	return x
}

// open makes it anew, with what is on the disk.
func (x *studio) open() {
	if x.end != nil {
		x.end()
	}
	x.Intake = New(Options{Dir: x.journal.Path() + "-frames", Journal: x.journal})
	x.patience = time.Hour // however busy the machine is
	x.journal.OnChange(x.Changed)
	x.screen = &screen{state: control.Safe, session: x.session, news: make(chan struct{}, 1)}
}

// start has it look at what came and comes.
func (x *studio) start() { x.end = sync.OnceFunc(x.Start(x.t.Context(), x.screen)); x.t.Cleanup(x.end) }

func (x *studio) startAnew() { x.open(); x.start() }

func (x *studio) send(name string) error {
	f := page.CameraFile{Name: name, Size: int64(len(x.files[name]))}
	for at, part := int64(0), int64(page.FirstPartBytes); at < f.Size; part = 700 {
		t, err := x.Receive(x.t.Context(), x.session, f, at, x.files[name][at:min(at+part, f.Size)])
		if err != nil {
			return err
		}
		at, f.Key = t.Have, t.Key
	}
	return nil
}

func (x *studio) sendAll() {
	x.t.Helper()
	for name := range x.files {
		require.NoError(x.t, x.send(name))
	}
}

func (x *studio) untilFramed(shots int) {
	x.t.Helper()
	x.screen.until(x.t, fmt.Sprint(shots, " shots have frames"),
		func(now control.CameraStatus, frames map[int64]control.FrameView) bool {
			return now.Busy == "" && len(frames) == shots
		})
}

func (x *studio) untilLooked() {
	x.t.Helper()
	x.screen.until(x.t, "all was looked at", func(control.CameraStatus, map[int64]control.FrameView) bool {
		e, err := x.evening(x.t.Context(), x.session)
		require.NoError(x.t, err)
		x.mu.Lock()
		defer x.mu.Unlock()
		return e.due.IsZero()
	})
}

func (x *studio) view() page.CameraView {
	x.t.Helper()
	v, err := x.Frames(x.t.Context(), x.session)
	require.NoError(x.t, err)
	return v
}

// Files that a phone sends are put to their shots, and their pictures are there; sent again they are taken for known,
// even when their copies had to give way.
func TestFilesFindTheirShots(t *testing.T) {
	x := newStudio(t)
	x.start()
	x.sendAll()
	x.untilFramed(7)
	v := x.view()
	assert.Equal(t, []int{7, 0, 1}, []int{v.Certain, v.Likely, v.Open})
	assert.Len(t, v.Frames, 7)
	version := v.Frames[2].Version
	assert.NotEqual(t, version, v.Frames[1].Version)
	assert.Equal(t, page.CameraFrame{Name: "PICT0473", Version: version, Taken: "2026-11-24 17:31:48", Shot: 4,
		ShotID: x.shots[3].ID, Sure: "certain", Pictured: true, Width: 40, Height: 60, Number: 473,
		Says: []string{}, Next: []string{}}, v.Frames[2])
	for _, f := range v.Frames {
		picture, err := x.Picture(t.Context(), x.session, f.Name)
		require.NoError(t, err)
		assert.NotEmpty(t, picture)
	}
	changed := time.Now() // another file is in its place
	require.NoError(t, os.Chtimes(filepath.Join(x.store.session(x.session), "PICT0473.JPG"), changed, changed))
	x.Changed(x.session)
	x.until(func(v page.CameraView) bool { return v.Frames[2].Version != version })
	_, err := x.Receive(t.Context(), 99, page.CameraFile{Name: "A.JPG", Size: 9}, 0, jpegOf(9))
	require.ErrorIs(t, err, record.ErrNotFound)

	for name := range x.files {
		require.NoError(t, os.Remove(filepath.Join(x.store.session(x.session), name)))
	}
	x.startAnew()
	x.untilFramed(7)
	for name, content := range x.files {
		f := page.CameraFile{Name: name, Size: int64(len(content))}
		got, err := x.Receive(t.Context(), x.session, f, 0, content)
		require.NoError(t, err)
		assert.Equal(t, page.ReceivedPart{Have: f.Size, Gone: true}, got)
	}
	assert.Empty(t, kept(t, &x.store, x.session))

	require.NoError(t, x.journal.KeepMatches(t.Context(), x.session, nil, true))
	require.NoError(t, x.send("PICT0471.JPG"))
	assert.Equal(t, []string{"PICT0471.JPG"}, kept(t, &x.store, x.session), "what is not on record any more comes again")
}

// While something is armed no file is taken, and what came is looked at afterwards; phones are shown that.
func TestArmedComesFirst(t *testing.T) {
	x := newStudio(t)
	require.NoError(t, x.send("PICT0471.JPG"))
	x.screen.be(control.Armed)
	x.start()
	x.screen.until(t, "it is shown", func(now control.CameraStatus, _ map[int64]control.FrameView) bool {
		return now.Version > 0
	})
	assert.ErrorIs(t, x.send("PICT0472.JPG"), page.ErrArmed)
	x.screen.until(t, "it says that it waits", func(now control.CameraStatus, frames map[int64]control.FrameView) bool {
		return now.Busy == "waiting until nothing is armed" && len(frames) == 0
	})
	assert.True(t, x.view().Waits)
	known, err := x.journal.Frames(t.Context(), x.session)
	require.NoError(t, err)
	assert.Empty(t, known, "not even read")
	x.screen.be(control.Safe)
	x.sendAll()
	x.untilFramed(7)
}

// arming is a journal in whose third writing something is armed.
type arming struct {
	Journal
	arm  func()
	kept int
}

func (a *arming) KeepFrame(ctx context.Context, f record.Frame) error {
	if a.kept++; a.kept == 3 {
		a.arm()
		<-ctx.Done()
	}
	return a.Journal.KeepFrame(context.WithoutCancel(ctx), f)
}

// What is being looked at is left when something is armed, and what was done by then is not done again.
func TestArmedMeanwhile(t *testing.T) {
	x := newStudio(t)
	a := &arming{Journal: x.journal, arm: func() { x.screen.be(control.Armed) }}
	x.o.Journal = a
	x.sendAll()
	x.start()
	x.screen.until(t, "it waits", func(now control.CameraStatus, _ map[int64]control.FrameView) bool {
		return now.Busy == "waiting until nothing is armed"
	})
	x.screen.be(control.Safe)
	x.untilFramed(7)
	assert.Equal(t, 2*7, a.kept, "each is read once and looked at once")
}

// A frame may be called like a word of the command line.
func TestFrameCalledNone(t *testing.T) {
	x := newStudio(t)
	x.start()
	x.files = map[string][]byte{"none.JPG": x.files["PICT0471.JPG"], "any.JPG": x.files["PICT0472.JPG"]}
	x.sendAll()
	x.screen.until(t, "they were looked at", func(now control.CameraStatus, _ map[int64]control.FrameView) bool {
		return now.Busy == "" && len(x.view().Frames) == 2
	})
	for number, name := range map[int]string{1: "none", 2: "any"} {
		require.NoError(t, x.Match(t.Context(), x.session, number, name))
	}
	x.screen.until(t, "both are settled", func(_ control.CameraStatus, frames map[int64]control.FrameView) bool {
		one, two := frames[x.shots[0].ID], frames[x.shots[1].ID]
		return one.Settled && one.Name == "none" && two.Settled && two.Name == "any"
	})
}

// One frame that a person knows is taken, stays after a restart, and can be taken back.
func TestPairOnThePage(t *testing.T) {
	x := newStudio(t)
	x.start()
	x.files = map[string][]byte{"PICT0471.JPG": x.files["PICT0471.JPG"], "PICT0472.JPG": x.files["PICT0472.JPG"]}
	x.sendAll()
	x.screen.until(t, "they were looked at", func(now control.CameraStatus, _ map[int64]control.FrameView) bool {
		return now.Busy == "" && len(x.view().Frames) == 2
	})
	require.ErrorContains(t, x.Match(t.Context(), x.session, 2, "PICT0999"), `Session 1 has no frame "PICT0999"`)
	require.ErrorContains(t, x.Match(t.Context(), x.session, 0, "PICT0472"), "Nobody said which shot PICT0472 is")
	require.NoError(t, x.Match(t.Context(), x.session, 2, "PICT0472"))
	settled := func(id int64) func(control.CameraStatus, map[int64]control.FrameView) bool {
		return func(_ control.CameraStatus, frames map[int64]control.FrameView) bool { return frames[id].Settled }
	}
	x.screen.until(t, "it is settled", settled(x.shots[1].ID))
	assert.Equal(t, "certain", x.view().Frames[1].Sure)

	x.startAnew()
	x.screen.until(t, "it is settled still", settled(x.shots[1].ID))
	for _, number := range []int{99, 9, -2} {
		assert.EqualError(t, x.Match(t.Context(), x.session, number, "PICT0471"),
			fmt.Sprintf("Session 1 has no shot %d. Type a number from 1 to 8.", number))
	}
	require.NoError(t, x.Match(t.Context(), x.session, 0, "PICT0472"))
	x.screen.until(t, "it is taken back", func(_ control.CameraStatus, frames map[int64]control.FrameView) bool {
		return !frames[x.shots[1].ID].Settled
	})
}

// untilSaid waits until something that was said last has changed something.
func (x *studio) untilSaid(words string) page.CameraView {
	x.t.Helper()
	x.screen.until(x.t, "it says what it changed", func(now control.CameraStatus, _ map[int64]control.FrameView) bool {
		c := x.view().Changed
		return now.Busy == "" && c != nil && strings.Contains(c.Words, words)
	})
	return x.view()
}

func shotsOf(v page.CameraView) (list []int) {
	for _, f := range pairedOf(v.Frames) {
		list = append(list, shotOf(f))
	}
	return list
}

// What is said wrong of a frame takes others from their shots: that is said, with what was said before and counts no
// more, and is taken back at once.
func TestWhatAPairChanges(t *testing.T) {
	x := newStudio(t)
	x.start()
	x.sendAll()
	x.untilFramed(7)
	assert.Equal(t, nothingSaid, x.Unmatch(x.session))
	right := []int{1, 2, 4, 5, 6, 7, 8}
	require.NoError(t, x.Match(t.Context(), x.session, 4, "PICT0473"))
	v := x.untilSaid("PICT0473 is shot 4")
	assert.Equal(t, page.CameraChange{Words: "PICT0473 is shot 4, as you said."}, *v.Changed)
	assert.Equal(t, right, shotsOf(v))

	require.NoError(t, x.Match(t.Context(), x.session, 4, "PICT0474"))
	v = x.untilSaid("PICT0474 is shot 4")
	assert.NotEqual(t, right, shotsOf(v))
	assert.Contains(t, v.Changed.Words, "PICT0474 is shot 4, as you said. You had said that of PICT0473; that no "+
		"longer counts.")
	assert.Regexp(t, `\d other frames changed shot: PICT0471 from shot 1 to none; `, v.Changed.Words)
	assert.GreaterOrEqual(t, v.Changed.Others, 3)

	require.NoError(t, x.Unmatch(x.session))
	v = x.untilSaid("PICT0473 is shot 4, as you said. What you said of PICT0474 is taken back.")
	assert.Equal(t, right, shotsOf(v), "as before")
	assert.True(t, v.Frames[2].Settled)
	assert.False(t, v.Frames[3].Settled)

	require.NoError(t, x.Match(t.Context(), x.session, 1, "PICT0475"))
	x.untilSaid("PICT0475 is shot 1")
	v = x.view()
	require.Len(t, v.Clashes, 1)
	assert.Contains(t, v.Clashes[0].Words, "You said that PICT0475 is shot 1, and that PICT0473 is shot 4")
	assert.Equal(t, page.CameraClash{Words: v.Clashes[0].Words, Frames: []string{"PICT0475", "PICT0473"},
		Shots: []int{1, 4}}, v.Clashes[0])
	assert.Zero(t, v.Certain, "as long as they contradict each other")
	assert.Contains(t, v.Changed.Words, "only likely now")
	for _, f := range v.Frames {
		assert.NotEqual(t, "certain", f.Sure, f.Name)
	}

	require.NoError(t, x.Match(t.Context(), x.session, 0, "PICT0475"))
	v = x.untilSaid("What you said of PICT0475 is taken back.")
	assert.Empty(t, v.Clashes)
	assert.Equal(t, 7, v.Certain)
	assert.Equal(t, right, shotsOf(v))
}

// A pair that settles others says how many.
func TestPairsThatSettleOthers(t *testing.T) {
	before := []paired{{Name: "1", Shot: 1, Sure: match.Likely}, {Name: "2", Shot: 2, Sure: match.Likely},
		{Name: "3", Shot: 3, Sure: match.Certain}, {Name: "4", Shot: 4, Sure: match.Likely}, {Name: "5", Shot: 5}}
	after := slices.Clone(before)
	for i := range after {
		after[i].Sure = match.Certain
	}
	after[1].Settled = true
	before[4].Sure = match.Open
	said := []said{{"2", 2}}
	frames := func(of []paired) (list []page.CameraFrame) {
		for _, f := range of {
			list = append(list, page.CameraFrame{Name: f.Name, Sure: string(f.Sure)})
		}
		return list
	}
	var p pairs
	p.change(before, after, said)
	changed := p.shown(frames(after))
	assert.Equal(t, page.CameraChange{Others: 3, Words: "2 is shot 2, as you said. 1 other frame changed shot: 5 from " +
		"none to shot 5. 2 others are certain now."}, *changed)
	p.change(before[1:4], after[1:4], said)
	assert.Equal(t, page.CameraChange{Others: 1, Words: "2 is shot 2, as you said. 1 other is certain now."},
		*p.shown(frames(after)))

	p.change(after, before, said[:1])
	assert.Contains(t, p.shown(frames(before)).Words, "2 others are only likely now.")
	assert.NotContains(t, p.shown(frames(after)).Words, "likely", "they are certain again, by frames that came since")
}

// A message that says something out of range changes nothing, and the answer names the field and what to do.
func TestOutOfRangeIsRefused(t *testing.T) {
	x := newStudio(t)
	x.start()
	x.sendAll()
	x.untilFramed(7)
	const one, far = "PICT0471", "PICT9999"
	before := x.view()
	huge := math.MaxInt
	for _, c := range []struct {
		field string
		err   error
	}{
		{"session", x.Unmatch(0)}, {"session", x.Spot(77, 0.5, 0.5)}, {"session", x.Spot(-1, 0.5, 0.5)},
		{"session", x.Reference(77, "", "", false)}, {"session", x.Black(77, "")},
		{"name", x.Match(t.Context(), x.session, 1, far)}, {"name", x.Match(t.Context(), x.session, 1, "")},
		{"number", x.Match(t.Context(), x.session, huge, one)}, {"number", x.Match(t.Context(), x.session, -2, one)},
		{"name", x.Black(x.session, far)}, {"name", x.Reference(x.session, far, "", false)},
		{"value", x.Reference(x.session, one, "1e9 m", false)}, {"value", x.Ruler(x.session, one, 0, 0, 1, 1, "-1 m")},
		{"name", x.Ruler(x.session, "", 0, 0, 1, 1, "10 cm")}, {"name", x.Ruler(x.session, far, 0, 0, 1, 1, "10 cm")},
		{"x", x.Ruler(x.session, one, -1e300, 0.5, 1, 1, "10 cm")}, {"y", x.Ruler(x.session, one, 0, 1.01, 1, 1, "10 cm")},
		{"x2", x.Ruler(x.session, one, 0, 0, 7, 1, "10 cm")}, {"y2", x.Ruler(x.session, one, 0, 0, 1, math.Inf(1), "10 cm")},
		{"x", x.Spot(x.session, 1.5, 0.5)}, {"y", x.Spot(x.session, 0.5, -1e-9)},
	} {
		r := new(control.Refusal)
		require.ErrorAs(t, c.err, &r)
		assert.Equal(t, c.field, r.Field, "%v", r)
		assert.NotEmpty(t, r.Remedy, "%v", r)
	}
	assert.Equal(t, before, x.view())
}

// A test exposure belongs to no shot: the others stay theirs, and it can be taken back.
func TestFrameOfNoShot(t *testing.T) {
	x := newStudio(t)
	x.start()
	x.sendAll()
	x.untilFramed(7)
	require.ErrorContains(t, x.Match(t.Context(), x.session, control.NoShot, "PICT0999"), "has no frame")
	require.NoError(t, x.Match(t.Context(), x.session, control.NoShot, "PICT0474"))
	v := x.untilSaid("PICT0474 is not a shot")
	assert.Equal(t, []int{1, 2, 4, 0, 6, 7, 8}, shotsOf(v))
	assert.True(t, v.Frames[3].Settled)
	x.startAnew()
	x.untilFramed(6)
	require.NoError(t, x.Match(t.Context(), x.session, 0, "PICT0474"))
	v = x.untilSaid("What you said of PICT0474 is taken back.")
	assert.Equal(t, []int{1, 2, 4, 5, 6, 7, 8}, shotsOf(v))
}

// The scale is given by two places on a ruler in any frame, and the place of the liquid by one; both can be taken back.
func TestRulerAndSpot(t *testing.T) {
	x := newStudio(t)
	x.start()
	x.sendAll()
	x.untilFramed(7)
	say := func(err error) page.CameraView {
		t.Helper()
		require.NoError(t, err)
		x.untilLooked()
		return x.view()
	}
	const one = "PICT0471"
	v := say(x.Reference(x.session, one, "", false))
	v = say(x.Ruler(x.session, "PICT0472", 0.25, 0.5, 0.75, 0.5, "10 cm"))
	assert.Equal(t, &page.CameraRuler{Name: "PICT0472", X: 0.25, Y: 0.5, X2: 0.75, Y2: 0.5, Length: "10 cm"}, v.Ruler)
	assert.Equal(t, "20 cm", v.Width)
	v = say(x.Ruler(x.session, "PICT0472", 0.5, 0.25, 0.5, 0.75, "10 cm"))
	assert.Equal(t, "13.3 cm", v.Width, "the frame is upright, 2:3")
	v = say(x.Spot(x.session, 0.25, 0.75))
	assert.Equal(t, &page.CameraPoint{X: 0.25, Y: 0.75}, v.Spot)
	x.startAnew()
	x.untilFramed(7)
	v = x.view()
	assert.Equal(t, []any{"13.3 cm", &page.CameraPoint{X: 0.25, Y: 0.75}}, []any{v.Width, v.Spot})
	v = say(x.Reference(x.session, one, "60 cm", false))
	assert.Equal(t, "60 cm", v.Width, "a width that is typed counts before the ruler")
	v = say(x.Ruler(x.session, "PICT0472", 0.25, 0.5, 0.75, 0.5, "10 cm"))
	assert.Equal(t, "20 cm", v.Width, "and a ruler before a width that was typed earlier")
	v = say(x.Ruler(x.session, "", 0, 0, 0, 0, ""))
	assert.Nil(t, v.Ruler)
	v = say(x.Spot(x.session, 0, 0))
	assert.Nil(t, v.Spot)
	nan := math.NaN()
	for want, err := range map[string]error{
		"The two places are too close together": x.Ruler(x.session, one, 0.5, 0.5, 0.51, 0.5, "10 cm"),
		"The length must be 1 mm to 20 m":       x.Ruler(x.session, one, 0.1, 0.5, 0.5, 0.5, "long"),
		"That is outside the frame":             x.Ruler(x.session, one, 0.1, 0.5, 1.5, 0.5, "10 cm"),
		`has no frame "none such"`:              x.Ruler(x.session, "none such", 0.1, 0.5, 0.5, 0.5, "10 cm"),
		"outside the frame":                     x.Spot(x.session, -0.1, 0.5),
		"is outside the frame":                  x.Spot(x.session, nan, 0.5),
	} {
		assert.ErrorContains(t, err, want)
	}
}

// A larger picture is made of the file when it is asked for, never while something is armed, and not without the file.
func TestLargerPicture(t *testing.T) {
	x := newStudio(t)
	x.files = map[string][]byte{
		"PICT0471.JPG": framestest.WithExif(framestest.Plain(2400, 1600), "2026:11:24 17:30:00", "")}
	x.start()
	x.sendAll()
	x.screen.until(t, "it is looked at", func(now control.CameraStatus, _ map[int64]control.FrameView) bool {
		return now.Busy == "" && len(x.view().Frames) == 1
	})
	x.screen.be(control.Armed)
	_, err := x.Large(t.Context(), x.session, "PICT0471")
	require.ErrorIs(t, err, page.ErrArmed)
	x.screen.be(control.Safe)
	made, err := x.Large(t.Context(), x.session, "PICT0471")
	require.NoError(t, err)
	shown, err := jpeg.DecodeConfig(bytes.NewReader(made))
	require.NoError(t, err)
	assert.Equal(t, []int{1066, 1600}, []int{shown.Width, shown.Height})
	again, err := x.Large(t.Context(), x.session, "PICT0471")
	require.NoError(t, err)
	assert.Same(t, &made[0], &again[0], "it is kept for a while")
	for _, name := range []string{"PICT0999", "../x", ""} {
		_, err = x.Large(t.Context(), x.session, name)
		assert.ErrorIs(t, err, record.ErrNotFound, name)
	}
	require.NoError(t, os.RemoveAll(x.store.session(x.session)))
	_, err = x.Large(t.Context(), x.session, "PICT0471")
	assert.ErrorIs(t, err, record.ErrNotFound)
}

// Who stops the program while a frame is enlarged does not lose the frame: its file is not left as open.
func TestStopEndsALargerPicture(t *testing.T) {
	x := newStudio(t)
	x.files = map[string][]byte{
		"PICT0471.JPG": framestest.WithExif(framestest.Plain(2400, 1600), "2026:11:24 17:30:00", "")}
	x.start()
	x.sendAll()
	x.screen.until(t, "it is looked at", func(now control.CameraStatus, _ map[int64]control.FrameView) bool {
		return now.Busy == "" && len(x.view().Frames) == 1
	})
	making := make(chan struct{})
	x.o.Yield = func() {
		close(making)
		proctest.Eventually(t, "it is asked to end", func() bool {
			x.larger.mu.Lock()
			defer x.larger.mu.Unlock()
			return x.larger.ended
		})
	}
	asked := make(chan error, 1)
	go func() {
		_, err := x.Large(t.Context(), x.session, "PICT0471")
		asked <- err
	}()
	<-making
	x.end()
	assert.Empty(t, x.larger.turn, "the end waits for it")
	assert.NoFileExists(t, filepath.Join(x.store.session(x.session), openFile))
	assert.ErrorIs(t, <-asked, page.ErrBusy)
	_, err := x.Large(t.Context(), x.session, "PICT0471")
	assert.ErrorIs(t, err, page.ErrBusy, "none is begun any more")
	x.startAnew()
	assert.Empty(t, x.leftOut(x.session))
}

// What is wrong with the connected camera, or with the watched folder, is shown until it is over.
func TestProblemIsShown(t *testing.T) {
	x := newStudio(t)
	x.cameraProblem("it does not answer")
	x.start()
	shows := func(want string) {
		t.Helper()
		x.screen.until(t, want, func(now control.CameraStatus, _ map[int64]control.FrameView) bool {
			return now.Problem == want
		})
	}
	shows("The connected camera cannot be read: it does not answer.")
	x.folderProblem("it is gone.")
	shows("The connected camera cannot be read: it does not answer. The folder for the camera's files cannot be " +
		"read: it is gone.")
	x.folderProblem("")
	x.cameraProblem("A: it is too large.\nB: it cannot be read.\nC: no\nD: no")
	shows("The connected camera cannot be read: A: it is too large; B: it cannot be read; and 2 more, see the " +
		"machine's log.")
	x.cameraProblem(strings.Repeat("ä", 5000))
	shows("The connected camera cannot be read: " + strings.Repeat("ä", 300) + " and so on.")
	x.cameraProblem("")
	shows("")
}

// missing is a journal in which a shot is not found, as if it could not be read.
type missing struct {
	Journal
	number atomic.Int64
}

func (m *missing) AllShots(ctx context.Context, session int64) iter.Seq2[record.Shot, error] {
	return func(yield func(record.Shot, error) bool) {
		for s, err := range m.Journal.AllShots(ctx, session) {
			if int64(s.Number) != m.number.Load() && !yield(s, err) {
				return
			}
		}
	}
}

// What was said and cannot be is explained until something else is said, also when the frames are looked at again.
func TestRefusedPairStaysExplained(t *testing.T) {
	x := newStudio(t)
	gone := &missing{Journal: x.journal}
	x.o.Journal = gone
	x.start()
	x.sendAll()
	x.untilFramed(7)
	gone.number.Store(8)
	require.NoError(t, x.Match(t.Context(), x.session, 8, "PICT0471"))
	explained := func(control.CameraStatus, map[int64]control.FrameView) bool { return len(x.view().Problems) > 0 }
	x.screen.until(t, "it is explained", explained)
	why := []string{"Session 1 has no shot 8. Open the frame and say again which shot it is."}
	for range 3 {
		require.NoError(t, x.Recorded(x.session, nil))
		x.untilLooked()
		assert.Equal(t, why, x.view().Problems)
	}
	require.NoError(t, x.Match(t.Context(), x.session, 1, "PICT0471"))
	assert.Empty(t, x.view().Problems, "as soon as something else is said")
	x.untilLooked()
	assert.Empty(t, x.view().Problems)
}

// Of what is said of one frame or one shot while it has to wait, the last counts.
func TestLastSaidCounts(t *testing.T) {
	x := newStudio(t)
	x.start()
	x.sendAll()
	x.untilFramed(7)
	x.screen.be(control.Armed)
	for _, number := range []int{3, 4, 2} {
		require.NoError(t, x.Match(t.Context(), x.session, number, "PICT0472"))
	}
	require.NoError(t, x.Match(t.Context(), x.session, 1, "PICT0477"))
	require.NoError(t, x.Match(t.Context(), x.session, 1, "PICT0471"))
	x.screen.be(control.Safe)
	x.untilLooked()
	v := x.view()
	assert.Empty(t, v.Problems)
	var settled []any
	for _, f := range v.Frames {
		if f.Settled {
			settled = append(settled, f.Name, f.Shot)
		}
	}
	assert.Equal(t, []any{"PICT0471", 1, "PICT0472", 2}, settled)
}

// fullJournal keeps no marks any more.
type fullJournal struct{ Journal }

func (fullJournal) KeepMarks(context.Context, int64, []byte) error { return record.ErrFull }

// What is said while something is armed is kept, whatever ends the program before it is looked at.
func TestSaidWhileArmedIsKept(t *testing.T) {
	x := newStudio(t)
	x.start()
	x.sendAll()
	x.untilFramed(7)
	x.screen.be(control.Armed)
	require.NoError(t, x.Match(t.Context(), x.session, 2, "PICT0472"))
	x.startAnew() // nothing is written when it ends, so that this is as a kill is
	settled := func(_ control.CameraStatus, frames map[int64]control.FrameView) bool {
		return frames[x.shots[1].ID].Settled
	}
	x.screen.until(t, "it is settled", settled)
	assert.Equal(t, "certain", x.view().Frames[1].Sure)
	require.NoError(t, x.Match(t.Context(), x.session, 0, "PICT0472"))
	x.untilLooked()
	x.startAnew()
	x.untilFramed(7)
	assert.False(t, x.view().Frames[1].Settled, "and what was taken back does not come again")

	x.screen.be(control.Armed)
	x.o.Journal = fullJournal{x.journal}
	assert.EqualError(t, x.Match(t.Context(), x.session, 2, "PICT0472"),
		"It could not be saved: the machine's disk is full; make room on it. Then do it again.")
	assert.Empty(t, x.evenings[x.session].pairs.Said, "what is refused is not done")
}

// A frame that ends the program is left out when it starts again, and that is said; sent again it is tried once more.
func TestFrameThatEndsTheProgram(t *testing.T) {
	x := newStudio(t)
	log := new(proctest.Log)
	logged := func() { x.o.Log = slog.New(slog.NewTextHandler(log, nil)) }
	logged()
	x.sendAll()
	_, err := x.opened(x.session, "PICT0473")
	require.NoError(t, err)
	for range 2 {
		x.open() // it was killed then
		logged()
		x.start()
		x.untilFramed(6)
		x.untilLooked()
		assert.Equal(t, []string{"PICT0473: Stillwater stopped while it read this frame, so it is left out. " +
			"To try again, send its file again"}, x.view().Problems)
	}
	assert.Equal(t, 1, strings.Count(log.String(), "left out from now on"), log.String())
	assert.NoFileExists(t, filepath.Join(x.store.session(x.session), openFile))
	again := page.CameraFile{Name: "PICT0473.JPG", Size: int64(len(x.files["PICT0473.JPG"]))}
	_, err = x.Receive(t.Context(), x.session, again, 0, x.files["PICT0473.JPG"])
	require.NoError(t, err)
	x.untilLooked()
	assert.Len(t, x.view().Problems, 1, "a folder that is looked into after each start is no person")
	again.Client = "phone 1"
	_, err = x.Receive(t.Context(), x.session, again, 0, x.files["PICT0473.JPG"])
	require.NoError(t, err)
	x.untilFramed(7)
	assert.Empty(t, x.view().Problems)
}

// Nor is it opened again to be enlarged, though its session was not looked at since the start.
func TestFrameThatEndedTheProgramIsNotEnlarged(t *testing.T) {
	x := newStudio(t)
	x.start()
	x.sendAll()
	x.untilFramed(7)
	x.untilLooked()
	_, err := x.opened(x.session, "PICT0473")
	require.NoError(t, err)
	x.open() // it was killed then
	x.screen.session = 0
	x.start()
	_, err = x.Large(t.Context(), x.session, "PICT0473")
	assert.ErrorIs(t, err, record.ErrNotFound)
	assert.Equal(t, []string{"PICT0473"}, x.leftOut(x.session))
	_, err = x.Large(t.Context(), x.session, "PICT0472")
	assert.NoError(t, err, "others are")
	require.True(t, x.tryAgain(x.session, "PICT0473"))
	_, err = x.Large(t.Context(), x.session, "PICT0473")
	assert.NoError(t, err, "sent again it is tried once more")
}

// What the page says of pairs has no words of the command line.
func TestPairWords(t *testing.T) {
	for want, e := range map[string]contactsheet.MatchError{
		"Shot 2 has A for its frame, and shot 7 has A. Take back what you said about shot 7.": {Shot: 7,
			Why: "shot 2 has A for its frame, and shot 7 has A"},
		"No file with a time in it is called A. Open the frame and say again which shot it is.": {Text: "2=A", Shot: 2,
			Why: "no file with a time in it is called A"},
	} {
		assert.Equal(t, want, matchWords(&e))
	}
}

// What cannot be says which frame it is about, and what to do on the page.
func TestRefusalsSayWhatToDo(t *testing.T) {
	x := newStudio(t)
	x.files["PICT0473.JPG"] = framestest.WithExif(framestest.Progressive(7000), "2026:11:24 17:31:48", "")
	x.start()
	x.sendAll()
	x.untilFramed(6)
	other, err := x.journal.NewSession(t.Context(), record.Session{Started: time.Now(), Set: "{}"})
	require.NoError(t, err)
	refuses := func(err error, why, remedy string) {
		t.Helper()
		var r *control.Refusal
		require.ErrorAs(t, err, &r)
		assert.Equal(t, []string{why, remedy}, []string{r.Why, r.Remedy})
	}
	refuses(x.Ruler(x.session, "PICT0473", 0.1, 0.5, 0.5, 0.5, "10 cm"),
		"PICT0473 has no picture here to place a ruler in.",
		"Choose a frame that shows one: a JPEG of the ruler, as sharp as the others.")
	refuses(x.Match(t.Context(), other.ID, 1, "PICT0471"), "PICT0471 is a frame of session 1, not of 2.",
		"Open session 1 in Look back, and the frame there.")
	refuses(x.Spot(other.ID, 0.5, 0.5), "Session 2 has no frames yet.", "Choose the camera's files first.")
	_, measured := x.Measured(t.Context(), 77)
	_, onRecord := x.OnRecord(t.Context(), 77)
	for _, err := range []error{x.Match(t.Context(), 77, 1, "PICT0471"), x.Match(t.Context(), 77, 1, ""), x.Unmatch(77),
		x.Reference(77, "", "", false), x.Black(77, "PICT0471"), x.Spot(77, 0.5, 0.5),
		x.Ruler(77, "PICT0471", 0, 0, 1, 1, "10 cm"), measured, onRecord} {
		refuses(err, "There is no session 77.", "Reload the page to see which sessions there are.")
	}

	require.NoError(t, os.Remove(filepath.Join(x.store.session(x.session), "PICT0471.JPG")))
	for name, want := range map[string]string{
		"PICT0471": "Nothing can be measured: this machine has no copy of the empty frame, PICT0471. Choose its file " +
			"again to restore it, or choose another empty frame.",
		"PICT0473": "Nothing can be measured against the empty frame, PICT0473: PICT0473.JPG: its picture comes in more " +
			"than " +
			"100 scans, which takes too long: save it as a baseline JPEG. Or choose another empty frame.",
	} {
		require.NoError(t, x.Reference(x.session, name, "60 cm", false))
		problems := x.idle().Problems
		assert.Contains(t, problems, want)
		assert.NotContains(t, strings.Join(problems, " "), "--")
	}
}

// What frames are measured against is kept, and refused in words when it cannot be.
func TestReference(t *testing.T) {
	x := newStudio(t)
	x.start()
	x.sendAll()
	x.untilFramed(7)
	assert.ErrorContains(t, x.Reference(x.session, "none such", "", false), "has no frame")
	for _, width := range []string{"wide", "0 cm", "30 m", "-1 m"} {
		assert.ErrorContains(t, x.Reference(x.session, "PICT0471", width, false), "The width must be 1 mm to 20 m.", width)
	}
	require.NoError(t, x.Reference(x.session, "PICT0471", "60 cm", true))
	x.startAnew()
	x.untilFramed(7)
	v := x.view()
	assert.Equal(t, []any{"PICT0471", "60 cm", true}, []any{v.Empty, v.Width, v.FromRight})
	_, err := x.Measured(t.Context(), x.session)
	assert.ErrorContains(t, err, "There is no new measurement to record. Choose the empty frame")
}
