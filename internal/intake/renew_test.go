package intake

import (
	"bytes"
	"context"
	"encoding/json"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/control"
	"stillwater/internal/frames/framestest"
	"stillwater/internal/journal"
	"stillwater/internal/page"
	"stillwater/internal/phys"
	"stillwater/internal/record"
	"stillwater/internal/shot"
	"stillwater/internal/splash"
)

// contact is the set of a drop that is caught as it touches: it moves, so that its place in the picture tells the time.
func contact() shot.Set {
	set := shot.DefaultSet()
	set.Kind, set.Drop.Phase = shot.Drop, splash.Contact
	return set
}

// blob is a picture of something bright whose middle is so many pixels below the frame's as it is shown: turned by a
// quarter.
func blob(t *testing.T, below int) []byte {
	t.Helper()
	img := image.NewGray(image.Rect(0, 0, 240, 160))
	draw.Draw(img, img.Bounds(), image.NewUniform(color.Gray{60}), image.Point{}, draw.Src)
	at := image.Rect(112, 72, 128, 88).Add(image.Pt(below, 0))
	draw.Draw(img, at, image.NewUniform(color.Gray{220}), image.Point{}, draw.Src)
	var b bytes.Buffer
	require.NoError(t, jpeg.Encode(&b, img, &jpeg.Options{Quality: 95}))
	return b.Bytes()
}

func nothing(t *testing.T) []byte {
	t.Helper()
	img := image.NewGray(image.Rect(0, 0, 240, 160))
	draw.Draw(img, img.Bounds(), image.NewUniform(color.Gray{60}), image.Point{}, draw.Src)
	var b bytes.Buffer
	require.NoError(t, jpeg.Encode(&b, img, &jpeg.Options{Quality: 95}))
	return b.Bytes()
}

// newMeasured is a studio in which the frames are measured.
func newMeasured(t *testing.T) *studio {
	t.Helper()
	x := newStudioOf(t, contact(), secondsOf, func(i int) []byte {
		if i == 2 {
			return nil
		}
		return blob(t, 4*i)
	})
	x.files["PICT0399.JPG"] = framestest.WithExif(nothing(t), "2026:11:24 17:20:00", "")
	x.start()
	x.sendAll()
	x.untilFramed(7)
	require.NoError(t, x.Reference(x.session, "PICT0399", "10 cm", false))
	x.until(func(v page.CameraView) bool { return v.Lesson != nil })
	return x
}

// until waits until what is known of the session is so, and nothing is being done about it.
func (x *studio) until(is func(page.CameraView) bool) page.CameraView {
	x.t.Helper()
	x.screen.until(x.t, "it is known", func(control.CameraStatus, map[int64]control.FrameView) bool {
		v := x.view()
		return v.Busy == "" && is(v)
	})
	return x.view()
}

// Whatever changes on record of what the frames are compared with, they are compared again: what is shown becomes what
// a new start shows.
func TestRecordRenewsWhatIsShown(t *testing.T) {
	x := newMeasured(t)
	ctx := t.Context()
	trimmed := contact()
	trimmed.Trim.Drop = phys.Seconds(-4 * time.Millisecond)
	other := contact()
	other.Drop.Height += 0.1
	for _, c := range []struct {
		what   string
		same   bool // lesson
		change func() error
	}{
		{"a verdict", false, func() error { return x.journal.SetVerdict(ctx, x.shots[2].ID, "late") }},
		{"a verdict on a measured shot", true, func() error { return x.journal.SetVerdict(ctx, x.shots[0].ID, "early") }},
		{"a black picture", false, func() error { return x.journal.SetPicture(ctx, x.shots[0].ID, record.PictureBlack) }},
		{"a person's measurement", false, func() error { return x.journal.SetPast(ctx, x.shots[4].ID, -20_000, 1000) }},
		{"the trim", false, func() error { return x.journal.SaveSet(ctx, x.session, asText(t, trimmed)) }},
		{"the set", false, func() error { return x.journal.SaveSet(ctx, x.session, asText(t, other)) }},
		{"the set as it was", false, func() error { return x.journal.SaveSet(ctx, x.session, asText(t, contact())) }},
		{"another shot", false, func() error {
			made := x.shots[7]
			made.At, made.Verdict = made.At.Add(time.Minute), "good"
			made.When.SinceBoot += time.Minute
			_, err := x.journal.Add(ctx, made)
			return err
		}},
		{"the spot", false, func() error { return x.Spot(x.session, 0.5, 0.4) }},
		{"a pair", false, func() error { return x.Match(ctx, x.session, control.NoShot, "PICT0473") }},
	} {
		before := x.view()
		require.NoError(t, c.change(), c.what)
		now := x.until(func(page.CameraView) bool { return true })
		assert.Equal(t, c.same, reflect.DeepEqual(before.Lesson, now.Lesson), c.what)
		x.startAnew()
		anew := x.until(func(v page.CameraView) bool { return len(v.Frames) > 0 })
		assert.Equal(t, anew, now, c.what)
	}
}

