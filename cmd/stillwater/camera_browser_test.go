package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"image"
	"image/jpeg"
	"log/slog"
	"math/rand/v2"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/dom"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/control"
	"stillwater/internal/frames/framestest"
	"stillwater/internal/intake"
	"stillwater/internal/journal"
	"stillwater/internal/page"
	"stillwater/internal/proctest"
	"stillwater/internal/record"
	"stillwater/internal/shot"
	"stillwater/internal/tuning"
	"stillwater/web"
)

// cameraControl is a fakeControl that shows what the intake finds, and does what is said of frames.
type cameraControl struct {
	*fakeControl
	camera  *intake.Intake
	session int64
	folder  string      // of the session's files on the machine
	held    atomic.Bool // nothing is looked at, as if something were armed
}

func (c *cameraControl) Do(ctx context.Context, client string, cmd control.Command) error {
	switch cmd.Type {
	case "match":
		return c.camera.Match(ctx, cmd.Session, cmd.Number, cmd.Name)
	case "unmatch":
		return c.camera.Unmatch(cmd.Session)
	case "reference":
		return c.camera.Reference(cmd.Session, cmd.Name, cmd.Value, cmd.FromRight)
	case "black":
		return c.camera.Black(cmd.Session, cmd.Name)
	case "spot":
		return c.camera.Spot(cmd.Session, cmd.X, cmd.Y)
	case "ruler":
		return c.camera.Ruler(cmd.Session, cmd.Name, cmd.X, cmd.Y, cmd.X2, cmd.Y2, cmd.Value)
	}
	return c.fakeControl.Do(ctx, client, cmd)
}

func (c *cameraControl) State() control.State {
	if c.held.Load() {
		return control.Armed
	}
	return c.Snapshot().State
}

func (c *cameraControl) SessionID() int64 { return c.session }

func (c *cameraControl) ShowCamera(session int64, now control.CameraStatus, frames map[int64]control.FrameView) {
	c.be(func(s *control.Snapshot) {
		s.Camera = now
		for i := range s.Shots {
			if f, ok := frames[s.Shots[i].ID]; ok {
				s.Shots[i].CameraFrame, s.Shots[i].Framed = &f, true
			}
		}
	})
}

// cameraEvening is an evening on record, a page of it, and the camera's files in a folder of the phone: three hours
// behind, and none of shot 3.
func cameraEvening(t *testing.T, b *browser) (c *cameraControl, p *phone, files []string) {
	t.Helper()
	return cameraEveningOf(t, b, shot.DefaultSet())
}

func cameraEveningOf(t *testing.T, b *browser, made shot.Set) (c *cameraControl, p *phone, files []string) {
	t.Helper()
	ctx := t.Context()
	j, err := journal.Open(ctx, filepath.Join(t.TempDir(), "journal.db"))
	require.NoError(t, err)
	t.Cleanup(func() { j.Close() })
	set, err := json.Marshal(made)
	require.NoError(t, err)
	start := time.Date(2026, 11, 24, 20, 30, 0, 0, time.UTC)
	s, err := j.NewSession(ctx, record.Session{Name: "Crowns", Started: start, Set: string(set),
		When: record.When{Boot: "b"}})
	require.NoError(t, err)
	var shown []control.ShotView
	dir := t.TempDir()
	for i, seconds := range []int{0, 21, 47, 108, 139, 171, 230, 262} {
		at := start.Add(time.Duration(seconds)*time.Second + 300*time.Millisecond)
		made, err := j.Add(ctx, record.Shot{Session: s.ID, At: at, When: record.When{Boot: "b", Wall: at,
			SinceBoot: at.Sub(start)}, Status: record.StatusDone, Set: string(set), DelayNs: 90e6})
		require.NoError(t, err)
		shown = append([]control.ShotView{control.ViewShot(new(shot.Outcomes), made)}, shown...)
		if i != 2 {
			name := filepath.Join(dir, fmt.Sprintf("PICT%04d.JPG", 471+len(files)))
			content := framestest.WithExif(framestest.Plain(600, 400), at.Add(-3*time.Hour).Format("2006:01:02 15:04:05"), "")
			require.NoError(t, os.WriteFile(name, content, 0o666))
			files = append(files, name)
		}
	}
	in := intake.New(intake.Options{Dir: j.Path() + "-frames", Journal: j})
	fake := &fakeControl{snap: ready(), boxes: map[chan *control.Snapshot]bool{}, taken: map[string]int{}}
	c = &cameraControl{fakeControl: fake, camera: in, session: s.ID,
		folder: filepath.Join(j.Path()+"-frames", fmt.Sprint(s.ID))}
	c.snap.Session.ID, c.snap.Shots, c.snap.ShotCount = s.ID, shown, len(shown)
	server, err := page.New(ctx, page.Options{Control: c, Files: web.Files, Record: j.Reader(), Camera: in,
		Log: slog.New(slog.DiscardHandler)})
	require.NoError(t, err)
	web := httptest.NewServer(server.Handler())
	t.Cleanup(func() { web.CloseClientConnections(); web.Close() })
	t.Cleanup(in.Start(ctx, c))
	p = b.phone(t, web.URL+"/#code="+server.Code(), 390, 844, true)
	p.until("it is shown", `document.querySelector("#page").checkVisibility()`)
	return c, p, files
}

// choose chooses files as the phone's own dialog would.
func (p *phone) choose(selector string, files ...string) {
	p.t.Helper()
	root := send(p, dom.GetDocument, dom.GetDocumentParams{})
	node := send(p, dom.QuerySelector, dom.QuerySelectorParams{NodeID: root.Root.NodeID, Selector: selector})
	send(p, dom.SetFileInputFiles, dom.SetFileInputFilesParams{Files: files, NodeID: node.NodeID})
}

// openCamera opens the evening's frames in Look back.
func (p *phone) openCamera() {
	p.t.Helper()
	p.place("lookback")
	p.tap(".evening-open")
	p.until("the evening is shown", `document.querySelector(".evening .camera")?.checkVisibility()`)
	p.tap(".camera > summary")
}

