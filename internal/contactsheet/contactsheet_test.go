package contactsheet

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"image"
	"image/color"
	"io"
	"iter"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/frames"
	"stillwater/internal/frames/framestest"
	"stillwater/internal/journal"
	"stillwater/internal/look"
	"stillwater/internal/match"
	"stillwater/internal/need"
	"stillwater/internal/record"
)

type shots []record.Shot

func (s shots) AllShots(context.Context, int64) iter.Seq2[record.Shot, error] {
	return func(yield func(record.Shot, error) bool) {
		for _, one := range s {
			if !yield(one, nil) {
				return
			}
		}
	}
}

// secondsOf the shots of an evening.
var secondsOf = []int{0, 21, 47, 108, 139, 171, 230, 262}

// evening has a camera that is three hours behind and took no frame of shot 3, a test frame, and a damaged file.
func evening(t *testing.T) (shots, *frames.Folder) {
	t.Helper()
	dir := t.TempDir()
	start := time.Date(2026, 11, 24, 20, 30, 0, 0, time.UTC)
	var made shots
	picture := framestest.Plain(60, 40)
	put := func(number int, at time.Time) {
		content := framestest.WithExif(picture, at.Add(-3*time.Hour).Format("2006:01:02 15:04:05"), "")
		require.NoError(t, os.WriteFile(filepath.Join(dir, fmt.Sprintf("PICT%04d.JPG", number)), content, 0o666))
	}
	file := 471
	for i, s := range secondsOf {
		at := start.Add(time.Duration(s)*time.Second + 300*time.Millisecond)
		made = append(made, record.Shot{ID: int64(i + 1), Number: i + 1, At: at, DelayNs: int64(90+i/2) * 1e6,
			When: record.When{Number: 1}})
		if i != 2 {
			put(file, at)
			file++
		}
	}
	put(file, start.Add(90*time.Second))
	made[3].Star, made[3].Verdict, made[3].Note, made[5].Verdict = true, "good", "<b>rim</b>", "late"
	require.NoError(t, os.WriteFile(filepath.Join(dir, "PICT0999.JPG"), []byte("no picture"), 0o666))
	folder, err := frames.Open(dir)
	require.NoError(t, err)
	t.Cleanup(func() { folder.Close() })
	return made, folder
}

// A pair that cannot be says so without words of the command line, which adds them.
func TestMatchError(t *testing.T) {
	made, folder := evening(t)
	for _, c := range []struct {
		pairs     []string
		says, cmd string
	}{
		{[]string{"99=0471"}, "session 4 has no shot 99",
			`--match "99=0471": session 4 has no shot 99: give a shot's number and its file, like 12=PICT0471`},
		{[]string{"99=none"}, "session 4 has no shot 99",
			`--match "99=none": session 4 has no shot 99: give a shot's number`},
		{[]string{"2=0999"}, "no file with a time in it is called 0999", `--match "2=0999": no file with a time`},
		{[]string{"2=0471", "7=0471"}, "shot 2 has PICT0471 for its frame, and shot 7 has PICT0471",
			"shot 7 has PICT0471: take one back, --match 7=none"},
	} {
		var o Options
		for _, pair := range c.pairs {
			require.NoError(t, o.Assign(pair))
		}
		_, err := Make(t.Context(), made, record.Summary{Session: record.Session{ID: 4}}, folder, o)
		assert.EqualError(t, err, c.says)
		var e *MatchError
		assert.ErrorAs(t, err, &e)
		assert.ErrorContains(t, ForCommandLine(err), c.cmd)
	}
	assert.Equal(t, io.EOF, ForCommandLine(io.EOF))
}