// What was measured against something else is not put on record.
func TestRecordingWaitsForANewReference(t *testing.T) {
	x := newMeasured(t)
	before, err := x.Measured(t.Context(), x.session)
	require.NoError(t, err)
	x.screen.be(control.Armed) // so that nothing is measured
	require.NoError(t, x.Reference(x.session, "PICT0399", "20 cm", false))
	_, err = x.Measured(t.Context(), x.session)
	assert.ErrorContains(t, err, "being measured again")
	x.screen.be(control.Safe)
	x.until(func(v page.CameraView) bool { return v.Width == "20 cm" })
	after, err := x.Measured(t.Context(), x.session)
	require.NoError(t, err)
	require.Len(t, after, len(before))
	assert.InDelta(t, 2*before[0].PastMm, after[0].PastMm, 0.01)
}

// What comes while frames are looked at, which had to wait for as long as they may, has them looked at once more.
func TestWantedWhileLookedAt(t *testing.T) {
	x := newStudio(t)
	e, err := x.evening(t.Context(), x.session)
	require.NoError(t, err)
	x.want(e, 2*maxWait, func() {})
	wanted := e.wanted
	x.want(e, 2*maxWait, func() {})
	x.looked(e, wanted, nil, found{}, nil)
	assert.False(t, e.due.IsZero())
	x.looked(e, e.wanted, nil, found{}, nil)
	assert.True(t, e.due.IsZero())
}

func asText(t *testing.T, set shot.Set) string {
	t.Helper()
	text, err := json.Marshal(set)
	require.NoError(t, err)
	return string(text)
}

// While something is armed nothing is compared, and what is shown says that it waits.
func TestRenewalWaitsWhileArmed(t *testing.T) {
	x := newMeasured(t)
	x.screen.be(control.Armed)
	before := x.view()
	require.NoError(t, x.journal.SetVerdict(t.Context(), x.shots[2].ID, "late"))
	assert.NotEmpty(t, x.view().Busy, "as soon as the verdict is on record")
	x.screen.until(t, "it waits", func(now control.CameraStatus, _ map[int64]control.FrameView) bool {
		return now.Busy == waiting
	})
	assert.Equal(t, before.Lesson, x.view().Lesson)
	x.screen.be(control.Safe)
	x.until(func(v page.CameraView) bool { return *v.Lesson != *before.Lesson })
}

// A file number that is typed for a shot finds the frames of evenly spaced ones.
func TestTypedNumberMatchesAnew(t *testing.T) {
	var even []int
	for i := range 8 {
		even = append(even, 20*i)
	}
	picture := framestest.Plain(60, 40)
	x := newStudioOf(t, shot.DefaultSet(), even, func(i int) []byte {
		if i == 0 || i == 7 {
			return nil
		}
		return picture
	})
	x.start()
	x.sendAll()
	v := x.until(func(v page.CameraView) bool { return len(v.Frames) == 6 })
	require.Zero(t, v.Certain, "nothing says which end is short")
	require.NoError(t, x.journal.SetFile(t.Context(), x.shots[1].ID, 471))
	v = x.until(func(v page.CameraView) bool { return v.Certain > 0 })
	assert.Equal(t, 6, v.Certain)
	assert.Equal(t, []int{2, 3, 4, 5, 6, 7}, shotsOf(v))
	require.NoError(t, x.journal.SetFileFrom(t.Context(), x.session, 2, 0))
	x.until(func(v page.CameraView) bool { return v.Certain == 0 })
}