// TestFramesFromThePhone: files chosen on the page go to the machine and find their shots; one that is no picture is
// named with what to do; nothing is sent while something is armed, and nothing twice.
func TestFramesFromThePhone(t *testing.T) {
	t.Parallel()
	c, p, files := cameraEvening(t, startBrowser(t))
	p.state("safe", "Safe")
	p.openCamera()
	p.until("it says that there are none", `
		document.querySelector(".camera-counts").textContent.includes("No frames yet")`)
	wrong := filepath.Join(t.TempDir(), "PICT0999.JPG")
	require.NoError(t, os.WriteFile(wrong, []byte("a letter to somebody"), 0o666))
	place := `JSON.stringify(document.querySelector(".camera-choose").getBoundingClientRect())`
	before := eval[string](p, place)
	p.choose(".camera input[type=file]", append(files[:4:4], wrong)...)
	p.until("they are there", `
		document.querySelector(".camera-progress").textContent.startsWith("4 of 5 files are there")`)
	assert.Equal(t, before, eval[string](p, place), "nothing moves under the thumb")
	assert.Contains(t, p.plain(".camera .advice"), "PICT0999.JPG is not a JPEG, HEIF or raw file, whatever its name "+
		"says. "+
		"Choose the camera's own file.")
	p.until("they are matched", `document.querySelector(".camera-counts").textContent.startsWith("8 shots: 4 certain")`)

	c.be(func(s *control.Snapshot) { s.State = control.Armed })
	p.until("it is armed", `document.documentElement.dataset.state === "armed"`)
	p.choose(".camera input[type=file]", files...)
	p.until("they wait", `
		document.querySelector(".camera-progress").textContent.includes("Something is armed: the files wait.")`)
	assert.Len(t, eval[[]string](p, `performance.getEntriesByType("resource").map((e) => e.name)
		.filter((n) => n.includes("PICT0475.JPG"))`), 0, "nothing of them was sent")
	c.be(func(s *control.Snapshot) { s.State = control.Safe })
	p.until("they go on", `document.querySelector(".camera-progress").textContent
		.startsWith("7 of 7 files are there, 4 were there already")`)
	p.until("all are matched", `document.querySelector(".camera-counts").textContent.startsWith("8 shots: 7 certain")`)
	p.place("lookback") // what is armed is shown at Shoot, and pictures come when they are in sight
	p.js(`document.querySelector(".camera").scrollIntoView()`)
	p.until("their pictures are there", `[...document.querySelectorAll(".camera-frame img")].length === 7 &&
		document.querySelector(".camera-frame img").naturalWidth > 0`)
	assert.Contains(t, p.plain(".camera-frame"), "Shot 1, certain")
	p.picture("frames-from-the-phone")
	p.clean()
}

// TestDamagedCopy: a good file takes the place of a damaged copy on the machine by being chosen again, and one that is
// as its copy is not sent twice. A copy that was deleted to make room comes back when its file is chosen for itself.
func TestDamagedCopy(t *testing.T) {
	t.Parallel()
	c, p, files := cameraEvening(t, startBrowser(t))
	grain := image.NewGray(image.Rect(0, 0, 480, 320))
	chance := rand.New(rand.NewPCG(1, 1))
	for i := range grain.Pix {
		grain.Pix[i] = byte(chance.IntN(256))
	}
	var encoded bytes.Buffer
	require.NoError(t, jpeg.Encode(&encoded, grain, nil))
	good := framestest.WithExif(encoded.Bytes(), "2026:11:24 17:30:00", "")
	damaged := slices.Clone(good)
	clear(damaged[len(damaged)/2:])
	require.Greater(t, len(damaged)/2, page.FirstPartBytes)
	onCard, onPhone := filepath.Join(t.TempDir(), "PICT0900.JPG"), filepath.Join(t.TempDir(), "PICT0900.JPG")
	require.NoError(t, os.WriteFile(onCard, damaged, 0o666))
	require.NoError(t, os.WriteFile(onPhone, good, 0o666))
	p.openCamera()
	sent := func(words string, files ...string) {
		p.choose(".camera input[type=file]", files...)
		p.until("they are there", fmt.Sprintf(`document.querySelector(".camera-progress").textContent === %q`, words))
	}
	sent("2 of 2 files are there.", onCard, files[0])
	p.until("what cannot be read is named, and what to do", `
		document.querySelector(".camera .advice").textContent.includes("PICT0900") &&
		[...document.querySelectorAll(".camera .hint")].some((n) => n.checkVisibility() && n.textContent.includes(
			"choose it again to replace the copy"))`)
	p.picture("damaged-copy")
	p.hideProblem()
	kept := filepath.Join(c.folder, "PICT0900.JPG")
	sent("2 of 2 files are there, one was there already, one replaced a damaged copy.", onPhone, files[0])
	read, err := os.ReadFile(kept)
	require.NoError(t, err)
	assert.Equal(t, good, read)
	p.until("it can be read", `document.querySelector(".camera .advice").hidden &&
		document.querySelectorAll(".camera-frame img").length === 2`)
	sent("1 of 1 files are there, one was there already.", onPhone)

	require.NoError(t, os.Remove(kept)) // as when it gives way
	sent("1 of 2 files are there, one was there already, one was deleted on the machine to make room: choose only that "+
		"one to send it again.", onPhone, files[0])
	p.picture("copy-gone")
	sent("1 of 1 files are there.", onPhone)
	assert.FileExists(t, kept)
	p.clean()
}

// hideProblem puts the one problem of a file out of sight, over a reload of the page, and shows it again.
func (p *phone) hideProblem() {
	p.t.Helper()
	const hidden = `document.querySelector(".camera .advice").hidden &&
		document.querySelector(".camera-hide").textContent === "Show 1 hidden problem" &&
		![...document.querySelectorAll(".camera .hint")].some((n) =>
			n.checkVisibility() && n.textContent.includes("damaged"))`
	assert.Equal(p.t, "Hide this problem on this phone", p.plain(".camera-hide"))
	p.tap(".camera-hide")
	p.until("it is out of sight", hidden)
	p.fit("a hidden problem")
	p.picture("damaged-copy-hidden")
	p.do(chromedp.Reload())
	p.until("the evening is there again", `document.querySelector(".evening .camera")?.checkVisibility()`)
	p.js(`document.querySelector(".evening .camera").open = true`)
	p.until("it still is", hidden)
	p.tap(".camera-hide")
	p.until("it is shown again", `document.querySelector(".camera .advice").textContent.includes("PICT0900") &&
		document.querySelector(".camera-hide").textContent === "Hide this problem on this phone"`)
}

