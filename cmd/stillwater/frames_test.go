package main

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/control"
	"stillwater/internal/frames/framestest"
	"stillwater/internal/journal"
	"stillwater/internal/need"
	"stillwater/internal/page"
	"stillwater/internal/record"
)

// card is a camera's, two hours behind, with a frame of each of six shots that are added to a session, but of the
// fourth.
func card(t *testing.T) (state, dir string, j *journal.Journal) {
	t.Helper()
	state, j = evening(t)
	dir = t.TempDir()
	start := time.Date(2026, 11, 25, 20, 0, 0, 300e6, time.UTC)
	s, err := j.NewSession(t.Context(), record.Session{Name: "card", Started: start, Board: "gpio", Set: "{}",
		When: record.When{Boot: "b", SinceBoot: time.Second}})
	require.NoError(t, err)
	for i, after := range []time.Duration{0, 21, 47, 108, 139, 171} {
		at := start.Add(after * time.Second)
		_, err := j.Add(t.Context(), record.Shot{Session: s.ID, At: at, Status: record.StatusDone, Star: i == 1,
			When: record.When{Boot: "b", SinceBoot: time.Minute + after*time.Second}})
		require.NoError(t, err)
		if i == 3 {
			continue
		}
		content := framestest.WithExif(framestest.Plain(30, 20), at.Add(-2*time.Hour).Format("2006:01:02 15:04:05"), "")
		require.NoError(t, os.WriteFile(filepath.Join(dir, fmt.Sprintf("PICT%04d.JPG", 20+i)), content, 0o666))
	}
	return state, dir, j
}

// A second run only reads what is new; while the daemon has the journal, what is found is not kept, which is said.
func TestFramesAreReadOnce(t *testing.T) {
	state, dir, j := card(t)
	read := func() (read, looked int, problem string) {
		status, out, problem := runRecord(t, state, "frames", dir, "--look", "--json")
		require.Zero(t, status, problem)
		var entry struct {
			Read   int `json:"frames_read_now"`
			Looked int `json:"pictures_looked_at_now"`
		}
		require.NoError(t, json.Unmarshal([]byte(out), &entry))
		return entry.Read, entry.Looked, problem
	}
	for range 2 {
		now, looked, problem := read()
		assert.Equal(t, []int{5, 5}, []int{now, looked})
		assert.Contains(t, problem, "the journal is in use by stillwater")
	}
	require.NoError(t, j.Close())
	for _, want := range [][]int{{5, 5}, {0, 0}} {
		now, looked, problem := read()
		assert.Equal(t, want, []int{now, looked})
		assert.Empty(t, problem)
	}
	status, _, problem := runRecord(t, state, "frames", dir, "--xmp")
	require.Zero(t, status, problem)
	assert.Contains(t, problem, "Sidecar files: 5 written, 0 up to date")
	sidecar := filepath.Join(dir, "PICT0021.xmp")
	assert.FileExists(t, sidecar)

	require.NoError(t, os.WriteFile(sidecar, []byte("another's"), 0o600))
	status, out, problem := runRecord(t, state, "frames", dir, "--xmp", "--json")
	assert.Equal(t, 1, status)
	assert.Contains(t, problem, "left unchanged")
	assert.True(t, json.Valid([]byte(out)), "what was found is said all the same: %s", out)
}

