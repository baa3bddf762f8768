package intake

import (
	"context"
	"encoding/json"
	"fmt"
	"iter"
	"log/slog"
	"os"
	"path/filepath"
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
	now     control.CameraNow
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

func (s *screen) ShowCamera(_ int64, now control.CameraNow, frames map[int64]control.FrameView) {
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
func (s *screen) until(t *testing.T, what string, is func(control.CameraNow, map[int64]control.FrameView) bool) {
	t.Helper()
	late := time.After(time.Minute)
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
	ctx := t.Context()
	j, err := journal.Open(ctx, filepath.Join(t.TempDir(), "journal.db"))
	require.NoError(t, err)
	t.Cleanup(func() { j.Close() })
	set, err := json.Marshal(shot.DefaultSet())
	require.NoError(t, err)
	start := time.Date(2026, 11, 24, 20, 30, 0, 0, time.UTC)
	s, err := j.NewSession(ctx, record.Session{Started: start, Set: string(set), When: record.When{Boot: "b"}})
	require.NoError(t, err)
	x := &studio{t: t, journal: j, session: s.ID, files: map[string][]byte{}}
	picture := framestest.Plain(60, 40)
	file := 471
	for i, seconds := range secondsOf {
		at := start.Add(time.Duration(seconds)*time.Second + 300*time.Millisecond)
		made, err := j.Add(ctx, record.Shot{Session: s.ID, At: at, When: record.When{Boot: "b", Wall: at,
			SinceBoot: at.Sub(start)}, Status: record.StatusDone, Set: string(set), DelayNs: 90e6})
		require.NoError(t, err)
		x.shots = append(x.shots, made)
		if i != 2 {
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
		func(now control.CameraNow, frames map[int64]control.FrameView) bool {
			return now.Busy == "" && len(frames) == shots
		})
}

func (x *studio) untilLooked() {
	x.t.Helper()
	x.screen.until(x.t, "all was looked at", func(control.CameraNow, map[int64]control.FrameView) bool {
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
	assert.Equal(t, page.CameraFrame{Name: "PICT0473", Taken: "2026-11-24 17:31:48", Shot: 4, ShotID: x.shots[3].ID,
		Sure: "certain", Pictured: true, Says: []string{}, Next: []string{}}, v.Frames[2])
	for _, f := range v.Frames {
		picture, err := x.Picture(t.Context(), x.session, f.Name)
		require.NoError(t, err)
		assert.NotEmpty(t, picture)
	}
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
		assert.Equal(t, page.ReceivedPart{Have: f.Size}, got)
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
	x.screen.until(t, "it is shown", func(now control.CameraNow, _ map[int64]control.FrameView) bool {
		return now.Version > 0
	})
	assert.ErrorIs(t, x.send("PICT0472.JPG"), page.ErrArmed)
	x.screen.until(t, "it says that it waits", func(now control.CameraNow, frames map[int64]control.FrameView) bool {
		return now.Busy == "waiting until nothing is armed" && len(frames) == 0
	})
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
	x.screen.until(t, "it waits", func(now control.CameraNow, _ map[int64]control.FrameView) bool {
		return now.Busy == "waiting until nothing is armed"
	})
	x.screen.be(control.Safe)
	x.untilFramed(7)
	assert.Equal(t, 2*7, a.kept, "each is read once and looked at once")
}

// One frame that a person knows is taken, stays after a restart, and can be taken back.
func TestPairOnThePage(t *testing.T) {
	x := newStudio(t)
	x.start()
	x.files = map[string][]byte{"PICT0471.JPG": x.files["PICT0471.JPG"], "PICT0472.JPG": x.files["PICT0472.JPG"]}
	x.sendAll()
	x.screen.until(t, "they were looked at", func(now control.CameraNow, _ map[int64]control.FrameView) bool {
		return now.Busy == "" && len(x.view().Frames) == 2
	})
	require.ErrorContains(t, x.Pair(t.Context(), x.session, 2, "PICT0999"), `There is no frame "PICT0999"`)
	require.ErrorContains(t, x.Pair(t.Context(), x.session, 0, "PICT0472"), "Nobody said which shot PICT0472 is")
	require.NoError(t, x.Pair(t.Context(), x.session, 2, "PICT0472"))
	settled := func(id int64) func(control.CameraNow, map[int64]control.FrameView) bool {
		return func(_ control.CameraNow, frames map[int64]control.FrameView) bool { return frames[id].Settled }
	}
	x.screen.until(t, "it is settled", settled(x.shots[1].ID))
	assert.Equal(t, "certain", x.view().Frames[1].Sure)

	x.startAnew()
	x.screen.until(t, "it is settled still", settled(x.shots[1].ID))
	for _, number := range []int{99, 9, -1} {
		assert.EqualError(t, x.Pair(t.Context(), x.session, number, "PICT0471"),
			fmt.Sprintf("Session 1 has no shot %d. Type a number from 1 to 8.", number))
	}
	require.NoError(t, x.Pair(t.Context(), x.session, 0, "PICT0472"))
	x.screen.until(t, "it is taken back", func(_ control.CameraNow, frames map[int64]control.FrameView) bool {
		return !frames[x.shots[1].ID].Settled
	})
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
	require.NoError(t, x.Pair(t.Context(), x.session, 8, "PICT0471"))
	explained := func(control.CameraNow, map[int64]control.FrameView) bool { return len(x.view().Problems) > 0 }
	x.screen.until(t, "it is explained", explained)
	why := []string{"Session 1 has no shot 8. Open the frame and say again which shot it is."}
	for range 3 {
		x.Recorded(x.session)
		x.untilLooked()
		assert.Equal(t, why, x.view().Problems)
	}
	require.NoError(t, x.Pair(t.Context(), x.session, 1, "PICT0471"))
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
		require.NoError(t, x.Pair(t.Context(), x.session, number, "PICT0472"))
	}
	require.NoError(t, x.Pair(t.Context(), x.session, 1, "PICT0477"))
	require.NoError(t, x.Pair(t.Context(), x.session, 1, "PICT0471"))
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

// What is said while something is armed is kept, whatever ends the program before it is looked at.
func TestSaidWhileArmedIsKept(t *testing.T) {
	x := newStudio(t)
	x.start()
	x.sendAll()
	x.untilFramed(7)
	x.screen.be(control.Armed)
	require.NoError(t, x.Pair(t.Context(), x.session, 2, "PICT0472"))
	x.startAnew() // nothing is written when it ends, so that this is as a kill is
	settled := func(_ control.CameraNow, frames map[int64]control.FrameView) bool {
		return frames[x.shots[1].ID].Settled
	}
	x.screen.until(t, "it is settled", settled)
	assert.Equal(t, "certain", x.view().Frames[1].Sure)
	require.NoError(t, x.Pair(t.Context(), x.session, 0, "PICT0472"))
	x.untilLooked()
	x.startAnew()
	x.untilFramed(7)
	assert.False(t, x.view().Frames[1].Settled, "and what was taken back does not come again")

	x.screen.be(control.Armed)
	note := filepath.Join(x.store.session(x.session), saidFile)
	require.NoError(t, os.RemoveAll(note))
	require.NoError(t, os.Mkdir(note, 0o700))
	assert.ErrorContains(t, x.Pair(t.Context(), x.session, 2, "PICT0472"), "It could not be kept")
	assert.Empty(t, x.evenings[x.session].settle, "what is refused is not done")
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
		assert.Equal(t, []string{"PICT0473: the machine ended while it looked at this frame, so it is left out: " +
			"to try once more, send its file again"}, x.view().Problems)
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

// What the page says of pairs has no words of the command line.
func TestPairWords(t *testing.T) {
	for want, e := range map[string]contactsheet.PairError{
		"Shot 2 has A for its frame, and shot 7 has A. Take back what you said about shot 7.": {Shot: 7,
			Why: "shot 2 has A for its frame, and shot 7 has A"},
		"No file with a time in it is called A. Open the frame and say again which shot it is.": {Text: "2=A", Shot: 2,
			Why: "no file with a time in it is called A"},
	} {
		assert.Equal(t, want, pairWords(&e))
	}
}

// What frames are measured against is kept, and refused in words when it cannot be.
func TestReference(t *testing.T) {
	x := newStudio(t)
	x.start()
	x.sendAll()
	x.untilFramed(7)
	assert.ErrorContains(t, x.Reference(x.session, "none such", "", false), "There is no frame")
	for _, width := range []string{"wide", "0 cm", "30 m", "-1 m"} {
		assert.ErrorContains(t, x.Reference(x.session, "PICT0471", width, false), "The width must be 1 mm to 20 m.", width)
	}
	require.NoError(t, x.Reference(x.session, "PICT0471", "60 cm", true))
	x.startAnew()
	x.untilFramed(7)
	v := x.view()
	assert.Equal(t, []any{"PICT0471", "60 cm", true}, []any{v.Empty, v.Width, v.FromRight})
	_, err := x.Measured(x.session)
	assert.ErrorContains(t, err, "There is no new measurement to record. Choose the empty frame")
}