// A run that is stopped says how far it was, what is kept, and what the same command does; the next one does go on.
func TestStopped(t *testing.T) {
	made, folder := evening(t)
	kept := struct{ FrameStore }{newMemory(nil)} // as a journal
	run := func(stopAt int, o Options) (Sheet, error) {
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		opened := 0
		o.Measure.Look = true
		o.Open = func(string) (func(), error) {
			if opened++; opened == stopAt {
				stop()
			}
			return func() {}, nil
		}
		return Make(ctx, made, record.Summary{Session: record.Session{ID: 4}}, folder, o)
	}
	const goesOn = "What was found is saved, and nothing else was written; the same command goes on from there"
	for _, c := range []struct {
		at   int
		o    Options
		says string
	}{
		{3, Options{DryRun: true, FrameStore: kept}, "stopped after 2 of 9 frames were read. Nothing was written; the same " +
			"command begins anew"},
		{3, Options{}, "stopped after 2 of 9 frames were read. Nothing was written"},
		{3, Options{FrameStore: newMemory(nil)}, "stopped after 2 of 9 frames were read. Nothing was written"},
		{3, Options{FrameStore: kept}, "stopped after 2 of 9 frames were read. " + goesOn},
		{12, Options{FrameStore: kept}, "stopped after 4 of 7 frames were looked at. " + goesOn},
	} {
		_, err := run(c.at, c.o)
		require.ErrorIs(t, err, context.Canceled)
		assert.ErrorContains(t, ForCommandLine(err), c.says)
		assert.NotContains(t, ForCommandLine(err).Error(), "canceled")
	}
	s, err := run(0, Options{FrameStore: kept})
	require.NoError(t, err)
	assert.Equal(t, []int{0, 3}, []int{s.Read, s.Looked}, "what was done before is not done again")
	ended, end := context.WithCancel(t.Context())
	end()
	_, err = Make(ended, made, record.Summary{}, folder, Options{FrameStore: kept})
	assert.ErrorContains(t, ForCommandLine(err), "stopped before any frame was read. "+goesOn)
}

// Of an empty frame that is there and cannot be read it is said why.
func TestUnreadableEmptyFrame(t *testing.T) {
	made, folder := evening(t)
	for _, name := range []string{"PICT0999", "PICT0999.JPG", "0999"} {
		_, err := Make(t.Context(), made, record.Summary{}, folder, Options{Measure: Measure{Empty: name}})
		assert.ErrorContains(t, ForCommandLine(err), `--empty "`+name+`": PICT0999.JPG: its content is not a readable JPEG`)
	}
	ctx, stop := context.WithCancel(t.Context())
	opened := 0
	_, err := Make(ctx, made, record.Summary{}, folder, Options{Measure: Measure{Empty: "PICT0478"},
		Open: func(string) (func(), error) {
			if opened++; opened == 10 { // when all are read
				stop()
			}
			return func() {}, nil
		}})
	assert.ErrorContains(t, ForCommandLine(err), "stopped after 9 of 9 frames were read")
}

// A camera is not read unless it is known that nothing is armed, and why not is said as it is.
func TestFetchOnlyWhileNothingIsArmed(t *testing.T) {
	need.Tool(t, "gphoto2")
	for want, o := range map[string]Options{
		"stillwater runs and may be armed": {Camera: "disk:x", inUse: true},
		"the journal cannot be written, so it is unknown whether anything is armed: run this as the journal's owner": {
			Camera: "disk:x"},
	} {
		assert.ErrorContains(t, o.Fetch(t.Context(), nil, Files{Say: io.Discard}), want)
	}
}

func sheetOf(t *testing.T, source shots, folder *frames.Folder, settled ...string) Sheet {
	t.Helper()
	s := record.Summary{Session: record.Session{ID: 4, Name: "Crowns", Started: source[0].At}}
	var o Options
	for _, pair := range settled {
		require.NoError(t, o.Assign(pair))
	}
	made, err := Make(t.Context(), source, s, folder, o)
	require.NoError(t, err)
	return made
}