// What a person measured since the frames were looked at is neither written over nor taken back, however soon.
func TestPersonsMeasurementStays(t *testing.T) {
	x := newMeasured(t)
	ctx := t.Context()
	list, err := x.Measured(ctx, x.session)
	require.NoError(t, err)
	require.GreaterOrEqual(t, len(list), 4)
	x.screen.be(control.Armed) // nothing is looked at
	first := list[0].Shot
	require.NoError(t, x.journal.SetPast(ctx, first, 1234, 99))
	left, err := x.Measured(ctx, x.session)
	require.NoError(t, err)
	assert.Equal(t, list[1:], left)

	for _, m := range left {
		require.NoError(t, x.journal.SetPast(ctx, m.Shot, int64(m.PastMm*1e3), int64(m.PastSDMm*1e3)))
	}
	require.NoError(t, x.Recorded(x.session, left))
	x.screen.be(control.Safe)
	x.until(func(v page.CameraView) bool { return v.Lesson != nil && v.OnRecord == len(left) })
	x.screen.be(control.Armed)
	require.NoError(t, x.journal.SetPast(ctx, left[0].Shot, 1234, 99))
	shots, err := x.OnRecord(ctx, x.session)
	require.NoError(t, err)
	assert.Len(t, shots, len(left)-1)
	assert.NotContains(t, shots, left[0].Shot)
	assert.NotContains(t, shots, first)
}

// The frame that is chosen as the empty one is taken for none of the evenly spaced shots any more, so that one pair
// settles the others, and so is the one with the ruler; what a person says of them counts before that.
func TestEmptyFrameAndRulerAreNoShots(t *testing.T) {
	var even []int
	for i := range 6 {
		even = append(even, 20*i)
	}
	picture := framestest.Plain(60, 40)
	x := newStudioOf(t, shot.DefaultSet(), even, func(int) []byte { return picture })
	before := func(name, taken string) { x.files[name] = framestest.WithExif(picture, taken, "") }
	before("PICT0469.JPG", "2026:11:24 17:29:20")
	before("PICT0470.JPG", "2026:11:24 17:29:40")
	x.start()
	x.sendAll()
	v := x.until(func(v page.CameraView) bool { return len(v.Frames) == 8 })
	require.Zero(t, v.Certain, "each could be the one before")
	require.NoError(t, x.Reference(x.session, "PICT0470", "", false))
	require.NoError(t, x.Ruler(x.session, "PICT0469", 0.1, 0.5, 0.9, 0.5, "10 cm"))
	v = x.idle()
	assert.Equal(t, []int{0, 0, 1, 2, 3, 4, 5, 6}, shotsOf(v))
	require.NoError(t, x.Match(t.Context(), x.session, 3, "PICT0473"))
	v = x.untilSaid("PICT0473 is shot 3")
	assert.Equal(t, 6, v.Certain)
	require.NoError(t, x.Match(t.Context(), x.session, 0, "PICT0473"))
	x.untilSaid("What you said of PICT0473 is taken back.")
	require.NoError(t, x.Match(t.Context(), x.session, 1, "PICT0470"))
	v = x.untilSaid("PICT0470 is shot 1")
	assert.Equal(t, 1, shotsOf(v)[1])
}

// gate is a journal that holds up who reads the frames of a session, as looking at them begins, until it is let go.
type gate struct {
	*journal.Journal
	came, letGo chan struct{}
	closed      atomic.Bool
}

func (g *gate) Frames(ctx context.Context, session int64) ([]record.Frame, error) {
	if g.closed.CompareAndSwap(true, false) {
		g.came <- struct{}{}
		<-g.letGo
	}
	return g.Journal.Frames(ctx, session)
}