// TestFramesAtShoot: a shot whose frame came shows it in its card, with what it suggests; a tap shows those of the
// session, forwards and backwards and enlarged. Nothing moves, and arming closes it.
func TestFramesAtShoot(t *testing.T) {
	t.Parallel()
	c, p, files := cameraEvening(t, startBrowser(t))
	p.openCamera()
	p.choose(".camera input[type=file]", files...)
	p.until("all are matched", `document.querySelector(".camera-counts").textContent.startsWith("8 shots: 7 certain")`)
	proctest.Eventually(t, "their pictures were looked at", func() bool {
		return c.Snapshot().Shots[0].CameraFrame != nil
	})
	c.be(func(s *control.Snapshot) {
		late := *s.Shots[0].CameraFrame
		late.Verdict, late.Says = record.Late, []string{"the liquid is 14 mm past its place, ±3 mm"}
		late.Next = []string{"by this frame alone the delay is 5.2 ms too long"}
		s.Shots = slices.Clone(s.Shots)
		s.Shots[0].CameraFrame = &late
		s.Camera.Measured = 3
		s.Tuning = &control.Tuning{Step: "judge", Line: "Judge some", Words: "Judge some", Facts: []tuning.Fact{}}
	})
	p.place("shoot")
	p.until("the frame is in the card", `document.querySelector("#frame img").dataset.state === "whole"`)
	assert.Equal(t, "frame", p.plain("#frame .frame-mark"))
	assert.Equal(t, "contain", eval[string](p, `getComputedStyle(document.querySelector("#frame img")).objectFit`))
	assert.Equal(t, "Suggested: late. The liquid is 14 mm past its place, ±3 mm. By this frame alone the delay is "+
		"5.2 ms too long. Frame PICT0477, certain.", p.plain("#shot .seen-words"))
	assert.InDelta(t, 2, eval[float64](p, `document.querySelector("#shot .seen-words").clientHeight /
		parseFloat(getComputedStyle(document.querySelector("#shot .seen")).lineHeight)`), 0.1, "whole lines")
	assert.Equal(t, []string{"late"}, eval[[]string](p,
		`[...document.querySelectorAll("#verdicts [data-suggested]")].map((b) => b.dataset.verdict)`))
	p.picture("frame-at-shoot")
	p.tap("#learned > summary")
	p.js(`window.held = []; WebSocket.prototype.send = (real => function (m) {
		if (m.includes('"accept"')) held.push(() => real.call(this, m));
		else real.call(this, m);
	})(WebSocket.prototype.send)`)
	says := func(words string) string {
		return fmt.Sprintf(`document.querySelector("#learned .accept").textContent === %q`, words)
	}
	p.until("they can be recorded", says("Put 3 measurements from frames on record"))
	p.tap("#learned .accept")
	p.until("it says that they are being recorded", says("Recording 3 measurements from frames …"))
	p.until("and looks so", `document.querySelector("#learned .accept").ariaBusy === "true"`)
	p.tap("#learned .accept")
	assert.Equal(t, 1, eval[int](p, `held.length`), "once is enough")
	p.js(`held[0]()`)
	assert.Equal(t, c.session, c.await(t, "accept").Session)
	p.until("that is over", says("Put 3 measurements from frames on record")+
		` && !document.querySelector("#learned .accept").ariaBusy`)

	p.tap("#frame")
	p.until("those of the session are there", `document.querySelector("#frames").open &&
		document.querySelectorAll("#frames figure").length === 7 &&
		document.querySelector("#frames figure:last-child img").dataset.state === "whole"`)
	steps := `JSON.stringify(document.querySelector("#frames .strip-steps").getBoundingClientRect())`
	before := eval[string](p, steps)
	p.picture("frames-strip")
	bright := p.luminance()
	p.js(`document.documentElement.dataset.dim = "dimmest"`)
	assert.Less(t, p.luminance(), 0.6*bright, "it is dimmed as the page is")
	p.js(`delete document.documentElement.dataset.dim`)
	p.tap(`#frames [aria-label="Older picture"]`)
	p.until("the one before", `document.querySelector("#strip-words").textContent.includes("Frame PICT0476, certain.")`)
	assert.Equal(t, before, eval[string](p, steps), "nothing moves")
	p.js(`document.querySelector("#frames .strip").scrollBy({ left: 400, behavior: "instant" })`)
	p.until("a swipe leads back", `document.querySelector("#strip-words").textContent.includes("Suggested: late.")`)
	p.tap(`#frames .strip-steps [aria-pressed]`)
	p.until("it is enlarged", `(f => f.scrollWidth > 2 * f.clientWidth && f.tabIndex === 0)(
		document.querySelector("#frames figure > .frame"))`)
	assert.Equal(t, before, eval[string](p, steps), "nothing moves")
	c.be(func(s *control.Snapshot) { s.State = control.Armed })
	p.until("arming closes it", `!document.querySelector("#frames").open &&
		!document.querySelector("#frame").checkVisibility()`)
	p.clean()
}

// keyIn presses a key where the focus is in the dialog.
const keyIn = `(document.activeElement ?? document.querySelector(".camera-dialog")).dispatchEvent(
	new KeyboardEvent("keydown", { key: %q, bubbles: true }))`

// TestFrameIsThatShot: how sure each match is stands there in words and with a sign; one tap on a frame and one on the
// shot's number settle it, and can be taken back; the keys lead from frame to frame.
func TestFrameIsThatShot(t *testing.T) {
	t.Parallel()
	c, p, files := cameraEvening(t, startBrowser(t))
	p.openCamera()
	p.choose(".camera input[type=file]", files[0], files[1])
	p.until("they are there", `document.querySelectorAll(".camera-frame img").length === 2`)
	assert.Equal(t, 2, eval[int](p, `document.querySelectorAll(".camera-sure svg + span").length`), "a sign and words")
	p.tap(".camera-list li:nth-child(2) .camera-frame")
	p.until("it is open", `document.querySelector(".camera-dialog").open`)
	p.js(`(i => { i.value = "2"; i.dispatchEvent(new Event("input")); })(document.querySelector(".camera-dialog input"))`)
	p.until("the button says it", `
		document.querySelector(".camera-dialog .primary").textContent === "This frame is shot 2"`)
	p.tap(".camera-dialog .primary")
	p.until("it is settled, and the other with it", `
		[...document.querySelectorAll(".camera-sure")].map((n) => n.textContent).join() ===
			"Shot 1, certain,Shot 2, as you said,Shot 2, as you said"`)
	p.picture("frame-is-that-shot")
	p.js(fmt.Sprintf(keyIn, "ArrowLeft"))
	p.until("previous frame", `document.querySelector(".camera-title b").textContent === "PICT0471"`)
	p.js(fmt.Sprintf(keyIn, "ArrowRight"))
	p.until("it can be taken back", `document.querySelector(".take-back").checkVisibility({ visibilityProperty: true })`)
	p.tap(".camera-dialog .take-back")
	p.until("it is taken back", `
		![...document.querySelectorAll(".camera-sure")].some((n) => n.textContent.includes("you said"))`)
	c.be(func(s *control.Snapshot) { s.State = control.Armed })
	p.until("arming closes it", `!document.querySelector(".camera-dialog").open`)
	p.clean()
}

// dialogTo opens a frame in its dialog.
func (p *phone) dialogTo(frame int) {
	p.t.Helper()
	p.tap(fmt.Sprintf(".camera-list li:nth-child(%d) .camera-frame", frame))
	p.until("it is open", `document.querySelector(".camera-dialog").open`)
}