func TestMake(t *testing.T) {
	source, folder := evening(t)
	s := sheetOf(t, source, folder)
	var got []string
	for _, r := range s.Rows {
		got = append(got, fmt.Sprint(r.name(), " ", r.Sure))
	}
	assert.Equal(t, []string{"PICT0471 certain", "PICT0472 certain", "none open", "PICT0473 certain", "PICT0474 certain",
		"PICT0475 certain", "PICT0476 certain", "PICT0477 certain"}, got)
	assert.Equal(t, []string{"PICT0478"}, names(s.Extra))
	require.Len(t, s.Problems, 1)
	assert.ErrorContains(t, s.Problems[0], "PICT0999.JPG: its content is not a readable JPEG")
	require.Len(t, s.Clocks, 1)
	assert.InDelta(t, -3*3600, s.Clocks[0].Offset.Seconds(), 1)

	var out bytes.Buffer
	require.NoError(t, s.Write(&out))
	assert.Contains(t, out.String(), "Of 8 shots 7 have a frame that is certain, 0 a likely one; open: 1.")
	assert.Regexp(t, `The camera's clock was (3 h|2 h 59 min 59 s|3 h 1 s) behind`, out.String())
	assert.Contains(t, out.String(), "Frames that belong to no shot: 1 (PICT0478)")

	out.Reset()
	require.NoError(t, s.WriteCSV(&out))
	lines, err := csv.NewReader(&out).ReadAll()
	require.NoError(t, err)
	assert.Equal(t, []string{"4", "4", "91"}, []string{lines[4][0], lines[4][1], lines[4][3][:2]})
	assert.Equal(t, "PICT0473.JPG", lines[4][7])
	assert.Equal(t, 7, s.Entry().Certain)
}

// Whoever asks is called before a frame's files are opened, to read them and to see the picture, and after; a frame
// that they refuse stays closed, with what they say.
func TestFramesAreOpenedWhereAllowed(t *testing.T) {
	source, folder := evening(t)
	begun, ended, looking := map[string]int{}, map[string]int{}, ""
	refuse := errors.New("PICT0474: left out")
	o := Options{Measure: Measure{Look: true}, Open: func(frame string) (func(), error) {
		assert.Empty(t, looking, "one at a time")
		if frame == "PICT0474" {
			return nil, refuse
		}
		begun[frame]++
		looking = frame
		return func() { ended[frame]++; looking = "" }, nil
	}}
	s, err := Make(t.Context(), source, record.Summary{Session: record.Session{ID: 4}}, folder, o)
	require.NoError(t, err)
	assert.Equal(t, begun, ended)
	assert.Equal(t, []int{2, 0, 1}, []int{begun["PICT0471"], begun["PICT0474"], begun["PICT0999"]})
	require.Len(t, s.Problems, 2)
	assert.Contains(t, s.Problems, refuse)
	for _, r := range s.Rows {
		assert.NotEqual(t, "PICT0474", r.name())
	}
}

// A pair that a person settles is taken; one that cannot be is refused in words.
func TestSettledPairs(t *testing.T) {
	source, folder := evening(t)
	s := sheetOf(t, source, folder, "3=0478")
	assert.Equal(t, []any{"PICT0478", true}, []any{s.Rows[2].name(), s.Rows[2].Settled})
	for _, name := range []string{"PICT0478", "PICT0478.JPG", "478"} {
		assert.Equal(t, "PICT0478", sheetRow(t, source, folder, "3="+name))
	}
	for text, want := range map[string]string{"3": "like 12=PICT0471", "x=PICT0471": "like 12=",
		"99=0471": "has no shot 99",
		"3=PICT9": "no file with a time in it is called PICT9"} {
		var o Options
		err := o.Assign(text)
		if err == nil {
			_, err = Make(t.Context(), source, record.Summary{}, folder, o)
		}
		assert.ErrorContains(t, err, want)
	}
}