// What changes while frames are looked at, and before that was noticed, is in what comes of it, and nothing that rests
// on what was before is put on record as new.
func TestChangedWhileLookedAt(t *testing.T) {
	wider := contact()
	wider.Camera.FieldSeen = 0.2
	trimmed := contact()
	trimmed.Trim.Drop = phys.Seconds(-4 * time.Millisecond)
	for what, c := range map[string]struct {
		change    func(context.Context, *studio) error
		restsOnIt bool
	}{
		"a verdict": {func(ctx context.Context, x *studio) error {
			return x.journal.SetVerdict(ctx, x.shots[2].ID, "late")
		}, false},
		"the trim": {func(ctx context.Context, x *studio) error {
			return x.journal.SaveSet(ctx, x.session, asText(t, trimmed))
		}, false},
		"the set": {func(ctx context.Context, x *studio) error {
			return x.journal.SaveSet(ctx, x.session, asText(t, wider))
		}, true},
		"a file number": {func(ctx context.Context, x *studio) error {
			return x.journal.SetFile(ctx, x.shots[2].ID, 473)
		}, true},
		"a pair": {func(ctx context.Context, x *studio) error {
			return x.Match(ctx, x.session, control.NoShot, "PICT0473")
		}, true},
		"the reference": {func(_ context.Context, x *studio) error {
			return x.Reference(x.session, "PICT0399", "20 cm", false)
		}, true},
	} {
		t.Run(what, func(t *testing.T) {
			x, ctx := newMeasured(t), t.Context()
			if what == "the set" { // which then has the width
				require.NoError(t, x.Reference(x.session, "PICT0399", "", false))
				x.until(func(v page.CameraView) bool { return v.Lesson != nil && v.Width != "10 cm" })
			}
			x.end()
			held := &gate{Journal: x.journal, came: make(chan struct{}), letGo: make(chan struct{})}
			x.o.Journal = held
			x.start()
			x.idle()
			held.closed.Store(true)
			require.NoError(t, x.Recorded(x.session, nil)) // has them looked at
			<-held.came
			require.NoError(t, c.change(ctx, x))
			_, err := x.Measured(t.Context(), x.session)
			if c.restsOnIt {
				assert.ErrorContains(t, err, "being measured again")
			} else {
				assert.NoError(t, err)
			}
			close(held.letGo)
			now := x.until(func(page.CameraView) bool { return true })
			measured, err := x.Measured(t.Context(), x.session)
			require.NoError(t, err)
			x.startAnew()
			assert.Equal(t, x.until(func(v page.CameraView) bool { return len(v.Frames) > 0 }), now, "as a new start has it")
			anew, err := x.Measured(t.Context(), x.session)
			require.NoError(t, err)
			assert.Equal(t, anew, measured)
		})
	}
}

// What was said of an older session while something was armed is settled after the next start, though nobody opens it.
func TestSaidOfAnOlderSessionIsSettled(t *testing.T) {
	x := newStudio(t)
	x.start()
	x.sendAll()
	x.untilFramed(7)
	x.screen.be(control.Armed)
	require.NoError(t, x.Match(t.Context(), x.session, control.NoShot, "PICT0473"))
	newer, err := x.journal.NewSession(t.Context(), record.Session{Started: time.Unix(1, 0), Set: "{}"})
	require.NoError(t, err)
	x.open()
	x.screen.session = newer.ID
	x.start()
	x.screen.until(t, "it is settled", func(control.CameraStatus, map[int64]control.FrameView) bool {
		kept, err := x.journal.Frames(t.Context(), x.session)
		require.NoError(t, err)
		return slices.ContainsFunc(kept, func(f record.Frame) bool {
			return f.Name == "PICT0473" && f.Settled && f.Shot == 0
		})
	})
}

// Files of an older session that were not looked at before the end are so after the next start, though nobody opens it.
func TestFilesOfAnOlderSessionAreLookedAt(t *testing.T) {
	x := newStudio(t)
	x.sendAll() // it was not started, so that nothing was looked at
	newer, err := x.journal.NewSession(t.Context(), record.Session{Started: time.Unix(1, 0), Set: "{}"})
	require.NoError(t, err)
	x.open()
	x.screen.session = newer.ID
	x.start()
	x.screen.until(t, "they are looked at", func(control.CameraStatus, map[int64]control.FrameView) bool {
		kept, err := x.journal.Frames(t.Context(), x.session)
		require.NoError(t, err)
		return len(kept) == 7 && !slices.ContainsFunc(kept, func(f record.Frame) bool { return f.Shot == 0 })
	})
	x.untilLooked()
	x.end()
	assert.NoFileExists(t, filepath.Join(x.store.session(x.session), newsFile), "once")
}