// Frames that came from elsewhere count and stay when another folder is looked at, with their sidecars left alone,
// until only those in the folder are to count.
func TestFramesOfAnotherFolder(t *testing.T) {
	state, dir, j := card(t)
	require.NoError(t, j.Close())
	other := t.TempDir()
	require.NoError(t, os.Rename(filepath.Join(dir, "PICT0021.JPG"), filepath.Join(other, "PICT0021.JPG")))
	for _, c := range []struct {
		args    []string
		certain int
	}{{[]string{dir}, 4}, {[]string{other, "--xmp"}, 5}, {[]string{dir}, 5}, {[]string{other, "--only"}, 0}} {
		status, out, problem := runRecord(t, state, append([]string{"frames", "--look", "--json"}, c.args...)...)
		require.Zero(t, status, problem)
		var entry struct {
			Certain int
			Likely  int
			Shots   []struct{ Frame string }
		}
		require.NoError(t, json.Unmarshal([]byte(out), &entry))
		if c.certain > 0 {
			assert.Equal(t, c.certain, entry.Certain, "%q: %s", c.args, problem)
			assert.NotContains(t, problem, "PICT")
			continue
		}
		for _, s := range entry.Shots { // one frame alone may be any shot's
			assert.Contains(t, []string{"", "PICT0021"}, s.Frame)
		}
	}
	entries, err := os.ReadDir(other)
	require.NoError(t, err)
	assert.Len(t, entries, 2, "one frame and its own sidecar")
}

func TestFramesOfACard(t *testing.T) {
	state, dir, _ := card(t)
	before, err := os.ReadDir(dir)
	require.NoError(t, err)
	sheet, table := filepath.Join(t.TempDir(), "sheet.html"), filepath.Join(t.TempDir(), "table.csv")
	status, out, problem := runRecord(t, state, "frames", dir, "--sheet", sheet, "--csv", table, "--dry-run",
		"--match", "3="+filepath.Join(dir, "PICT0022.JPG"))
	require.Zero(t, status, problem)
	assert.Contains(t, out, "Of 6 shots 5 have a frame that is certain")
	assert.Contains(t, problem, "Would be written: "+sheet)
	assert.NoFileExists(t, sheet)

	status, out, problem = runRecord(t, state, "frames", dir, "--sheet", sheet, "--csv", table, "--pick", "keepers",
		"--json")
	require.Zero(t, status, problem)
	var entry struct {
		Certain int
		Shots   []struct{ Frame, Match string }
	}
	require.NoError(t, json.Unmarshal([]byte(out), &entry))
	assert.Equal(t, 5, entry.Certain)
	assert.Equal(t, "PICT0021", entry.Shots[1].Frame)
	assert.Equal(t, "open", entry.Shots[3].Match)
	text, err := os.ReadFile(sheet)
	require.NoError(t, err)
	assert.Contains(t, string(text), "Frames: 1 of 6 shots (keepers)")
	text, err = os.ReadFile(table)
	require.NoError(t, err)
	assert.Contains(t, string(text), "PICT0021.JPG")
	after, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Len(t, after, len(before), "nothing is written beside the originals")
}

// Whatever is written, no original changes, nor its date or its rights.
func TestFramesChangeNoOriginal(t *testing.T) {
	state, dir, j := card(t)
	require.NoError(t, j.Close())
	originals := func() (all []string) {
		names, err := filepath.Glob(filepath.Join(dir, "*.JPG"))
		require.NoError(t, err)
		for _, name := range names {
			content, err := os.ReadFile(name)
			require.NoError(t, err)
			info, err := os.Stat(name)
			require.NoError(t, err)
			all = append(all, fmt.Sprintf("%s %x %v %v", info.Name(), sha256.Sum256(content), info.ModTime(), info.Mode()))
		}
		return all
	}
	before := originals()
	require.Len(t, before, 5)
	elsewhere := t.TempDir()
	for _, more := range []string{"--xmp", "--sheet " + filepath.Join(elsewhere, "sheet.html"), "--csv " +
		filepath.Join(elsewhere, "table.csv"), "--match 1=PICT0020", "--empty PICT0025", "--xmp --match 1=none"} {
		status, _, problem := runRecord(t, state, append([]string{"frames", dir, "--look"}, strings.Fields(more)...)...)
		require.Zero(t, status, "%s: %s", more, problem)
		assert.Equal(t, before, originals(), more)
	}
	assert.FileExists(t, filepath.Join(dir, "PICT0021.xmp"))
}