// A frame of no shot is none's, and the others are as they were; that is kept, and can be taken back.
func TestFrameOfNoShot(t *testing.T) {
	source, folder := evening(t)
	j, err := journal.Open(t.Context(), filepath.Join(t.TempDir(), "journal.db"))
	require.NoError(t, err)
	defer j.Close()
	session, err := j.NewSession(t.Context(), record.Session{Started: source[0].At})
	require.NoError(t, err)
	run := func(said ...string) (s Sheet, of string) {
		o := Options{FrameStore: j}
		for _, text := range said {
			require.NoError(t, o.Assign(text))
		}
		s, err := Make(t.Context(), source, record.Summary{Session: session}, folder, o)
		require.NoError(t, err)
		return s, s.Rows[4].name()
	}
	_, of := run()
	assert.Equal(t, "PICT0474", of)
	s, of := run("none=0474")
	assert.Equal(t, "none", of)
	assert.Equal(t, []string{"PICT0474", "PICT0478"}, names(s.Extra))
	certain, _, _ := s.Count()
	assert.Equal(t, 6, certain, "the others")
	s, of = run()
	assert.Equal(t, "none", of, "it is kept")
	assert.Equal(t, FrameEntry{Name: "PICT0474", Number: 474, Files: s.Extra[0].Files, Taken: s.Extra[0].Taken,
		Sure: match.Open, Settled: true}, s.FrameEntries()[3])
	_, of = run("any=PICT0474")
	assert.Equal(t, "PICT0474", of)
	_, of = run()
	assert.Equal(t, "PICT0474", of, "that it is taken back is kept too")
	_, of = run("none=0474")
	assert.Equal(t, "none", of)
	_, of = run("5=0474")
	assert.Equal(t, "PICT0474", of, "what is said last counts")

	for text, want := range map[string]string{"none=PICT9": "no file with a time in it is called PICT9",
		"any=PICT9": "no file with a time"} {
		var o Options
		require.NoError(t, o.Assign(text))
		_, err := Make(t.Context(), source, record.Summary{}, folder, o)
		assert.ErrorContains(t, err, want)
	}
	var o Options
	require.NoError(t, o.Assign("5=0474"))
	require.NoError(t, o.Assign("none=0474"))
	_, err = Make(t.Context(), source, record.Summary{}, folder, o)
	assert.ErrorContains(t, err, "that was said of both PICT0474 and 5=0474")
}

// Two pairs that no clock of the camera's fits are taken, and both are named.
func TestPairsThatContradictEachOther(t *testing.T) {
	source, folder := evening(t)
	contradictions := func(said ...string) (list []string) {
		s := sheetOf(t, source, folder, said...)
		for _, c := range s.Contradictions {
			list = append(list, c.ForCommandLine())
		}
		certain, _, _ := s.Count()
		assert.Equal(t, list == nil, certain > 0, "nothing that rests on them is certain")
		assert.Subset(t, s.Entry().Problems, list)
		return list
	}
	assert.Empty(t, contradictions("1=0471", "4=0473", "8=0477"))
	assert.Equal(t, []string{"You said that PICT0471 is shot 1, and that PICT0473 is shot 2: the shots are 21 s apart, " +
		"the frames 1 min 48 s. Until one is taken back no match is certain: the wrong one; or, if the camera's clock was " +
		"set between them, the one on the side with fewer frames, as these are matched by one clock only. Take one back " +
		"with --match 1=none or --match 2=none."},
		contradictions("1=0471", "2=0473"))
	assert.Contains(t, contradictions("1=0473", "4=0471")[0], "the shots are 1 min 48 s apart, the frames the other way "+
		"round, 1 min 48 s. Until")
	assert.Len(t, contradictions("1=0471", "2=0473", "5=0474"), 2, "the wrong one is in both")
}

