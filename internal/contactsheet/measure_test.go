package contactsheet

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"image"
	"image/jpeg"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/frames"
	"stillwater/internal/frames/framestest"
	"stillwater/internal/journal"
	"stillwater/internal/look"
	"stillwater/internal/picture"
	"stillwater/internal/record"
	"stillwater/internal/scene"
	"stillwater/internal/shot"
	"stillwater/internal/tuning"
)

const renderedWidth, renderedHeight, fieldMm = 480, 320, 620

// file is a rendered scene as a camera held upright writes it, which EXIF says: turned by a quarter.
func file(t *testing.T, w scene.Water, seed uint64, taken time.Time) []byte {
	t.Helper()
	light := picture.ThrowStudio()
	gels := picture.Gels()
	light.Gel = gels[len(gels)-1].Gel // none: a lit wall
	img, err := picture.Render(t.Context(), w, light, picture.Options{Width: renderedWidth, Height: renderedHeight,
		Seed: seed, Quality: picture.Preview})
	require.NoError(t, err)
	turned := image.NewRGBA(image.Rect(0, 0, renderedHeight, renderedWidth))
	for y := range renderedHeight {
		for x := range renderedWidth {
			turned.Set(y, renderedWidth-1-x, img.At(x, y))
		}
	}
	var b bytes.Buffer
	require.NoError(t, jpeg.Encode(&b, turned, &jpeg.Options{Quality: 95}))
	return framestest.WithExif(b.Bytes(), taken.Format("2006:01:02 15:04:05"), "")
}

func edgeOf(f scene.Flight, s scene.Sensor) (at time.Duration, ok bool) {
	for _, e := range f.Edges {
		if e.Sensor == s && e.Active {
			return e.At, true
		}
	}
	return 0, false
}

// throws is an evening in the simulated room whose delay is so much too long, with its frames in a folder and its shots
// in a journal.
func throws(t *testing.T, late time.Duration) (dir string, j *journal.Journal, s record.Summary) {
	t.Helper()
	dir, ctx := t.TempDir(), t.Context()
	j, err := journal.Open(ctx, filepath.Join(t.TempDir(), "journal.db"))
	require.NoError(t, err)
	t.Cleanup(func() { j.Close() })
	set := shot.DefaultSet()
	set.Kind = shot.Throw
	text, err := json.Marshal(set)
	require.NoError(t, err)
	start := time.Date(2026, 11, 24, 20, 30, 0, 0, time.UTC)
	session, err := j.NewSession(ctx, record.Session{Started: start, Set: string(text), When: record.When{Boot: "b"}})
	require.NoError(t, err)
	write := func(name string, content []byte) {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), content, 0o666))
	}
	write("PICT0100.JPG", file(t, scene.Water{Liquid: "water"}, 1, start.Add(-5*time.Minute)))
	for seed, made := uint64(0), 0; made < 7; seed++ {
		f, err := scene.New(seed).Release(set, 0)
		require.NoError(t, err)
		gate, seenGate := edgeOf(f, scene.Gate)
		beam, seenBeam := edgeOf(f, scene.Beam)
		if !f.Arrives || !seenGate || !seenBeam || beam <= gate || math.Abs(float64(f.Above)) > 0.1 {
			continue
		}
		after := time.Duration(made*made+25*made) * time.Second
		write(fmt.Sprintf("PICT%04d.JPG", 101+made), file(t, f.WaterAt(f.Best+late), seed, start.Add(after)))
		made++
		_, err = j.Add(ctx, record.Shot{Session: session.ID, At: start.Add(after), Status: record.StatusDone,
			Set: string(text), IntervalNs: int64(beam - gate), DelayNs: int64(f.Best + late - beam),
			When: record.When{Boot: "b", SinceBoot: after}})
		require.NoError(t, err)
	}
	all, err := j.Sessions(ctx)
	require.NoError(t, err)
	return dir, j, all[0]
}