// What is said of a frame while something is armed is taken back as it was said last, and what was said before stays.
func TestTakenBackBeforeItIsLookedAt(t *testing.T) {
	x := newStudio(t)
	x.start()
	x.sendAll()
	x.untilFramed(7)
	ctx := t.Context()
	require.NoError(t, x.Match(ctx, x.session, 5, "PICT0474"))
	x.untilSaid("PICT0474 is shot 5")
	x.screen.be(control.Armed)
	require.NoError(t, x.Match(ctx, x.session, control.NoShot, "PICT0473"))
	require.NoError(t, x.Unmatch(x.session))
	assert.True(t, x.view().Matching)
	x.screen.be(control.Safe)
	v := x.untilSaid("What you said of PICT0473 is taken back.")
	assert.False(t, v.Matching)
	at := func(name string) page.CameraFrame {
		return v.Frames[slices.IndexFunc(v.Frames, func(f page.CameraFrame) bool { return f.Name == name })]
	}
	assert.True(t, at("PICT0474").Settled)
	assert.False(t, at("PICT0473").Settled)
	assert.Equal(t, 4, at("PICT0473").Shot)
}

// When nothing is armed any more, it is not said to be waited for that while the frames are looked at.
func TestLookingIsSaidAgain(t *testing.T) {
	x := newStudio(t)
	held := &gate{Journal: x.journal, came: make(chan struct{}), letGo: make(chan struct{})}
	x.o.Journal = held
	x.start()
	x.sendAll()
	x.untilFramed(7)
	x.screen.be(control.Armed)
	require.NoError(t, x.Recorded(x.session, nil)) // has them looked at
	assert.True(t, x.view().Waits)
	held.closed.Store(true)
	x.screen.be(control.Safe)
	<-held.came
	v := x.view()
	close(held.letGo)
	assert.Equal(t, looking, v.Busy)
	assert.False(t, v.Waits)
}

// slow is a journal that keeps each picture only when it is let.
type slow struct {
	*journal.Journal
	came, letGo chan struct{}
}

func (s *slow) KeepFrame(ctx context.Context, f record.Frame) error {
	if f.Picture != nil {
		s.came <- struct{}{}
		<-s.letGo
	}
	return s.Journal.KeepFrame(ctx, f)
}

// Which frame is which shot is known before the pictures are looked at, and what is said of one comes before the rest.
func TestMatchesComeFirst(t *testing.T) {
	x := newStudio(t)
	x.sendAll()
	held := &slow{Journal: x.journal, came: make(chan struct{}), letGo: make(chan struct{})}
	x.o.Journal = held
	x.start()
	<-held.came
	v := x.view()
	assert.Len(t, v.Frames, 7)
	assert.Equal(t, 7, v.Certain)
	assert.Equal(t, looking+": 0 of 7", v.Busy)
	require.NoError(t, x.Match(t.Context(), x.session, control.NoShot, "PICT0474"))
	assert.True(t, x.view().Matching)
	held.letGo <- struct{}{}
	<-held.came
	v = x.view()
	require.NotNil(t, v.Changed)
	assert.Contains(t, v.Changed.Words, "PICT0474 is not a shot, as you said.")
	assert.False(t, v.Matching)
	assert.NotEmpty(t, v.Busy)
	assert.Equal(t, 6, v.Certain)
	go func() {
		for range held.came {
		}
	}()
	close(held.letGo)
	x.until(func(v page.CameraView) bool { return v.Certain == 6 && len(v.Frames) == 7 && v.Frames[6].Pictured })
	x.end()
	close(held.came)
}