// What is not certain does not look as certain as what is.
func TestHowSureInWords(t *testing.T) {
	for p, want := range map[float64]string{0.694: "69 %", 0.98: "98 %", 0.99: "99.0 %", 0.9949: "99.4 %", 0.995: "99.5 %",
		0.9999: "99.9 %", 1: "99.9 %"} {
		assert.Equal(t, want, percent(p), "%v", p)
	}
	likely := Row{Frame: &frames.Frame{}, Match: match.Match{Sure: match.Likely, Probability: 0.9999}}
	assert.Equal(t, "likely, 99.9 %", likely.sureWords())
	likely.contradicted = true
	assert.Equal(t, "likely, but contradicted", likely.sureWords())
	for d, want := range map[time.Duration]string{0: "0 s", 14 * time.Second: "14 s", -92 * time.Second: "1 min 32 s",
		3*time.Hour + 300*time.Millisecond: "3 h"} {
		assert.Equal(t, want, apartWords(d))
	}
	s := Sheet{Rows: []Row{{Match: match.Match{Sure: match.Open}}}}
	assert.Equal(t, "Frames that belong to no shot", s.extraWords())
	s.Rows[0].Frame = &frames.Frame{}
	assert.Equal(t, "Frames not matched", s.extraWords(), "it may be a shot's")
}

func sheetRow(t *testing.T, source shots, folder *frames.Folder, pair string) string {
	s := sheetOf(t, source, folder, pair)
	return s.Rows[2].name()
}

// Only a number that was typed is evidence; the record works the others out from it.
func TestTypedNumbers(t *testing.T) {
	s := Sheet{}
	for i, file := range []int{0, 471, 472, 500, 501} {
		s.Rows = append(s.Rows, Row{Shot: record.Shot{Number: i + 1, File: file}})
	}
	for i, want := range []int{0, 471, 0, 500, 0} {
		assert.Equal(t, want, s.typedAt(i), i)
	}
}

func TestHTML(t *testing.T) {
	source, folder := evening(t)
	s := sheetOf(t, source, folder)
	for pick, figures := range map[Pick]int{All: 7, Keepers: 1, Delays: 4} {
		var out bytes.Buffer
		require.NoError(t, s.WriteHTML(t.Context(), &out, folder, pick))
		page := out.String()
		assert.Equal(t, figures, strings.Count(page, "<figure>"), pick)
		assert.Equal(t, figures, strings.Count(page, `src="data:image/jpeg;base64,`), pick)
		assert.Contains(t, page, `width="40" height="60"`, "turned, as the camera says")
		assert.Contains(t, page, "&lt;b&gt;rim&lt;/b&gt;", "a note is text")
		assert.NotRegexp(t, `(src|href)="[^d]|url\(`, page, "the page needs nothing else")
		assert.True(t, strings.HasSuffix(page, "</html>\n"))
	}
	require.NoError(t, os.Remove(filepath.Join(folder.Path(), "PICT0473.JPG")))
	var out bytes.Buffer
	require.NoError(t, s.WriteHTML(t.Context(), &out, folder, All))
	assert.Contains(t, out.String(), `<div class="none">PICT0473.JPG: no such file`)
}

// Each orientation shows the corner that EXIF says is the first row's and column's: here the stored top left is red.
func TestOrientation(t *testing.T) {
	img := image.NewRGBA(image.Rect(0, 0, 6, 4))
	img.SetRGBA(0, 0, color.RGBA{255, 0, 0, 255})
	// CIPA DC-008: the 0th row is the visual top, ..., the 0th column the visual left, ...
	for orientation, at := range map[int]image.Point{0: {0, 0}, 1: {0, 0}, 2: {5, 0}, 3: {5, 3}, 4: {0, 3}, 5: {0, 0},
		6: {3, 0}, 7: {3, 5}, 8: {0, 5}} {
		small := smaller(img, orientation, thumbnailSide)
		r, _, _, _ := small.At(at.X, at.Y).RGBA()
		assert.NotZero(t, r, "orientation %d", orientation)
	}
}