// sayShot types in the dialog which shot a frame is, and says it.
func (p *phone) sayShot(number int) {
	p.t.Helper()
	p.js(fmt.Sprintf(`(i => { i.value = "%d"; i.dispatchEvent(new Event("input")); })(document.querySelector(
		".camera-dialog .camera-which input"))`, number))
	p.tap(".camera-dialog .camera-which .primary")
}

// TestPairIsTakenAtOnce: what is said of a frame is said to be taken at once, in the dialog and with the frames, until
// it is matched; what was said of another frame before is not shown in its place, nor can it be taken back meanwhile.
func TestPairIsTakenAtOnce(t *testing.T) {
	t.Parallel()
	c, p, files := cameraEvening(t, startBrowser(t))
	p.openCamera()
	p.choose(".camera input[type=file]", files...)
	p.until("all are matched", `document.querySelector(".camera-counts").textContent.startsWith("8 shots: 7 certain")`)
	p.dialogTo(1)
	p.sayShot(1)
	p.until("it is said", `document.querySelector(".camera-title").textContent.includes("Shot 1, as you said")`)
	p.js(fmt.Sprintf(keyIn, "ArrowRight"))
	p.until("the next one", `document.querySelector(".camera-title b").textContent === "PICT0472"`)
	c.held.Store(true)
	p.tap(".camera-dialog .no-shot")
	p.until("it is taken", `
		document.querySelector(".camera-says").textContent === "Saved, matched when nothing is armed."`)
	assert.Contains(t, p.plain(".camera-title"), "Shot 2, certain", "as it was so far")
	assert.Equal(t, "hidden", eval[string](p, `getComputedStyle(document.querySelector(".take-back")).visibility`))
	p.picture("pair-is-taken")
	p.js(`document.querySelector(".camera-dialog").close()`)
	p.until("the same stands with the frames", `document.querySelector(".camera-changed p").textContent ===
		"PICT0472: saved, matched when nothing is armed."`)
	assert.Equal(t, "hidden", eval[string](p, `
		getComputedStyle(document.querySelector(".camera-changed button")).visibility`))
	c.held.Store(false)
	p.until("it is matched", `document.querySelector(".camera-changed p").textContent.startsWith(
		"PICT0472 is not a shot, as you said.")`)
	p.clean()
}

// TestUnmatchedSaysWhatToDo: with frames of which nobody knows the shot, what to do is said; the guess is no answer
// that is typed already.
func TestUnmatchedSaysWhatToDo(t *testing.T) {
	t.Parallel()
	_, p, _ := cameraEvening(t, startBrowser(t))
	p.openCamera()
	alone := filepath.Join(t.TempDir(), "PICT0900.JPG")
	taken := framestest.WithExif(framestest.Plain(600, 400), "2026:11:24 17:30:00", "")
	require.NoError(t, os.WriteFile(alone, taken, 0o666))
	p.choose(".camera input[type=file]", alone)
	p.until("it is there", `document.querySelectorAll(".camera-frame img").length === 1`)
	p.until("it says what to do", `document.querySelector(".camera-counts").textContent ===
		"8 shots: 0 certain, 0 likely, 8 unmatched. Open a frame and say which shot it is: one pair often settles the " +
		"others."`)
	p.dialogTo(1)
	assert.Empty(t, p.value(".camera-which input"))
	assert.Equal(t, "Type the shot's number", p.plain(".camera-which .primary"))
	p.picture("unmatched")
	p.clean()
}

const suresOf = `[...document.querySelectorAll(".camera-list .camera-sure")].map((n) => n.textContent).join("; ")`

// TestWhatAPairChanges: a wrong number says at once what it changed, also of what was said before, and one tap takes
// all of it back. A test exposure is said to be no shot. Nothing moves under the thumb.
func TestWhatAPairChanges(t *testing.T) {
	t.Parallel()
	_, p, files := cameraEvening(t, startBrowser(t))
	p.openCamera()
	p.choose(".camera input[type=file]", files...)
	p.until("all are matched", `document.querySelector(".camera-counts").textContent.startsWith("8 shots: 7 certain")`)
	right := eval[string](p, suresOf)
	p.dialogTo(4)
	place := `JSON.stringify([".primary", ".no-shot", ".strip-steps"].map((s) =>
		document.querySelector(".camera-dialog " + s).getBoundingClientRect()))`
	before := eval[string](p, place)
	p.sayShot(4)
	p.until("it says what that changed", `/^PICT0474 is shot 4, as you said. \d other frames changed shot: /.test(
		document.querySelector(".camera-says").textContent)`)
	assert.Equal(t, before, eval[string](p, place), "nothing moves")
	assert.True(t, eval[bool](p, `(n => n.scrollHeight <= n.clientHeight + 1)(document.querySelector(".camera-says"))`))
	p.picture("pair-changes")
	p.until("it can be taken back", `document.querySelector(".take-back").checkVisibility({ visibilityProperty: true })`)
	p.tap(".camera-dialog .take-back")
	p.until("all of it is taken back", suresOf+fmt.Sprintf(" === %q", right))
	assert.Equal(t, "hidden", eval[string](p, `getComputedStyle(document.querySelector(
		".camera-changed button")).visibility`), "nor is that offered to be taken back once more")
	assert.Equal(t, "5", p.value(".camera-which input"), "the number is what is known again")
	assert.Equal(t, "This frame is shot 5", p.plain(".camera-which .primary"))
	p.tap(".camera-dialog .no-shot")
	p.until("it is no shot", `document.querySelector(".camera-title").textContent.includes("no shot, as you said") &&
		document.querySelector(".no-shot").getAttribute("aria-pressed") === "true"`)
	assert.Contains(t, p.plain(".camera-says"), "PICT0474 is not a shot, as you said.")
	p.tap(`.camera-dialog .strip-steps button:nth-of-type(3)`)
	p.until("the same stands with the frames", `
		document.querySelector(".camera-changed button").checkVisibility({ visibilityProperty: true }) &&
		document.querySelector(".camera-changed p")?.textContent.startsWith("PICT0474 is not a shot, as you said.")`)
	p.tap(".camera-changed button")
	p.until("and is taken back there", suresOf+fmt.Sprintf(" === %q", right))

	p.dialogTo(1)
	p.sayShot(1)
	p.until("it is said", `document.querySelector(".camera-title").textContent.includes("Shot 1, as you said")`)
	p.js(fmt.Sprintf(keyIn, "ArrowRight"))
	p.sayShot(7)
	p.until("it is contradicted", `document.querySelector(".camera-title").textContent ===
		"PICT0472 Shot 7, as you said, but contradicted"`)
	assert.Contains(t, p.plain(".camera-says"), "You said that PICT0471 is shot 1, and that PICT0472 is shot 7")
	p.picture("pair-contradicted")
	p.js(`document.querySelector(".camera-dialog").close()`)
	clashes := `[...document.querySelectorAll("[aria-label^='Pairs that'] :is(p, button)")].map((n) => n.textContent)`
	said := eval[[]string](p, clashes)
	require.Len(t, said, 3)
	assert.Contains(t, said[0], "Until one is taken back no match is certain")
	assert.Equal(t, []string{"Take back: PICT0471 is shot 1", "Take back: PICT0472 is shot 7"}, said[1:])
	assert.NotContains(t, eval[string](p, suresOf), "certain")
	assert.Contains(t, p.plain(".camera-counts"), "0 certain")
	p.js(`document.querySelector("[aria-label^='Pairs that']").scrollIntoView()`)
	p.fit("contradictions")
	p.picture("pairs-contradict")
	p.tap("[aria-label^='Pairs that'] button:last-child")
	p.until("one is taken back, and all is as it was", fmt.Sprintf(`%s.length === 0 && %s === %q`, clashes, suresOf,
		strings.Replace(right, "Shot 1, certain", "Shot 1, as you said", 1)))
	p.clean()
}

