package intake

import (
	"context"
	"fmt"
	"iter"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/control"
	"stillwater/internal/frames/framestest"
	"stillwater/internal/journal"
	"stillwater/internal/page"
	"stillwater/internal/record"
)

// photographer is a journal that keeps what is on the disk before and after each thing that is done with it, as a
// program that is killed then leaves it.
type photographer struct {
	Journal
	t    *testing.T
	from string // the journal's folder
	made []string
}

func (p *photographer) take() {
	to := filepath.Join(p.t.TempDir(), fmt.Sprint(len(p.made)))
	require.NoError(p.t, os.CopyFS(to, os.DirFS(p.from)))
	p.made = append(p.made, to)
}

func (p *photographer) Frames(ctx context.Context, session int64) ([]record.Frame, error) {
	p.take()
	return p.Journal.Frames(ctx, session)
}

func (p *photographer) AllShots(ctx context.Context, session int64) iter.Seq2[record.Shot, error] {
	p.take()
	return p.Journal.AllShots(ctx, session)
}

func (p *photographer) KeepFrame(ctx context.Context, f record.Frame) error {
	defer p.take()
	return p.Journal.KeepFrame(ctx, f)
}

func (p *photographer) KeepMatches(ctx context.Context, session int64, list []record.Frame, drop bool) error {
	p.take()
	defer p.take()
	return p.Journal.KeepMatches(ctx, session, list, drop)
}

// at is a studio whose program starts with what is in a copy of another one's folder.
func (x *studio) at(dir string) *studio {
	x.t.Helper()
	j, err := journal.Open(x.t.Context(), filepath.Join(dir, "journal.db"))
	require.NoError(x.t, err)
	x.t.Cleanup(func() { j.Close() })
	again := &studio{t: x.t, journal: j, session: x.session, files: x.files, shots: x.shots}
	again.startAnew()
	return again
}

// idle waits until nothing is being done.
func (x *studio) idle() page.CameraView {
	x.t.Helper()
	return x.until(func(v page.CameraView) bool { return len(v.Frames) > 0 })
}

// Wherever the program is killed while what was said of a frame is looked at, it tells afterwards what that changed as
// if it had not been, and takes it back.
func TestKilledWhileAPairIsLookedAt(t *testing.T) {
	x := newStudio(t)
	x.start()
	x.sendAll()
	x.untilFramed(7)
	right := shotsOf(x.idle())
	x.end()

	x.open()
	p := &photographer{Journal: x.journal, t: t, from: filepath.Dir(x.journal.Path())}
	x.o.Journal = p
	x.start()
	x.idle()
	x.screen.be(control.Armed)
	require.NoError(t, x.Match(t.Context(), x.session, 4, "PICT0474"))
	p.made = nil
	p.take()
	x.screen.be(control.Safe)
	reported := x.untilSaid("PICT0474 is shot 4")
	x.end()
	p.take()
	wrong := shotsOf(reported)
	require.NotEqual(t, right, wrong)
	require.Regexp(t, `other frames changed shot`, reported.Changed.Words)
	require.GreaterOrEqual(t, len(p.made), 5)
	for n, dir := range p.made {
		y := x.at(dir)
		v := y.idle()
		for i := range v.Frames { // a copy of a file has another date
			v.Frames[i].Version = reported.Frames[i].Version
		}
		assert.Equal(t, reported, v, "killed at %d of %d", n, len(p.made))
		require.NoError(t, y.Unmatch(y.session))
		v = y.untilSaid("What you said of PICT0474 is taken back.")
		assert.Equal(t, right, shotsOf(v))
		assert.Equal(t, reported.Changed.Others, v.Changed.Others, "those that it had moved")
		y.end()
	}
}