func TestFramesSaysWhatIsWrong(t *testing.T) {
	state, dir, j := card(t)
	photo, other := filepath.Join(dir, "PICT0021.JPG"), filepath.Join(dir, "PICT0021.mov")
	require.NoError(t, os.WriteFile(other, []byte("a film"), 0o600))
	for _, c := range []struct {
		want string
		args []string
	}{
		{"name one folder", nil},
		{"name one folder", []string{dir, dir}},
		{"name the camera's card", []string{dir + "/none"}},
		{"like 12=PICT0471", []string{dir, "--match", "two"}},
		{"has no shot 9", []string{dir, "--match", "9=0021"}},
		{"no session 77", []string{dir, "--session", "77"}},
		{"may be a photograph", []string{dir, "--sheet", photo}},
		{"neither a table nor a contact sheet", []string{dir, "--csv", other}},
		{"name two files", []string{dir, "--sheet", "a", "--csv", "./a"}},
		{"give all, keepers or delays", []string{dir, "--pick", "best"}},
		{"--watch writes nothing", []string{dir, "--watch", "--xmp"}},
		{`--empty "0999": no frame in the folder is called that: name another frame`, []string{dir, "--empty", "0999"}},
		{"give two places in pixels", []string{dir, "--ruler", "1,2,3"}},
		{"like 3000,2000", []string{dir, "--spot", "middle"}},
		{"add --empty FILE, a frame without liquid, and the scale", []string{dir, "--look", "--accept"}},
		{"and the scale, --ruler or --width", []string{dir, "--empty", "0022", "--accept"}},
		{"--accept: the journal is in use by stillwater: record them on its page",
			[]string{dir, "--empty", "0022", "--width", "60cm", "--accept"}},
		{"more than 0 and at most 100 m", []string{dir, "--empty", "0022", "--width", "-5cm"}},
		{"both give the scale", []string{dir, "--empty", "0022", "--width", "5cm", "--ruler", "0,0,300,0,20cm"}},
		{"add --empty FILE, a frame without it", []string{dir, "--width", "5cm"}},
		{"has no shot 99", []string{dir, "--match", "99=none"}},
		{"name a file (./- is one)", []string{dir, "--sheet", "-"}},
		{"to fetch once", []string{dir, "--watch", "--camera", "auto"}},
		{"give auto for the connected camera", []string{dir, "--camera", "the first"}},
		{"leave --json out", []string{dir, "--watch", "--json"}},
		{"shot 2 has PICT0021 for its frame, and shot 3 has PICT0021: take one back, --match 3=none",
			[]string{dir, "--match", "2=0021", "--match", "3=0021"}},
	} {
		status, _, problem := runRecord(t, state, append([]string{"frames"}, c.args...)...)
		assert.NotZero(t, status)
		assert.Contains(t, problem, c.want)
	}
	require.NoError(t, j.Close())
	status, _, problem := runRecord(t, state, "frames", dir, "--empty", "0022", "--width", "60cm", "--accept")
	assert.NotZero(t, status)
	assert.Contains(t, problem, "nothing was measured, because no certain frame")
	content, err := os.ReadFile(photo)
	require.NoError(t, err)
	assert.Equal(t, byte(0xd8), content[1])
}

// What the connected camera has is copied into the folder once, and matched; while the daemon has the journal the
// camera is left alone.
func TestFramesFromTheCamera(t *testing.T) {
	need.Tool(t, "gphoto2")
	t.Setenv("HOME", t.TempDir()) // where it keeps settings
	state, onCard, j := card(t)
	folder := filepath.Join(t.TempDir(), "DCIM", "100TEST")
	require.NoError(t, os.CopyFS(folder, os.DirFS(onCard)))
	port, dir := "disk:"+filepath.Dir(filepath.Dir(folder)), t.TempDir()
	status, _, problem := runRecord(t, state, "frames", dir, "--camera", port)
	assert.Equal(t, 1, status)
	assert.Contains(t, problem, "stillwater runs and may be armed")
	require.NoError(t, j.Close())
	status, _, problem = runRecord(t, state, "frames", dir, "--camera", port, "--dry-run")
	assert.Zero(t, status, problem)
	assert.Contains(t, problem, "Would be fetched: /DCIM/100TEST/PICT0021.JPG")
	assert.NoDirExists(t, filepath.Join(dir, "100TEST"))
	for _, want := range []string{"5 fetched, 0 were there.", "0 fetched, 5 were there."} {
		status, out, problem := runRecord(t, state, "frames", dir, "--camera", port)
		assert.Zero(t, status, problem)
		assert.Contains(t, problem, want)
		assert.Contains(t, out, "Of 6 shots 5 have a frame that is certain")
	}
}