// TestFrameDialogIsWithinReach: what may be unfolded in a frame's dialog can be scrolled to between the picture and the
// buttons below, which stay where they are; what is known of another frame moves nothing.
func TestFrameDialogIsWithinReach(t *testing.T) {
	t.Parallel()
	throws := shot.DefaultSet()
	throws.Kind = shot.Throw
	_, p, files := cameraEveningOf(t, startBrowser(t), throws)
	p.openCamera()
	p.choose(".camera input[type=file]", files[0], files[1])
	p.until("they are there", `document.querySelectorAll(".camera-frame img").length === 2`)
	p.js(`window.box = (s) => document.querySelector(".camera-dialog " + s).getBoundingClientRect();
		window.places = () => JSON.stringify([".camera-which .primary", ".no-shot", "summary", ".strip-steps"].map(box))`)
	for _, size := range sizes {
		p.resize(size[0], size[1])
		p.dialogTo(1)
		at := fmt.Sprintf("at %v", size)
		assert.True(t, eval[bool](p, `box(".primary").bottom <= box(".camera-foot").top`), "what to do first is in sight "+at)
		before := eval[string](p, `places()`)
		p.js(fmt.Sprintf(keyIn, "ArrowRight"))
		p.until("the next frame", `document.querySelector(".camera-title b").textContent === "PICT0472"`)
		assert.Equal(t, before, eval[string](p, `places()`), "nothing moves "+at)
		steps := eval[string](p, `JSON.stringify(box(".strip-steps"))`)
		p.tap(".camera-reference > summary")
		p.until("what is unfolded is in sight "+at, `box(".camera-reference > .hint").bottom <= box(".camera-foot").top + 40`)
		assert.Equal(t, steps, eval[string](p, `JSON.stringify(box(".strip-steps"))`), "the buttons below stay "+at)
		hidden := eval[[]string](p, `[...document.querySelectorAll(
			".camera-dialog :is(.camera-which, .camera-reference) :is(button, input)")]
			.filter((n) => n.checkVisibility({ visibilityProperty: true }))
			.filter((n) => {
				n.scrollIntoView({ block: "nearest" });
				const r = n.getBoundingClientRect();
				return r.top < box(".camera-large").bottom || r.bottom > box(".camera-foot").top || r.height < 48;
			}).map((n) => n.textContent)`)
		assert.Empty(t, hidden, "out of reach "+at)
		p.picture(fmt.Sprintf("frame-dialog-%d", size[0]))
		p.js(`document.querySelector(".camera-dialog").close(); document.querySelector(".camera-reference").open = false`)
	}
	p.clean()
}

// swipe draws a finger over an element by so much, in steps as a screen reports them.
func (p *phone) swipe(selector string, byX, byY float64) {
	p.t.Helper()
	const steps = 6
	x, y := p.at(selector)
	p.down(x-byX/2, y-byY/2)
	for i := 1; i <= steps; i++ {
		done := float64(i)/steps - 0.5
		p.move(x+byX*done, y+byY*done)
	}
	p.up(x+byX/2, y+byY/2)
}

// TestSwipeThroughFrames: in the dialog of a frame a finger drawn to the left brings the next one, and to the right the
// one before; not a short one, one along the page, nor one past the last frame. Nothing moves under the thumb.
func TestSwipeThroughFrames(t *testing.T) {
	t.Parallel()
	throws := shot.DefaultSet()
	throws.Kind = shot.Throw
	_, p, files := cameraEveningOf(t, startBrowser(t), throws)
	p.openCamera()
	p.choose(".camera input[type=file]", files[:3]...)
	p.until("all are there", `document.querySelectorAll(".camera-frame img").length === 3`)
	p.dialogTo(2)
	const picture = ".camera-picture"
	shows := func(name string) string {
		return fmt.Sprintf(`document.querySelector(".camera-title b").textContent === %q`, name)
	}
	foot := `JSON.stringify(document.querySelector(".camera-foot").getBoundingClientRect())`
	before := eval[string](p, foot)
	p.until("the second is shown", shows("PICT0472"))
	p.swipe(picture, -160, 10)
	p.until("to the left: the next one", shows("PICT0473"))
	assert.Equal(t, "true", eval[string](p, `document.querySelector('[aria-label="Next frame"]').ariaDisabled`))
	// What does nothing is followed by what does something, so that it had the time to.
	p.swipe(picture, -160, 10)
	p.swipe(picture, 160, -10)
	p.until("to the right: the one before, as there was none after the last", shows("PICT0472"))
	p.swipe(picture, -24, 0)
	p.swipe(picture, -20, 160)
	p.swipe(picture, 160, 0)
	p.until("the one before that: neither a short one nor one downwards did anything", shows("PICT0471"))
	assert.Equal(t, before, eval[string](p, foot), "nothing moves")
	p.clean()
}