// What is measured in rendered frames of known place is right within what is said of it, and leads towards the delay
// that they should have had. Half a dozen throws whose sheets are more than half as long as the frame is wide, each
// known to 10 ms or so, do not outweigh all of what the plan says. A second run looks at nothing again.
func TestDelayFromFrames(t *testing.T) {
	const late = 14 * time.Millisecond
	dir, j, s := throws(t, late)
	folder, err := frames.Open(dir)
	require.NoError(t, err)
	defer folder.Close()
	o := Options{FrameStore: j, Measure: Measure{Empty: "0100", Width: fieldMm * 1e-3}}
	made, err := Make(t.Context(), j, s, folder, o)
	require.NoError(t, err)
	require.NotNil(t, made.Lesson, "%v", made.Problems)
	assert.Equal(t, []int{8, 7}, []int{made.Read, made.Looked})
	assert.GreaterOrEqual(t, made.Lesson.Measured, 4)

	set, err := shot.ParseSet(s.Set)
	require.NoError(t, err)
	truth, far := time.Duration(0), 0 // of the trim that would have been right, in the mean
	plain := set
	plain.Trim = shot.TrimSet{}
	middle, err := plain.Estimate()
	require.NoError(t, err)
	for i := range made.Rows {
		r := &made.Rows[i]
		truth -= time.Duration(float64(late)*float64(middle.Delay.Duration())/float64(r.Shot.DelayNs)) /
			time.Duration(len(made.Rows))
		if m := made.missOf(r); m != nil {
			if !m.Cut && (m.Delay.By-late).Abs() > 2*m.Delay.SD {
				far++
			}
			assert.InDelta(t, 14.5, math.Round(m.Delay.SD.Seconds()*1e3), 2.5, "README: 12 to 17 ms")
			t.Logf("shot %d: %v late, measured %v ± %v, cut %v", r.Shot.Number, late, m.Delay.By, m.Delay.SD, m.Cut)
		}
	}
	a := made.Lesson.Advice
	t.Logf("%s (truth %v, band %v to %v)", made.Lesson.words(), truth, a.Low, a.High)
	assert.LessOrEqual(t, far, 1, "beyond two standard deviations")
	assert.Equal(t, tuning.Trim, a.Step)
	assert.Negative(t, a.Trim)
	assert.Less(t, (a.Trim - truth).Abs(), truth.Abs())

	again, err := Make(t.Context(), j, s, folder, o)
	require.NoError(t, err)
	assert.Equal(t, []int{0, 0}, []int{again.Read, again.Looked}, "only what is new")
	assert.Equal(t, made.Lesson, again.Lesson)

	o.Measure.Spot = &look.Point{X: 100, Y: 160}
	moved, err := Make(t.Context(), j, s, folder, o)
	require.NoError(t, err)
	assert.Zero(t, moved.Looked, "another spot needs no picture")
	before, after := *made.missOf(&made.Rows[0]), *moved.missOf(&moved.Rows[0])
	path, err := set.PathAt(made.Rows[0].Shot)
	require.NoError(t, err)
	assert.InDelta(t, 140.0*fieldMm/renderedWidth*math.Cos(float64(path)), float64(after.Past-before.Past)*1e3, 0.1,
		"140 pixels to the left, along the path")

	o.Measure.Width *= 2
	wider, err := Make(t.Context(), j, s, folder, o)
	require.NoError(t, err)
	assert.Zero(t, wider.Looked, "nor does another scale")
	assert.InDelta(t, 2*float64(after.Past), float64(wider.missOf(&wider.Rows[0]).Past), 2e-6)

	for _, made := range made.Rows {
		assert.Zero(t, made.Shot.PastSDUm, "nothing is put on record before that is asked for")
	}
	o.Measure.Spot, o.Accept = nil, true
	kept := 0
	for _, o.DryRun = range []bool{true, false} {
		require.Zero(t, kept, "nor in a dry run")
		_, err = Make(t.Context(), j, s, folder, o)
		require.NoError(t, err)
		for one, err := range j.AllShots(t.Context(), s.ID) {
			require.NoError(t, err)
			if one.PastSDUm > 0 {
				kept++
			}
		}
	}
	assert.Equal(t, made.Lesson.Measured, kept)

	o.Accept = false
	recorded, err := Make(t.Context(), j, s, folder, o)
	require.NoError(t, err)
	require.NotNil(t, recorded.Lesson, "what is on record says the same still")
	assert.Equal(t, made.Lesson.Advice.Trim, recorded.Lesson.Advice.Trim)
	assert.Equal(t, []int{kept, kept}, []int{recorded.Lesson.Measured, recorded.Lesson.Before})
	assert.Contains(t, recorded.Lesson.words(), "All of them are on record.")
	assert.Empty(t, recorded.Measurements())
	none := func(Measurement) bool { return false }
	assert.Len(t, recorded.Recorded(none), kept)
	o.Measure.Spot = &look.Point{X: 100, Y: 160}
	moved, err = Make(t.Context(), j, s, folder, o)
	require.NoError(t, err)
	assert.Empty(t, moved.Recorded(none), "measured against another place")
	assert.Len(t, moved.Recorded(func(Measurement) bool { return true }), kept)
}

// The scale and the place in shares of a frame are those in pixels.
func TestShares(t *testing.T) {
	dir, j, s := throws(t, 0)
	folder, err := frames.Open(dir)
	require.NoError(t, err)
	defer folder.Close()
	of := func(m Measure) *reference {
		m.Empty = "0100"
		made, err := Make(t.Context(), j, s, folder, Options{DryRun: true, Measure: m})
		require.NoError(t, err)
		assert.InDelta(t, fieldMm*1e-3, float64(made.Width()), 1e-9)
		return made.reference
	}
	pixels := of(Measure{Width: fieldMm * 1e-3, Spot: &look.Point{X: 120, Y: 240}})
	shares := of(Measure{Long: fieldMm * 1e-3, SpotShare: &look.Point{X: 0.25, Y: 0.75}})
	assert.Equal(t, *pixels.Spot, *shares.Spot)
	assert.InDelta(t, pixels.pxPerMm, shares.pxPerMm, 1e-12)
}

