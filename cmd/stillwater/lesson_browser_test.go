package main

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image"
	"image/jpeg"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/control"
	"stillwater/internal/frames/framestest"
	"stillwater/internal/optics"
	"stillwater/internal/picture"
	"stillwater/internal/practice"
	"stillwater/internal/proctest"
	"stillwater/internal/scene"
	"stillwater/internal/tuning"
)

// held is a picture as a camera held upright writes it, which EXIF says.
func held(t *testing.T, img image.Image, taken time.Time) []byte {
	t.Helper()
	b := img.Bounds()
	turned := image.NewRGBA(image.Rect(0, 0, b.Dy(), b.Dx()))
	for y := range b.Dy() {
		for x := range b.Dx() {
			turned.Set(y, b.Dx()-1-x, img.At(x, y))
		}
	}
	var out bytes.Buffer
	require.NoError(t, jpeg.Encode(&out, turned, &jpeg.Options{Quality: 95}))
	return framestest.WithExif(out.Bytes(), taken.Format("2006:01:02 15:04:05"), "")
}

// practicePicture is the picture that the daemon made of a practice shot, the coarse one.
func (r *daemonRun) practicePicture(cookie *http.Cookie, s control.ShotView) (img image.Image) {
	r.t.Helper()
	proctest.Eventually(r.t, fmt.Sprint("the picture of shot ", s.Number), func() bool {
		request, err := http.NewRequest("GET", r.url+"/frames/"+s.Frame+"?preview", nil)
		require.NoError(r.t, err)
		request.AddCookie(cookie)
		answer, err := http.DefaultClient.Do(request)
		require.NoError(r.t, err)
		defer answer.Body.Close()
		body, err := io.ReadAll(answer.Body)
		require.NoError(r.t, err)
		if answer.StatusCode != http.StatusOK { // a busy machine is making it
			return false
		}
		img, err = jpeg.Decode(bytes.NewReader(body))
		require.NoError(r.t, err)
		return true
	})
	return img
}

// pastOf is how far past the focus spot a text says that the liquid is, mm, and how well that is known.
func pastOf(text string) (past, sd float64, ok bool) {
	found := regexp.MustCompile(`([\d.]+) mm (past|short of|before)`).FindStringSubmatch(text)
	if found == nil {
		return 0, 0, false
	}
	past, _ = strconv.ParseFloat(found[1], 64)
	if found[2] != "past" {
		past = -past
	}
	if by := regexp.MustCompile(`±([\d.]+) mm`).FindStringSubmatch(text); by != nil {
		sd, _ = strconv.ParseFloat(by[1], 64)
	}
	return past, sd, true
}