// TestRulerByTwoTaps: the scale is set by two taps on a ruler and its length, and the liquid's place by one, by thumb
// and by keys; both can be taken back.
func TestRulerByTwoTaps(t *testing.T) {
	t.Parallel()
	throws := shot.DefaultSet()
	throws.Kind = shot.Throw
	c, p, files := cameraEveningOf(t, startBrowser(t), throws)
	p.openCamera()
	p.choose(".camera input[type=file]", files[0], files[1])
	p.until("they are there", `document.querySelectorAll(".camera-frame img").length === 2`)
	for _, size := range sizes {
		p.resize(size[0], size[1])
		p.dialogTo(1)
		picture := func() []float64 {
			p.settle(".camera-picture")
			return eval[[]float64](p, `(r => [r.x, r.y, r.width, r.height])(
				document.querySelector(".camera-picture").getBoundingClientRect())`)
		}
		r := picture()
		assert.Equal(t, 1, eval[int](p, `(r => (r.selectNodeContents(document.querySelector(".camera-dialog .enlarge")),
			r.getClientRects().length))(document.createRange())`), "the word is whole at %v", size)
		p.tap(".camera-reference > summary")
		p.picture(fmt.Sprintf("measure-with-frame-%d", size[0]))
		p.tap(".camera-reference .ruler")
		p.until("it can be marked", `document.querySelectorAll(".camera-picture .point:not([hidden])").length === 2`)
		assert.Equal(t, r, picture(), "the picture stays at %v", size)
		place := func(x, y float64) {
			p.down(r[0]+x*r[2], r[1]+y*r[3])
			p.up(r[0]+x*r[2], r[1]+y*r[3])
			assert.Equal(t, r, picture(), "the picture stays under the finger at %v", size)
		}
		place(0.25, 0.5)
		place(0.75, 0.5)
		at := eval[[]float64](p, `[...document.querySelectorAll(".point:not([hidden])")].map(
			(n) => parseFloat(n.style.left))`)
		assert.InDeltaSlice(t, []float64{25, 75}, at, 1)
		places := `[...document.querySelectorAll(".point:not([hidden])")].flatMap(
			(n) => [parseFloat(n.style.left), parseFloat(n.style.top)])`
		p.down(r[0]+0.5*r[2], r[1]+0.9*r[3])
		for _, by := range []float64{3, 8, 14, 5} {
			p.move(r[0]+0.5*r[2]+by, r[1]+0.9*r[3])
		}
		p.up(r[0]+0.5*r[2]+5, r[1]+0.9*r[3])
		assert.InDeltaSlice(t, []float64{25, 50, 75 + 2/r[2]*100, 50}, eval[[]float64](p, places), 0.8,
			"a finger that slides and comes back moves the mark by what is left of that, and throws it nowhere")
		place(0.25, 0.5)
		place(0.2, 0.7)
		assert.InDeltaSlice(t, []float64{20, 70}, eval[[]float64](p, places)[:2], 1, "the one that was chosen is moved")
		place(0.25, 0.5)
		p.tap(".camera-marking .primary")
		p.until("what is not typed is asked for",
			`/Type a length like 10\scm\./.test(document.querySelector(".camera-dialog").textContent)`)
		p.js(`(i => { i.value = "10 cm"; })(document.querySelector(".camera-marking input"))`)
		p.fit(fmt.Sprintf("the ruler at %v", size))
		p.picture(fmt.Sprintf("ruler-%d", size[0]))
		p.tap(".camera-marking .primary")
		p.until("it is taken", `document.querySelector(".camera-reference .hint").textContent.startsWith("A frame shows ") &&
			/^The ruler in it: 10\scm$/.test(document.querySelector(".camera-reference .ruler").textContent)`)
		p.tap(".camera-reference .ruler")
		p.tap(".camera-marking button:nth-of-type(2)")
		p.until("it is taken "+
			"back", `document.querySelector(".camera-reference .ruler").textContent === "There is a ruler in it"`)
		p.js(`document.querySelector(".camera-dialog").close()`)
		p.js(`document.querySelector(".camera-reference").open = false`)
	}
	p.dialogTo(1)
	p.tap(".camera-reference > summary")
	p.tap(".camera-reference .spot")
	p.until("the mark has the focus", `document.activeElement.matches(".point:not([hidden])")`)
	press := `document.activeElement.dispatchEvent(
		new KeyboardEvent("keydown", { key: %q, shiftKey: true, bubbles: true }))`
	for range 3 {
		p.js(fmt.Sprintf(press, "ArrowLeft"))
	}
	assert.Regexp(t, `^Where the liquid should be: \d\d\.\d % from the left, 50.0 % from the top$`,
		eval[string](p, `document.activeElement.getAttribute("aria-label")`))
	p.tap(".camera-marking .primary")
	p.until("it is taken", `document.querySelector(".camera-reference .hint").textContent.includes("where you tapped")`)
	view, err := c.camera.Frames(t.Context(), c.session)
	require.NoError(t, err)
	assert.Less(t, view.Spot.X, 0.5)
	p.tap(".camera-reference .spot")
	p.tap(".camera-marking button:nth-of-type(2)")
	p.until("it is in the middle again", `
		document.querySelector(".camera-reference .hint").textContent.includes("in the middle")`)
	p.clean()
}

// TestFrameWithoutTheMachine: while nothing can be changed a frame's dialog says why, and nothing in it would change
// something; a picture that does not come is a sentence in its place, and comes when the machine is back.
func TestFrameWithoutTheMachine(t *testing.T) {
	t.Parallel()
	c, p, files := cameraEvening(t, startBrowser(t))
	p.openCamera()
	p.choose(".camera input[type=file]", files...)
	p.until("all are matched", `document.querySelector(".camera-counts").textContent.startsWith("8 shots: 7 certain")`)
	p.js(`WebSocket.prototype.send = (real => function (m) { window.line = this; real.call(this, m); })(
		WebSocket.prototype.send)`)
	p.dialogTo(1)
	p.until("its picture is there", `document.querySelector(".camera-picture img").naturalWidth > 0`)
	said := `document.querySelector(".camera-dialog > .hint")`
	gone := `![...document.querySelectorAll(".camera-dialog [data-sends]")].some((n) => n.checkVisibility({
		visibilityProperty: true }))`
	assert.False(t, eval[bool](p, said+`.checkVisibility()`), "there is nothing to say")
	p.tap(".camera-reference > summary")
	p.tap(".camera-reference .black")
	p.until("it is taken", `document.querySelector(".camera-reference .black").ariaChecked === "true" && window.line`)
	p.js(`window.Machine = WebSocket; window.WebSocket = class extends EventTarget { close() {} send() {} }; line.close()`)
	p.until("it says that the machine is away", said+`.checkVisibility() && `+said+`.textContent.startsWith(
		"The machine does not answer.") && `+gone)
	place := `document.querySelector(".camera-picture .camera-none")`
	p.js(`document.querySelector(".camera-picture img").dispatchEvent(new Event("error"))`)
	p.until("there is a sentence in the picture's place", place+`.checkVisibility() &&
		`+place+`.textContent.startsWith("The picture could not be loaded.") &&
		!document.querySelector(".camera-picture img").checkVisibility()`)
	p.fit("a frame without the machine")
	p.picture("frame-without-machine")
	p.js(`window.WebSocket = Machine`)
	p.until("the machine is back, and with it the picture", `!`+said+`.checkVisibility() &&
		document.querySelector(".camera-picture img").naturalWidth > 0 && !`+place+`.checkVisibility()`)
	c.be(func(s *control.Snapshot) { s.Holder = "another phone" })
	p.until("so is that another phone has the controls", said+`.checkVisibility() && `+said+`.textContent.startsWith(
		"This phone does not hold the controls") && `+gone)
	p.js(`document.querySelector(".camera-dialog").close()`)
	p.until("in the list, too, until more is known", `(() => {
		document.querySelector(".camera-frame img")?.dispatchEvent(new Event("error"));
		return document.querySelector(".camera-frame .camera-none")?.textContent === "The picture could not be loaded.";
	})()`)
	p.picture("frame-of-others")
	p.clean()
}