func TestMeasureSaysWhatIsWrong(t *testing.T) {
	source, folder := evening(t)
	s := record.Summary{Session: record.Session{ID: 4, Started: source[0].At}}
	for want, m := range map[string]Measure{
		"no frame in the folder is called that": {Empty: "PICT9999"},
		"is outside the frame":                  {Empty: "0478", Spot: &look.Point{X: 900}},
	} {
		_, err := Make(t.Context(), source, s, folder, Options{Measure: m})
		assert.ErrorContains(t, err, want)
	}
	_, err := Make(t.Context(), source, s, folder, Options{Accept: true, Measure: Measure{Look: true}})
	assert.ErrorIs(t, err, errNothingMeasured)
	for _, text := range []string{"", "1,2,3,4", "1,2,3,x,5cm", "0,0,1e9,0,5cm", "0,0,NaN,0,5cm", "0,0,300,0,0cm",
		"0,0,3,0,5cm", "0,0,300,0,five"} {
		assert.Error(t, new(Ruler).UnmarshalText([]byte(text)), text)
	}
	assert.NoError(t, new(Ruler).UnmarshalText([]byte("0,0,300,0, 5cm")))
	for _, text := range []string{"", "1", "1,", "x,2", "NaN,1", "Inf,1"} {
		assert.Error(t, new(Measure).SetSpot(text), text)
	}
}

// What a person settled counts in the next run too, until it is taken back; a frame whose file changed is read anew.
func TestSecondRun(t *testing.T) {
	source, folder := evening(t)
	j, err := journal.Open(t.Context(), filepath.Join(t.TempDir(), "journal.db"))
	require.NoError(t, err)
	defer j.Close()
	session, err := j.NewSession(t.Context(), record.Session{Started: source[0].At})
	require.NoError(t, err)
	only := false
	run := func(pairs ...string) Sheet {
		o := Options{FrameStore: j, Only: only}
		for _, p := range pairs {
			require.NoError(t, o.Assign(p))
		}
		s, err := Make(t.Context(), source, record.Summary{Session: session}, folder, o)
		require.NoError(t, err)
		return s
	}
	s := run("3=0478")
	assert.Equal(t, []any{8, "PICT0478", true}, []any{s.Read, s.Rows[2].name(), s.Rows[2].Settled})
	s = run()
	assert.Equal(t, []any{0, "PICT0478", true}, []any{s.Read, s.Rows[2].name(), s.Rows[2].Settled})
	s = run("3=none")
	assert.Equal(t, []any{"none", false}, []any{s.Rows[2].name(), s.Rows[2].Settled})
	s = run()
	assert.Equal(t, "none", s.Rows[2].name())
	at := time.Unix(1_700_000_000, 0)
	require.NoError(t, os.Chtimes(filepath.Join(folder.Path(), "PICT0473.JPG"), at, at))
	s = run()
	assert.Equal(t, 1, s.Read)
	require.NoError(t, os.Remove(filepath.Join(folder.Path(), "PICT0471.JPG")))
	for _, want := range []int{8, 7} {
		run()
		kept, err := j.Frames(t.Context(), session.ID)
		require.NoError(t, err)
		assert.Len(t, kept, want, "what is gone is forgotten only when that is wanted")
		only = true
	}

	var first, second bytes.Buffer
	s = run()
	require.NoError(t, s.WriteHTML(t.Context(), &first, folder, All))
	assert.Equal(t, 6, s.Looked)
	s = run()
	require.NoError(t, s.WriteHTML(t.Context(), &second, folder, All))
	assert.Zero(t, s.Looked)
	assert.Equal(t, first.String(), second.String())
}

// full is a journal whose disk is full.
type full struct{ *journal.Journal }

func (full) KeepFrame(context.Context, record.Frame) error { return record.ErrFull }

// A full disk costs the next run time, and nothing else.
func TestFullDisk(t *testing.T) {
	source, folder := evening(t)
	j, err := journal.Open(t.Context(), filepath.Join(t.TempDir(), "journal.db"))
	require.NoError(t, err)
	defer j.Close()
	session, err := j.NewSession(t.Context(), record.Session{Started: source[0].At})
	require.NoError(t, err)
	s, err := Make(t.Context(), source, record.Summary{Session: session}, folder, Options{FrameStore: full{j}})
	require.NoError(t, err)
	certain, _, _ := s.Count()
	assert.Equal(t, 7, certain)
	assert.ErrorIs(t, s.Problems[0], record.ErrFull)
	assert.Len(t, s.Problems, 2, "it is said once")
}

// A slower throw has longer to be good: the lesson weighs its miss by its delay, and so does the suggestion.
func TestToleranceOfASlowThrow(t *testing.T) {
	set := shot.DefaultSet()
	set.Kind = shot.Throw
	text, err := json.Marshal(set)
	require.NoError(t, err)
	s := &Sheet{Session: record.Summary{Session: record.Session{Set: string(text)}}}
	row := func(delay time.Duration) *Row {
		return &Row{Shot: record.Shot{Set: string(text), DelayNs: delay.Nanoseconds()}}
	}
	usual := s.toleranceOf(row(30 * time.Millisecond))
	require.Positive(t, usual)
	assert.InDelta(t, 2*usual, s.toleranceOf(row(60*time.Millisecond)), 2)
}