// TestLessonOfAnEvening: shots are made too late in the simulated room; the pictures of them come from the phone as a
// camera's files, whose clock is three hours behind; one tap says which shot one of them is. The liquid is found
// against the empty frame, the scale is from a ruler, and what was measured is put on record by a tap: Shoot then
// suggests the trim that Look back said, towards the truth. Taken back, it is as before.
func TestLessonOfAnEvening(t *testing.T) {
	t.Parallel()
	const shots, lateMs = 5, 20
	b := startBrowser(t)
	d := startDaemon(t, "--listen", "127.0.0.1:0", "--seed", "11", "--room", "still", "--journal",
		filepath.Join(t.TempDir(), "j.db"))
	p := b.phone(t, d.url+"/#code="+d.code, 390, 844, true)
	p.state("safe", "Safe")
	p.until("this phone holds the controls", holding)
	tickCare(p)
	p.tap(`[data-kind="throw"]`)
	p.until("the throw's fields are shown", `document.querySelector("#setup #f-throw-gate")`)
	for n := range lateMs / 10 {
		p.tap(`[data-nudge="10"]`)
		p.until("it is later", fmt.Sprintf(`document.querySelector("#trim input").value === "%d"`, 10*(n+1)))
	}
	for range shots - 1 {
		p.tap("#count-more")
	}
	p.arm()
	for n := range shots {
		p.clap(shotCame(n + 1))
	}
	p.state("safe", "Safe")
	cookie := d.cookie()
	look := func(what string, is func(*control.Snapshot) bool) *control.Snapshot {
		return d.enter(cookie).until(what, is)
	}
	all := look("all are on record", func(s *control.Snapshot) bool {
		return len(s.Shots) == shots && s.Record.Waiting == 0
	})
	made, set, before := all.Shots, all.Set, all.Tuning

	dir := t.TempDir()
	behind := func(at time.Time) time.Time { return at.UTC().Add(-3 * time.Hour) }
	write := func(name string, content []byte) string {
		path := filepath.Join(dir, name)
		require.NoError(t, os.WriteFile(path, content, 0o666))
		return path
	}
	empty, err := picture.Render(t.Context(), scene.Water{Liquid: "water"}, practice.Light(set, true),
		picture.Options{Width: 480, Height: 320, Seed: 1, Quality: picture.Preview})
	require.NoError(t, err)
	files := []string{write("PICT0100.JPG", held(t, empty, behind(made[shots-1].At).Add(-4*time.Minute)))}
	truth := map[string]control.ShotView{}
	for i := range made {
		s := made[shots-1-i]
		name := fmt.Sprintf("PICT%04d", 101+i)
		files = append(files, write(name+".JPG", held(t, d.practicePicture(cookie, s), behind(s.At))))
		truth[name] = s
		t.Logf("%s is shot %d: %s", name, s.Number, s.Seen)
	}

	p.openCamera()
	there := func(words string, count int) {
		p.until("they are there", fmt.Sprintf(`document.querySelector(".camera-progress").textContent === %q &&
			document.querySelectorAll(".camera-frame img").length === %d`, words, count))
	}
	p.choose(".camera input[type=file]", files[0], files[2])
	there("2 of 2 files are there.", 2)
	assert.NotContains(t, eval[string](p, suresOf), "certain", "a time alone says little")
	p.dialogTo(2)
	p.sayShot(truth["PICT0102"].Number)
	p.until("it is settled", `document.querySelector(".camera-title").textContent.includes("as you said")`)
	p.js(`document.querySelector(".camera-dialog").close()`)
	p.choose(".camera input[type=file]", files...)
	there(fmt.Sprintf("%d of %d files are there, 2 were there already.", len(files), len(files)), len(files))
	want := []string{}
	for i := range shots {
		how := "certain"
		if i == 1 {
			how = "as you said"
		}
		want = append(want, fmt.Sprintf("Shot %d, %s", truth[fmt.Sprintf("PICT%04d", 101+i)].Number, how))
	}
	p.until("the others are settled with it", fmt.Sprintf(`%s.endsWith(%q)`, suresOf, strings.Join(want, "; ")))
	screens := func(name string) {
		for _, size := range sizes {
			p.resize(size[0], size[1])
			p.fit(fmt.Sprintf("%s at %v", name, size))
			p.picture(fmt.Sprintf("lesson-%s-%d", name, size[0]))
		}
		p.resize(390, 844)
	}
	screens("matched")

	p.dialogTo(1)
	p.tap(".camera-reference > summary")
	p.tap(".camera-reference [role=switch]")
	p.until("it is the empty frame", `
		document.querySelector(".camera-reference [role=switch]").getAttribute("aria-checked") === "true"`)
	mark := func(x, y float64) {
		p.settle(".camera-picture")
		r := eval[[]float64](p, `(r => [r.x, r.y, r.width, r.height])(
			document.querySelector(".camera-picture").getBoundingClientRect())`)
		p.down(r[0]+x*r[2], r[1]+y*r[3])
		p.up(r[0]+x*r[2], r[1]+y*r[3])
	}
	p.tap(".camera-reference .ruler")
	p.until("it can be marked", `document.querySelectorAll(".camera-picture .point:not([hidden])").length === 2`)
	mark(0.2, 0.7)
	mark(0.8, 0.7)
	wide := practice.FieldWidth(set)
	p.js(fmt.Sprintf(`(i => { i.value = "%.0f mm"; })(document.querySelector(".camera-marking input"))`,
		0.6*float64(wide)*1e3))
	screens("ruler")
	p.tap(".camera-marking .primary")
	p.until("the ruler is taken", `
		document.querySelector(".camera-reference .ruler").textContent.startsWith("The ruler in")`)
	p.tap(".camera-reference .spot")
	p.until("the place can be marked", `document.querySelectorAll(".camera-picture .point:not([hidden])").length === 1`)
	mark(0.5, 0.5)
	p.tap(".camera-marking .primary")
	p.until("the place is taken", `
		document.querySelector(".camera-reference .hint").textContent.includes("where you tapped")`)
	p.js(`document.querySelector(".camera-dialog").close()`)

	p.until("the frames say something", `
		document.querySelector(".camera-measure > p").textContent.includes("Try a trim of")`)
	said := p.plain(".camera-measure > p")
	t.Log(said)
	p.js(`document.querySelector(".camera-measure").scrollIntoView()`)
	screens("measured")
	all = look("they wait for the person", func(s *control.Snapshot) bool { return s.Camera.Measured > 0 })
	assert.Equal(t, before, all.Tuning, "nothing counts that nobody took over")
	right := 0
	for _, s := range all.Shots {
		if s.CameraFrame == nil {
			continue
		}
		is, _, knows := pastOf(s.Seen)
		found, sd, measured := pastOf(strings.Join(s.CameraFrame.Says, "; "))
		t.Logf("shot %d, %s: truly %.0f mm, measured %.1f ± %.1f mm; %q", s.Number, s.CameraFrame.Name, is, found, sd,
			s.CameraFrame.Says)
		if knows && measured {
			assert.InDelta(t, is, found, 2*sd, "shot %d", s.Number)
			right++
		}
	}
	require.GreaterOrEqual(t, right, shots-1, "frames that say where the liquid is")

	p.until("all is measured", `!document.querySelector(".camera-measure .primary").ariaDisabled`)
	p.tap(".camera-measure .primary")
	p.until("they are on record", `document.querySelector(".camera-measure > p").textContent.includes("on record.") &&
		document.querySelector(".camera-measure .withdraw").checkVisibility({ visibilityProperty: true })`)
	allCount := func(s *control.Snapshot) bool { // they are put on record one by one
		return s.Tuning != nil && slices.ContainsFunc(s.Tuning.Facts, func(f tuning.Fact) bool {
			return strings.Contains(f.Text, fmt.Sprintf("of %d measured", shots))
		})
	}
	learned := look("it is learned from", allCount).Tuning
	t.Logf("at Shoot: %s (%.1f ms)", learned.Words, learned.TrimMs)
	trim := regexp.MustCompile(`Try a trim of ([−+]?[\d.]+) ms`).FindStringSubmatch(said)
	require.NotNil(t, trim, said)
	lookedBack, err := strconv.ParseFloat(strings.ReplaceAll(trim[1], "−", "-"), 64)
	require.NoError(t, err)
	assert.InDelta(t, lookedBack, learned.TrimMs, 0.051, "Look back and Shoot say the same, to the digit shown")
	assert.Less(t, learned.TrimMs, float64(lateMs)/2, "it leads back from the trim that was too late")
	p.place("shoot")
	p.until("the page suggests it", `document.querySelector(".suggested").checkVisibility()`)
	screens("suggested")
	assert.Contains(t, p.plain(".suggested"), "Set to "+trim[1]+" ms")

	p.place("lookback")
	p.tap(".camera-measure .withdraw")
	p.until("they are taken back", `document.querySelector(".camera-measure .primary").textContent.startsWith("Record ") &&
		document.querySelector(".camera-measure .withdraw").style.visibility === "hidden"`)
	after := look("nothing is learned from them", func(s *control.Snapshot) bool {
		return s.Tuning != nil && s.Tuning.TrimMs == before.TrimMs
	})
	assert.Equal(t, before, after.Tuning)

	p.place("shoot")
	p.tap("#learned > summary")
	p.tap("#learned .accept")
	again := look("at Shoot they are put on record, too", allCount)
	assert.Equal(t, learned, again.Tuning)
	p.until("and nothing more is offered", `document.querySelector("#learned .accept").hidden`)
	p.clean()
}