// Why something cannot be is reported after the next start too, and what was said before it is taken back still.
func TestRefusalIsShownAfterTheNextStart(t *testing.T) {
	x := newStudio(t)
	gone := &missing{Journal: x.journal}
	x.o.Journal = gone
	x.start()
	x.sendAll()
	x.untilFramed(7)
	require.NoError(t, x.Match(t.Context(), x.session, 1, "PICT0471"))
	x.idle()
	gone.number.Store(8)
	require.NoError(t, x.Match(t.Context(), x.session, 8, "PICT0472"))
	before := x.idle()
	require.Len(t, before.Problems, 1)
	x.startAnew()
	after := x.idle()
	assert.Equal(t, before.Problems, after.Problems)
	assert.Equal(t, before.Changed, after.Changed)
	require.NoError(t, x.Unmatch(x.session))
	v := x.untilSaid("What you said of PICT0471 is taken back.")
	assert.Empty(t, v.Problems)
	assert.False(t, v.Frames[0].Settled)
}

// What is said before the frames were looked at after a start is reported as if they had been.
func TestTakenBackAtOnceAfterAStart(t *testing.T) {
	x := newStudio(t)
	x.start()
	x.sendAll()
	x.untilFramed(7)
	right := shotsOf(x.idle())
	require.NoError(t, x.Match(t.Context(), x.session, 4, "PICT0474"))
	reported := x.untilSaid("PICT0474 is shot 4")
	x.open()
	x.screen.be(control.Armed)
	x.start()
	_, err := x.Frames(t.Context(), x.session)
	require.NoError(t, err)
	require.NoError(t, x.Unmatch(x.session))
	x.screen.be(control.Safe)
	v := x.untilSaid("What you said of PICT0474 is taken back.")
	assert.Equal(t, right, shotsOf(v))
	assert.Equal(t, reported.Changed.Others, v.Changed.Others)
}

// What was said that cannot be read from the record costs what was said last, and nothing else: that is said, and it is
// kept aside.
func TestPairsThatCannotBeRead(t *testing.T) {
	x := newStudio(t)
	x.start()
	x.sendAll()
	x.untilFramed(7)
	x.end()
	for content, kept := range map[string]string{"": `"unreadable":""`, "{": `"unreadable":"{"`,
		`{"pairs":{"said":7}}`: `"pairs unreadable":{"said":7}`, `{"pairs":[]}`: `"pairs unreadable":[]`, "null": `"null"`} {
		require.NoError(t, x.journal.KeepMarks(t.Context(), x.session, []byte(content)))
		x.startAnew()
		x.untilFramed(7)
		assert.Contains(t, x.view().Problems, pairsUnreadable, content)
		assert.Equal(t, nothingSaid, x.Unmatch(x.session), content)
		require.NoError(t, x.Match(t.Context(), x.session, 1, "PICT0471"))
		assert.NotContains(t, x.idle().Problems, pairsUnreadable, content)
		aside, err := x.journal.Marks(t.Context(), x.session)
		require.NoError(t, err)
		assert.Contains(t, string(aside), kept)
		x.end()
	}
}

// A picture made to take long costs only itself.
func TestPictureOfThousandsOfScans(t *testing.T) {
	x := newStudio(t)
	x.files["PICT0473.JPG"] = framestest.WithExif(framestest.Progressive(7000), "2026:11:24 17:31:48", "")
	x.start()
	x.sendAll()
	x.untilFramed(6)
	v := x.idle()
	assert.Contains(t, strings.Join(v.Problems, "\n"), "PICT0473.JPG: its "+
		"picture comes in more than 100 scans, which takes too long: save it as a baseline JPEG")
	assert.Equal(t, []int{1, 2, 4, 5, 6, 7, 8}, shotsOf(v), "when it was taken is known all the same")
}

// What was looked at is shown, and what is armed is known, while a file is being received: neither waits for the other.
func TestNothingWaitsForTheStore(t *testing.T) {
	x := newStudio(t)
	x.start()
	e, err := x.evening(t.Context(), x.session)
	require.NoError(t, err)
	x.untilLooked()
	x.store.mu.Lock() // as receive has it
	looked, asked := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(looked)
		x.looked(e, 0, nil, found{view: x.emptyView()}, nil)
	}()
	go func() {
		defer close(asked)
		for range 10_000 {
			x.armed()
			runtime.Gosched()
		}
	}()
	select {
	case <-asked:
	case <-time.After(4 * time.Minute):
		assert.Fail(t, "what is armed cannot be asked")
	}
	x.store.mu.Unlock()
	<-looked
	<-asked
}