// What comes into the folder that the configuration names is taken in during the session, without a flag.
func TestFolderOfTheConfiguration(t *testing.T) {
	dir, folder := t.TempDir(), t.TempDir()
	config := filepath.Join(dir, "stillwater.toml")
	text := fmt.Sprintf("[board]\nkind = \"simulated\"\n[camera]\nfolder = %q\n", folder)
	require.NoError(t, os.WriteFile(config, []byte(text), 0o600))
	d := startDaemon(t, "--listen", "127.0.0.1:0", "--config", config, "--journal", filepath.Join(dir, "j.db"))
	h := d.pair()
	h.ready()
	h.oneShot()
	session := h.last.Session.ID
	photo := framestest.WithExif(framestest.Plain(300, 200), time.Now().Format("2006:01:02 15:04:05"), "")
	require.NoError(t, os.WriteFile(filepath.Join(folder, "PICT0471.JPG"), photo, 0o600))
	h.until("its picture was looked at", func(s *control.Snapshot) bool {
		return s.Camera.Busy == "" && len(framesOf(t, d, h.cookie, session).Frames) > 0
	})
	view := framesOf(t, d, h.cookie, session)
	assert.Equal(t, "PICT0471", view.Frames[0].Name)
	assert.Contains(t, view.Kept, "Files that arrive in the folder "+folder+" are taken in for the session at Shoot.")
	copied, err := os.ReadFile(filepath.Join(dir, "j.db-frames", fmt.Sprint(session), "PICT0471.JPG"))
	require.NoError(t, err)
	assert.Equal(t, photo, copied)
}

// framesOf is what a daemon says of a session's frames.
func framesOf(t *testing.T, d *daemonRun, cookie *http.Cookie, session int64) (view page.CameraView) {
	t.Helper()
	request, err := http.NewRequest("GET", fmt.Sprintf("%s/camera/%d", d.url, session), nil)
	require.NoError(t, err)
	request.AddCookie(cookie)
	answer, err := http.DefaultClient.Do(request)
	require.NoError(t, err)
	defer answer.Body.Close()
	require.NoError(t, json.NewDecoder(answer.Body).Decode(&view))
	return view
}

// After an evening a new session may have been begun: the frames are of the last one with shots, which is said.
func TestFramesAfterANewSession(t *testing.T) {
	state, dir, j := card(t)
	s, err := j.NewSession(t.Context(), record.Session{Name: "later", Board: "gpio", Set: "{}",
		Started: time.Date(2026, 11, 26, 20, 0, 0, 0, time.UTC), When: record.When{Boot: "c"}})
	require.NoError(t, err)
	require.NoError(t, j.Close())
	status, out, problem := runRecord(t, state, "frames", dir)
	require.Zero(t, status, problem)
	assert.Contains(t, problem, fmt.Sprintf("Session %d has no shots yet: the frames are matched to session %d, the last "+
		"one that has.", s.ID, s.ID-1))
	assert.Contains(t, out, "Of 6 shots 5 have a frame that is certain")
	status, out, problem = runRecord(t, state, "frames", dir, "--session", fmt.Sprint(s.ID))
	require.Zero(t, status, problem)
	assert.Contains(t, out, fmt.Sprintf("Session %d has no shots.", s.ID))

	status, out, problem = runRecord(t, state, "frames", dir, "--black", "PICT0022")
	assert.Equal(t, 1, status, "what was asked for was not done")
	assert.Contains(t, problem, "the room was not judged, see above")
	assert.Contains(t, problem, `--black "PICT0022": `)
	assert.Contains(t, out, "Of 6 shots 4 have a frame that is certain", "the rest is")
}