// dimFrame is a frame with the flash off that was exposed as a camera is set, for half a second.
func dimFrame(t *testing.T, c optics.Camera) []byte {
	t.Helper()
	img := image.NewGray(image.Rect(0, 0, 480, 320))
	for i := range img.Pix {
		img.Pix[i] = 26
	}
	var out bytes.Buffer
	require.NoError(t, jpeg.Encode(&out, img, &jpeg.Options{Quality: 95}))
	rational := func(tag uint16, number, divisor uint32) framestest.Field {
		value := binary.LittleEndian.AppendUint32(nil, number)
		return framestest.Field{Tag: tag, Kind: 5, Count: 1, Data: binary.LittleEndian.AppendUint32(value, divisor)}
	}
	const exposureTime, fNumber, iso = 0x829a, 0x829d, 0x8827
	speed := framestest.Field{Tag: iso, Kind: 3, Count: 1, Data: binary.LittleEndian.AppendUint16(nil, uint16(c.Speed))}
	return framestest.WithExif(out.Bytes(), "2026:11:30 20:00:00", "", rational(exposureTime, 1, 2),
		rational(fNumber, uint32(float64(c.Lens().WorkingFNumber())*100+0.5), 100), speed)
}

// TestBlackFrame: before any shot, a frame with the flash off is named as the black one on the page; how far the room
// is below the flash stands there, and where the light is set, and counts there by one press. With another aperture it
// does not any more, and why stands beside the frames.
func TestBlackFrame(t *testing.T) {
	t.Parallel()
	b := startBrowser(t)
	d := startDaemon(t, "--listen", "127.0.0.1:0", "--seed", "11", "--journal", filepath.Join(t.TempDir(), "j.db"))
	p := b.phone(t, d.url+"/#code="+d.code, 390, 844, true)
	p.state("safe", "Safe")
	p.until("this phone holds the controls", holding)
	cookie := d.cookie()
	camera := d.enter(cookie).until("the session is on record", func(s *control.Snapshot) bool {
		return s.Session.ID != 0
	}).Set.Camera
	file := filepath.Join(t.TempDir(), "PICT0090.JPG")
	require.NoError(t, os.WriteFile(file, dimFrame(t, camera), 0o666))
	p.openCamera()
	p.choose(".camera input[type=file]", file)
	p.until("it is there", `document.querySelector(".camera-frame img")?.naturalWidth > 0 &&
		!document.querySelector(".camera-counts").textContent.includes("…")`)
	p.dialogTo(1)
	p.tap(".camera-reference > summary")
	p.tap(".camera-reference .black")
	p.until("it says how dark the room is", `
		document.querySelector(".camera-reference .black").ariaChecked === "true" &&
		document.querySelector(".camera-reference .hint").textContent.startsWith(
			"Flash off, open for 0.5\u00a0s: 10.2\u00a0% bright at most. The room is ")`)
	said := p.plain(".camera-reference .hint")
	assert.Contains(t, said, "stops below the flash")
	assert.Equal(t, "black frame", p.plain(".camera-title .camera-sure"))
	for _, size := range sizes {
		p.resize(size[0], size[1])
		p.fit(fmt.Sprintf("the black frame at %v", size))
		p.picture(fmt.Sprintf("black-frame-%d", size[0]))
	}
	p.resize(390, 844)
	p.js(`document.querySelector(".camera-dialog").close()`)
	p.until("it stands with the frames", `document.querySelector(".camera-room").checkVisibility() &&
		document.querySelector(".camera-room p").textContent.startsWith("PICT0090. Flash off")`)
	p.js(`document.querySelector(".camera-room").scrollIntoView()`)
	p.picture("black-frame-lookback")
	p.tap(".camera-room .lead-to")
	p.until("it leads to the room's light", `document.querySelector("#f-room-by")?.checkVisibility() &&
		document.querySelector("#step-dark").open`)
	p.until("which says it", `document.querySelector("#step-dark .step-says").textContent.startsWith(
		"The black frame PICT0090, open for 0.5\u00a0s, is 10.2\u00a0% bright at most. ")`)
	p.js(`document.querySelector("#step-dark .step-says").scrollIntoView({ block: "center" })`)
	p.fit("the black frame's offer")
	assert.Contains(t, p.plain("#step-dark .fix"), "By a frame without flash", "a choice in its own words")
	p.picture("black-frame-offered")
	p.tap("#step-dark .fix")
	d.enter(cookie).until("it counts", func(s *control.Snapshot) bool {
		return s.Set.Room.FrameSeen.Known && s.Set.Room.FrameOpen.Known && s.Set.Room.By == optics.RoomFrame
	})
	p.until("it is not offered again", `document.querySelector("#step-dark").dataset.verdict !== "unknown" &&
		![...document.querySelectorAll("#step-dark .fix")].some((n) => n.dataset.field === "room.by")`)
	_, below, _ := strings.Cut(said, "The room is ")
	stops, _, _ := strings.Cut(below, " stops")
	assert.Contains(t, p.plain("#step-dark .step-says"), "The room is "+stops+" stops", "the same is said in both places")
	p.picture("black-frame-counts")

	p.enter("#f-camera-aperture", "f/4")
	p.until("it says nothing of another aperture", `
		!document.querySelector("#step-dark .step-says").textContent.includes("PICT0090")`)
	p.place("lookback")
	p.until("and why not is said", `document.querySelector(".camera .advice").textContent.includes(
		"The room cannot be judged by the black frame, PICT0090: it was taken at ")`)
	p.js(`document.querySelector(".camera .advice").scrollIntoView({ block: "center" })`)
	p.picture("black-frame-other-aperture")
	p.clean()
}