// What is marked in an evening's frames, and what of them is on record, stays when the folder of their copies is taken
// away, and is there after the next start.
func TestMarksOutliveTheirFolder(t *testing.T) {
	x := newMeasured(t)
	list, err := x.Measured(t.Context(), x.session)
	require.NoError(t, err)
	for _, m := range list {
		require.NoError(t, x.journal.SetPast(t.Context(), m.Shot, int64(m.PastMm*1e3), int64(m.PastSDMm*1e3)))
	}
	require.NoError(t, x.Recorded(x.session, list))
	require.NoError(t, x.Ruler(x.session, "PICT0471", 0.1, 0.5, 0.9, 0.5, "30 cm"))
	require.NoError(t, x.Black(x.session, "PICT0472"))
	require.NoError(t, x.Match(t.Context(), x.session, 2, "PICT0472"))
	before := x.idle()
	require.NotEmpty(t, before.Empty)
	require.NotNil(t, before.Ruler)
	onRecord, err := x.OnRecord(t.Context(), x.session)
	require.NoError(t, err)
	require.NotEmpty(t, onRecord)
	dir := x.store.session(x.session)
	require.NoError(t, os.Rename(dir, dir+"-away"))
	for range 2 {
		x.startAnew()
		x.until(func(v page.CameraView) bool { return len(v.Frames) > 0 })
		gone := x.idle()
		assert.Equal(t, []any{before.Empty, before.Black, before.Ruler, before.Spot},
			[]any{gone.Empty, gone.Black, gone.Ruler, gone.Spot})
		assert.Contains(t, strings.Join(gone.Problems, "\n"), "this machine has no copy of the empty frame, "+before.Empty)
		still, err := x.OnRecord(t.Context(), x.session)
		require.NoError(t, err)
		assert.Equal(t, onRecord, still)
		require.NoError(t, x.Spot(x.session, 0.4, 0.4), "and can be changed meanwhile")
		before.Spot = &page.CameraPoint{X: 0.4, Y: 0.4}
	}
	require.NoError(t, x.Unmatch(x.session))
	assert.False(t, x.untilSaid("What you said of PICT0472 is taken back.").Frames[1].Settled)
}

// Marks that cannot be read from the record are said to be, and kept aside once new ones are chosen.
func TestMarksThatCannotBeRead(t *testing.T) {
	x := newStudio(t)
	require.NoError(t, x.journal.KeepMarks(t.Context(), x.session, []byte(`{"reference":{"empty":7}}`)))
	x.start()
	x.sendAll()
	x.untilFramed(7)
	assert.Contains(t, strings.Join(x.idle().Problems, "\n"), "cannot be read from the record")
	_, err := x.Measured(t.Context(), x.session)
	assert.ErrorContains(t, err, "is damaged")
	require.NoError(t, x.Black(x.session, "PICT0471"))
	v := x.idle()
	assert.Equal(t, "PICT0471", v.Black)
	assert.NotContains(t, strings.Join(v.Problems, "\n"), "cannot be read from the record")
	aside, err := x.journal.Marks(t.Context(), x.session)
	require.NoError(t, err)
	assert.Contains(t, string(aside), `"reference unreadable":{"empty":7}`)
}

// A frame that comes again under another name counts once, is named, and what was said of either holds.
func TestFrameThatCameTwice(t *testing.T) {
	x := newStudio(t)
	x.start()
	x.sendAll()
	x.untilFramed(7)
	before := x.idle()
	x.files["PICT0473 (1).JPG"] = x.files["PICT0473.JPG"]
	require.NoError(t, x.send("PICT0473 (1).JPG"))
	after := x.until(func(v page.CameraView) bool { return strings.Contains(v.Kept, "PICT0473 as PICT0473 (1)") })
	assert.Equal(t, []int{before.Certain, before.Likely, before.Open}, []int{after.Certain, after.Likely, after.Open})
	assert.Equal(t, before.Frames, after.Frames)
	assert.Contains(t, after.Kept, "count once: PICT0473 as PICT0473 (1).")
	require.NoError(t, x.Black(x.session, "PICT0473"))
	assert.Equal(t, "PICT0473", x.idle().Black)
}

// What is said twice can be taken back.
func TestSaidTwiceIsTakenBack(t *testing.T) {
	x := newStudio(t)
	x.start()
	x.sendAll()
	x.untilFramed(7)
	for range 2 {
		require.NoError(t, x.Match(t.Context(), x.session, 1, "PICT0471"))
		x.idle()
	}
	require.NoError(t, x.Unmatch(x.session))
	v := x.untilSaid("What you said of PICT0471 is taken back.")
	assert.False(t, v.Frames[0].Settled)
}