// TestReferenceIsPending: what is said of an empty frame and a ruler stands at once where it was said, as taken and not
// measured yet; what was measured before cannot be recorded meanwhile, and neither is lost. The frame then says what it
// is, and what is known to be of no shot is not unmatched.
func TestReferenceIsPending(t *testing.T) {
	t.Parallel()
	throws := shot.DefaultSet()
	throws.Kind = shot.Throw
	c, p, files := cameraEveningOf(t, startBrowser(t), throws)
	p.openCamera()
	extra := filepath.Join(t.TempDir(), "PICT0470.JPG")
	test := framestest.WithExif(framestest.Plain(600, 400), "2026:11:24 17:26:00", "")
	require.NoError(t, os.WriteFile(extra, test, 0o666))
	p.choose(".camera input[type=file]", append([]string{extra}, files...)...)
	sure := func(words string) string {
		return fmt.Sprintf(`(n => n?.textContent === %q && n.dataset.sure === "certain")(
			document.querySelector(".camera-list .camera-sure"))`, words)
	}
	p.until("all are matched, and one is no shot", `document.querySelectorAll(".camera-frame").length === 8 && `+
		sure("no shot"))
	p.until("all have their pictures", `document.querySelectorAll(".camera-frame img").length === 8`)
	assert.Contains(t, p.plain(".camera-measure > p"), "Open a frame without liquid, unfold")
	p.dialogTo(1)
	p.tap(".camera-reference > summary")
	assert.Regexp(t, `^A frame shows [\d.]+\s[cm]*m of the scene, as the set assumes until a ruler is set\.`,
		p.plain(".camera-reference .hint"))
	place := `(top => top(".ruler") - top("[role=switch]"))(
		(s) => document.querySelector(".camera-reference " + s).getBoundingClientRect().top)`
	before := eval[float64](p, place)
	c.held.Store(true)
	p.tap(".camera-reference [role=switch]")
	p.until("it says that it is taken", `(n => n.ariaChecked === "true" &&
		n.textContent === "Empty frame: saved")(document.querySelector(".camera-reference [role=switch]"))`)
	p.until("it says what it waits for", `document.querySelector(".camera-reference .hint").textContent ===
		"Saved, measured when nothing is armed."`)
	assert.Equal(t, before, eval[float64](p, place), "nothing moves")
	p.picture("reference-pending")
	p.tap(".camera-reference .ruler")
	p.until("it can be marked", `document.querySelectorAll(".camera-picture .point:not([hidden])").length === 2`)
	p.js(fmt.Sprintf(keyIn, "ArrowLeft"))
	spoken := `[...document.querySelectorAll(".camera-picture .spoken")].map((n) => n.textContent).join("")`
	p.until("the place is spoken", spoken+`.startsWith("Place 1 on the ruler: ")`)
	p.js(`(i => { i.value = "10 cm"; })(document.querySelector(".camera-marking input"))`)
	p.tap(".camera-marking .primary")
	p.until("the ruler is taken", `/^The ruler in it: 10\scm, saved$/.test(
		document.querySelector(".camera-reference .ruler").textContent)`)
	assert.Empty(t, eval[string](p, spoken), "of a place that is not marked any more")
	p.fit("a reference that is taken")
	p.js(`document.querySelector(".camera-dialog").close()`)
	assert.Contains(t, p.plain(".camera-measure > p"), "Saved, measured when nothing is armed.")
	assert.Equal(t, "Record: when all is measured", eval[string](p,
		`document.querySelector(".camera-measure .primary[aria-disabled]")?.textContent ?? ""`))
	assert.Empty(t, p.value(".camera-measure input"), "the width is not known yet")
	c.held.Store(false)
	p.until("it is measured", `document.querySelector(".camera-measure > p").textContent.includes(
		"The width is from the ruler in PICT0470") && !document.querySelector(".camera-measure .primary").ariaDisabled`)
	view, err := c.camera.Frames(t.Context(), c.session)
	require.NoError(t, err)
	assert.Equal(t, []string{"PICT0470", "PICT0470"}, []string{view.Empty, view.Ruler.Name})
	p.until("the frame says what it is", sure("empty frame, ruler"))
	p.clean()
}

// TestRecordingIsSaidAtOnce: a tap on Record says at once that it is being recorded, until the frames were looked at.
func TestRecordingIsSaidAtOnce(t *testing.T) {
	t.Parallel()
	throws := shot.DefaultSet()
	throws.Kind = shot.Throw
	c, p, files := cameraEveningOf(t, startBrowser(t), throws)
	p.js(`(real => { window.fetch = async (path, options) => {
		const answer = await real(path, options);
		if (!/^\/camera\/\d+$/.test(path)) return answer;
		const view = { ...await answer.json(), empty: "PICT0471", lesson: { measured: 7, waiting: 7,
			words: "Good 2 of 2 at a trim of 0 ms." } };
		if (window.contradicted) Object.assign(view, { lesson: null, on_record: 13 });
		return new Response(JSON.stringify({ ...view, busy: window.busy ?? view.busy }));
	}; })(window.fetch)`)
	p.openCamera()
	p.choose(".camera input[type=file]", files[0])
	says := func(words string) string {
		return fmt.Sprintf(`document.querySelector(".camera-measure .primary").textContent === %q`, words)
	}
	p.until("they can be recorded", `document.querySelector(".camera-frame img") && `+says("Record 7 measurements"))
	assert.Contains(t, p.plain(".camera-measure > p"), "By what the frames suggest: Good 2 of 2")
	p.js(`window.busy = "looking at the frames"`)
	p.tap(".camera-measure .primary")
	p.until("it is being recorded", says("Recording 7 measurements …")+
		` && document.activeElement.matches(".camera-measure .primary[aria-disabled]")`)
	assert.Equal(t, c.session, c.await(t, "accept").Session)
	p.js(`window.busy = ""`)
	p.until("that is over", says("Record 7 measurements"))
	p.js(`window.contradicted = true`)
	c.be(func(s *control.Snapshot) { s.Camera.Version++ })
	p.until("what is on record can be taken back, though the frames say nothing now",
		`document.querySelector(".camera-measure .withdraw").checkVisibility({ visibilityProperty: true }) &&
		document.querySelector(".camera-measure .withdraw").textContent === "Take back the 13 on record"`)
	assert.Contains(t, p.plain(".camera-measure > p"), "On record from frames: 13.")
	p.clean()
}