// What a frame shows by its light alone is said with it.
func TestRemarks(t *testing.T) {
	for level, want := range map[uint8]string{0: "; the frame is black", 130: "",
		255: "; 100 % of the frame is burnt out"} {
		img := image.NewGray(image.Rect(0, 0, 8, 8))
		for i := range img.Pix {
			img.Pix[i] = level
		}
		seen := look.NewImage(img, 8)
		assert.Equal(t, want, remarks(&pictured{Tones: look.TonesOf(&seen)}))
	}
}

func TestEmpty(t *testing.T) {
	folder, err := frames.Open(t.TempDir())
	require.NoError(t, err)
	defer folder.Close()
	s, err := Make(t.Context(), shots{}, record.Summary{}, folder, Options{})
	require.NoError(t, err)
	var out bytes.Buffer
	require.NoError(t, s.Write(&out))
	s = Sheet{Rows: []Row{{Match: match.Match{Sure: match.Open, NoFrame: 1}}}}
	assert.Equal(t, "open: probably without a frame, 99.9 %", s.Rows[0].sureWords())
	for p, want := range map[float64]string{0.72: "likely, 72 %", 0.976: "likely, 97 %", 0.9871: "likely, 98.7 %"} {
		likely := Row{Frame: &frames.Frame{}, Match: match.Match{Sure: match.Likely, Probability: p}}
		assert.Equal(t, want, likely.sureWords())
	}
}

// Of an evening of two kinds both are named, on each frame too, and one delay of both is two.
func TestTwoKindsOnTheSheet(t *testing.T) {
	source, folder := evening(t)
	page := func() (string, int) {
		s := sheetOf(t, source, folder)
		var out bytes.Buffer
		require.NoError(t, s.WriteHTML(t.Context(), &out, folder, Delays))
		return out.String(), len(s.picked(Delays))
	}
	for i := range source {
		source[i].Set, source[i].DelayNs = `{"kind":"drop"}`, 90e6
	}
	text, count := page()
	assert.NotContains(t, text, "Kinds")
	assert.Equal(t, 1, count)
	source[6].Set, source[4].Set = `{"kind":"throw"}`, "damaged"
	text, count = page()
	assert.Contains(t, text, "Kinds: drop, throw.")
	assert.Contains(t, text, "</b> throw, 90.0 ms")
	assert.Contains(t, text, "</b> drop, 90.0 ms")
	assert.Equal(t, 3, count, "what cannot be read is neither")
}

// Where a frame is named, the path that a shell completes will do, and no other name changes for it.
func TestFramesNamedByPath(t *testing.T) {
	top := t.TempDir()
	for _, name := range []string{"card/A.JPG", "card/sub/B.JPG", "card/card/C.JPG", "other/A.JPG"} {
		require.NoError(t, os.MkdirAll(filepath.Join(top, filepath.Dir(name)), 0o777))
		require.NoError(t, os.WriteFile(filepath.Join(top, name), nil, 0o666))
	}
	t.Chdir(top)
	for name, want := range map[string]string{
		"card/A.JPG": "A.JPG", "./card/A.JPG": "A.JPG", "card/sub/B.JPG": "sub/B.JPG", top + "/card/A.JPG": "A.JPG",
		"A.JPG": "A.JPG", "sub/B.JPG": "sub/B.JPG", "card/C.JPG": "card/C.JPG", "other/A.JPG": "other/A.JPG",
		"0471": "0471", "card/none.JPG": "card/none.JPG", "": "",
	} {
		o := Options{Black: name, Measure: Measure{Empty: name}}
		o.Match(1, name)
		o.NoShot(name)
		o.TakeBack(name)
		o.InFolder("card")
		assert.Equal(t, []string{want, want, want, want, want},
			[]string{o.Black, o.Measure.Empty, o.said.pairs[0].name, o.said.noShot[0].name, o.said.any[0].name}, name)
	}
}