// Of many files with a problem the first is in sight, and the others are one line, so that the frames and what they say
// of the delay are not pushed away; a frame that is damaged is counted as one that cannot be seen.
func TestManyProblemsTakeOneLine(t *testing.T) {
	t.Parallel()
	_, p, files := cameraEvening(t, startBrowser(t))
	for i, name := range files[:4] {
		whole, err := os.ReadFile(name)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(name, whole[:len(whole)-len(whole)/(i+3)], 0o666))
	}
	p.openCamera()
	p.choose(".camera input[type=file]", files...)
	p.until("they are looked at", `document.querySelector(".camera-counts").textContent ===
		"8 shots: 7 certain, 0 likely, 1 unmatched. 4 of these frames cannot be seen."`)
	p.until("one problem is in sight, and how many there are", `(() => {
		const shown = [...document.querySelectorAll(".camera .advice li")].filter((n) => n.checkVisibility());
		return shown.length === 1 && [...document.querySelectorAll(".camera summary")].some((n) => n.checkVisibility() &&
			n.textContent.includes("3 more files with a problem"));
	})()`)
	p.until("what the frames say of the delay comes before the frames", `document.querySelector(".camera-measure")
		.compareDocumentPosition(document.querySelector(".camera-list")) & Node.DOCUMENT_POSITION_FOLLOWING`)
	p.picture("many-problems")
	p.js(`[...document.querySelectorAll(".camera summary")].find((n) => n.textContent.includes("more files")).click()`)
	p.until("all are in sight", `[...document.querySelectorAll(".camera .advice li")].filter((n) => n.checkVisibility())
		.length === 4`)
	p.fit("many problems")
	p.clean()
}

// TestFrameOfAShot: in Look back a shot's picture is opened by the keys and enlarged, with a larger one that the
// machine makes; its file number is known from it.
func TestFrameOfAShot(t *testing.T) {
	t.Parallel()
	c, p, files := cameraEvening(t, startBrowser(t))
	p.openCamera()
	p.choose(".camera input[type=file]", files...)
	p.until("all are matched", `document.querySelector(".camera-counts").textContent.startsWith("8 shots: 7 certain")`)
	p.js(`document.querySelector(".past-shots").scrollIntoView()`)
	p.until("the shots are there", `document.querySelector('.past-shot[data-number="2"] .row-open')`)
	p.tap(`.past-shot[data-number="2"] .row-open`)
	p.until("its frame is there", `document.querySelector(".past-frame img").naturalWidth > 0`)
	assert.Equal(t, "0472", eval[string](p, `document.querySelector(".past-file input").placeholder`))
	assert.Contains(t, p.plain(".past-file + .hint"), "Its frame is PICT0472")
	p.js(`document.querySelector(".past-frame").focus(); document.activeElement.click()`)
	p.until("it is open", `document.querySelector(".camera-dialog").open &&
		document.querySelector(".camera-title b").textContent === "PICT0472"`)
	p.js(`document.querySelector(".camera-dialog .enlarge").click()`)
	p.until("it is enlarged, has the keys, and is the larger one", `document.activeElement.matches(".camera-large") &&
		document.querySelector(".camera-large").scrollWidth > 2 * document.querySelector(".camera-large").clientWidth &&
		document.querySelector(".camera-picture img").currentSrc.includes("/large?")`)
	p.js(fmt.Sprintf(keyIn, "ArrowRight"))
	assert.Equal(t, "PICT0472", p.plain(".camera-title b"), "the keys move the picture")
	p.picture("frame-enlarged")
	c.be(func(s *control.Snapshot) { s.State = control.Armed })
	p.until("arming closes it", `!document.querySelector(".camera-dialog").open`)
	p.clean()
}

// TestCameraProblem: what is wrong with the connected camera stands in the header in short, and in Look back.
func TestCameraProblem(t *testing.T) {
	t.Parallel()
	c, p, files := cameraEvening(t, startBrowser(t))
	c.be(func(s *control.Snapshot) {
		s.Camera.Problem = "The connected camera cannot be read: it does not answer."
	})
	p.until("it is said", `
		document.querySelector("#state-notice").textContent.includes("Camera files are missing: see Look back.")`)
	p.place("lookback")
	p.until("and why, with what to do, before any evening is opened", `
		document.querySelector(".place-notice")?.textContent.includes("it does not answer")`)
	p.picture("camera-problem-list")
	p.openCamera()
	p.until("and why", `document.querySelector(".camera .advice").textContent.includes("it does not answer")`)
	p.picture("camera-problem")
	c.be(func(s *control.Snapshot) { s.Camera.Problem = "" })
	p.until("it is over", `document.querySelector("#state-notice").hidden &&
		document.querySelector(".camera .advice").hidden`)

	p.js(`window.saidWhile = []; new MutationObserver(() => saidWhile.push(
			document.querySelector(".camera-counts").textContent))
		.observe(document.querySelector(".camera-send"), { subtree: true, childList: true, characterData: true })`)
	p.choose(".camera input[type=file]", files...)
	p.until("all are matched", `document.querySelector(".camera-counts").textContent.startsWith("8 shots: 7 certain")`)
	assert.Contains(t, eval[[]string](p, `saidWhile`),
		"The first frames are on their way; they are matched when they are there.")
	p.clean()
}

// TestCameraWithoutItsProgram: a configured camera whose program is not installed stops nothing; the page says so from
// the first minute on, with what to do.
func TestCameraWithoutItsProgram(t *testing.T) {
	b := startBrowser(t)
	t.Setenv("PATH", t.TempDir())
	config := filepath.Join(t.TempDir(), "stillwater.toml")
	text := fmt.Sprintf("[board]\nkind = \"simulated\"\n[camera]\nport = \"auto\"\nfolder = %q\n", t.TempDir())
	require.NoError(t, os.WriteFile(config, []byte(text), 0o600))
	d := startDaemon(t, "--listen", "127.0.0.1:0", "--config", config, "--journal", filepath.Join(t.TempDir(), "j.db"))
	p := b.phone(t, d.url+"/#code="+d.code, 360, 640, true)
	p.until("it is said", `
		document.querySelector("#state-notice").textContent.includes("Camera files are missing: see Look back.")`)
	p.fit("no camera program")
	p.picture("camera-program-1")
	p.place("lookback")
	p.until("what to do is said", `document.querySelector(".place-notice")?.checkVisibility() &&
		document.querySelector(".place-notice").textContent.includes("sudo apt install gphoto2")`)
	p.fit("no camera program, in Look back")
	p.picture("camera-program-2")
	p.clean()
}
