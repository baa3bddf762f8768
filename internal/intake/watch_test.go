package intake

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/control"
	"stillwater/internal/frames"
	"stillwater/internal/need"
	"stillwater/internal/page"
	"stillwater/internal/proctest"
	"stillwater/internal/record"
	"stillwater/internal/tether"
	"stillwater/internal/tether/tethertest"
)

// watched is a folder that a studio watches, and what is logged of it.
func (x *studio) watched(t *testing.T) (w *watcher, log *proctest.Log) {
	t.Helper()
	log = new(proctest.Log)
	return newWatcher(x.Intake, t.TempDir(), slog.New(slog.NewTextHandler(log, nil))), log
}

// startShown starts it, and waits until the session is known.
func (x *studio) startShown() {
	x.t.Helper()
	x.start()
	x.screen.until(x.t, "it is shown", func(now control.CameraStatus, _ map[int64]control.FrameView) bool {
		return now.Version > 0
	})
}

func (x *studio) put(dir string) {
	x.t.Helper()
	require.NoError(x.t, os.MkdirAll(dir, 0o700))
	for name, content := range x.files {
		require.NoError(x.t, os.WriteFile(filepath.Join(dir, name), content, 0o600))
	}
}

// What comes into the folder is put to its shots when it is whole, once, and not while something is armed.
func TestWatchedFolder(t *testing.T) {
	x := newStudio(t)
	x.startShown()
	w, log := x.watched(t)
	x.put(filepath.Join(w.dir, "100TEST"))
	growing := filepath.Join(w.dir, "PICT0600.JPG")
	require.NoError(t, os.WriteFile(growing, jpegOf(100), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(w.dir, "PICT0601.JPG"), []byte("no picture"), 0o600))
	ctx := t.Context()
	require.NoError(t, w.look(ctx))
	assert.Empty(t, w.done, "they may still be written")
	require.NoError(t, os.WriteFile(growing, jpegOf(200), 0o600))
	x.screen.be(control.Armed)
	assert.ErrorIs(t, w.look(ctx), page.ErrArmed)
	assert.Empty(t, w.done)
	x.screen.be(control.Safe)
	require.NoError(t, w.look(ctx))
	x.untilFramed(7)
	assert.Contains(t, log.String(), "PICT0601.JPG is not a JPEG, HEIF or raw file, whatever its name says. "+
		"Put the camera's own file there.")
	said := log.String()
	require.NoError(t, w.look(ctx))
	assert.Equal(t, said, log.String(), "nothing is said twice")
	assert.Len(t, w.done, len(x.files)+1)

	later, err := x.journal.NewSession(ctx, record.Session{Started: time.Now().Add(time.Hour), Set: "{}"})
	require.NoError(t, err)
	x.screen.session = later.ID
	w.done = map[handed]bool{}
	require.NoError(t, w.look(ctx))
	entries, err := os.ReadDir(x.store.session(later.ID))
	assert.Empty(t, entries, "what came before a session is not of it: %v", err)
}

// What is remembered of files that are gone, were other ones, or were of another session is bounded.
func TestWatcherForgets(t *testing.T) {
	x := newStudio(t)
	x.startShown()
	w, _ := x.watched(t)
	at := filepath.Join(w.dir, "PICT0471.JPG")
	twice := func() {
		for range 2 {
			require.NoError(t, w.look(t.Context()))
		}
	}
	for n := range 4 {
		require.NoError(t, os.WriteFile(at, jpegOf(100+n), 0o600))
		twice()
	}
	assert.Len(t, w.done, 1, "one file is one, however often it was another")
	require.NoError(t, os.Remove(at))
	twice()
	assert.Len(t, w.done, 1, "it may come back, as with its card")
	for n := range maxGone + 1 {
		gone := frames.File{Name: fmt.Sprint(n, ".JPG"), Size: 1}
		w.seen[gone.Name], w.changed[gone.Name] = gone, false
		w.done[handed{x.session, gone}], w.failed[handed{x.session, gone}] = true, failure{}
	}
	require.NoError(t, os.WriteFile(at, jpegOf(200), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(w.dir, "B.JPG"), []byte("no picture"), 0o600))
	twice()
	assert.Equal(t, []int{2, 2, 1, 1}, []int{len(w.seen), len(w.changed), len(w.done), len(w.failed)})
	later, err := x.journal.NewSession(t.Context(), record.Session{Started: time.Now().Add(time.Hour), Set: "{}"})
	require.NoError(t, err)
	x.screen.session = later.ID
	twice()
	for one := range w.done {
		assert.Equal(t, later.ID, one.session)
	}
}

// What is not kept from the folder is shown to phones with what to do, until that is over.
func TestNotKeptIsShown(t *testing.T) {
	x := newStudio(t)
	x.store.limits.file = 5000
	x.startShown()
	w, log := x.watched(t)
	at := func(name string) string { return filepath.Join(w.dir, name) }
	put := func(name string, content []byte) { require.NoError(t, os.WriteFile(at(name), content, 0o600)) }
	put("A.JPG", make([]byte, 100))
	put("B.JPG", nil)
	put("C.JPG", jpegOf(6000))
	put("D\n\u202e.JPG", jpegOf(100))
	require.NoError(t, os.Symlink("A.JPG", at("E.JPG")))
	shows := func(want string) {
		t.Helper()
		for range 2 {
			w.set(w.look(t.Context()))
		}
		x.screen.until(t, want, func(now control.CameraStatus, _ map[int64]control.FrameView) bool {
			return now.Problem == want
		})
	}
	const begins = "Not taken from the folder for the camera's files: "
	shows(begins + "E.JPG: it is a link, not a regular file: put the camera's own file in its place; " +
		"A.JPG is not a JPEG, HEIF or raw file, whatever its name says. Put the camera's own file there; " +
		"and 3 more, see the machine's log.")
	for _, name := range []string{"A", "B", "C", "D", "E"} {
		assert.Equal(t, 1, strings.Count(log.String(), name+".JPG: it is ")+strings.Count(log.String(), name+".JPG has ")+
			strings.Count(log.String(), name+".JPG is not ")+strings.Count(log.String(), name+"(U+000A)"), name)
	}
	require.NoError(t, os.Remove(at("A.JPG")))
	require.NoError(t, os.Remove(at("E.JPG")))
	shows(begins + "B.JPG: it is empty: copy it from the camera again; C.JPG has " + tether.Megabytes(6000) +
		"; the limit is " + tether.Megabytes(5000) + ". Put the JPEG that the camera saved beside it there; and 1 more, " +
		"see the machine's log.")
	require.NoError(t, os.Remove(at("B.JPG")))
	put("C.JPG", jpegOf(400))
	shows(begins + "\u201cD(U+000A)(U+202E).JPG\u201d: this file name cannot be used. Rename it with letters and digits.")
	require.NoError(t, os.RemoveAll(w.dir))
	for range 2 {
		w.set(w.look(t.Context()))
	}
	x.screen.until(t, "only the folder", func(now control.CameraStatus, _ map[int64]control.FrameView) bool {
		return now.Problem == "The folder for the camera's files cannot be read: it is not there: connect the card "+
			"or disk that it is on again; meanwhile choose files on this phone, at the evening in Look back."
	})
	require.NoError(t, os.Mkdir(w.dir, 0o700))
	shows("")
}

// The end of the program waits for no file, however large: what came of it goes on where it was.
func TestEndWaitsForNoFile(t *testing.T) {
	x := newStudio(t)
	x.startShown()
	require.NoError(t, x.send("PICT0471.JPG"))
	w, _ := x.watched(t)
	require.NoError(t, os.WriteFile(filepath.Join(w.dir, "LARGE.JPG"), jpegOf(3*page.MaxPartBytes), 0o600))
	require.NoError(t, w.look(t.Context()))
	ctx, stop := context.WithCancel(t.Context())
	stop()
	folder, err := frames.Open(w.dir)
	require.NoError(t, err)
	defer folder.Close()
	require.ErrorIs(t, w.handOver(ctx, x.session, folder, w.seen["LARGE.JPG"]), context.Canceled)
	copied := filepath.Join(x.store.session(x.session), "LARGE.JPG")
	assert.NoFileExists(t, copied)
	require.NoError(t, w.handOver(t.Context(), x.session, folder, w.seen["LARGE.JPG"]))
	assert.FileExists(t, copied)
	x.end()
	_, err = x.store.checkAt(copied)
	assert.ErrorIs(t, err, page.ErrArmed, "nor is one read to be checked")
}

// A copy that gave way comes back when its file is put into the folder anew, and not by itself.
func TestWatchedFileComesBack(t *testing.T) {
	x := newStudio(t)
	x.startShown()
	w, _ := x.watched(t)
	x.put(w.dir)
	for range 2 {
		require.NoError(t, w.look(t.Context()))
	}
	x.untilFramed(7)
	copied := filepath.Join(x.store.session(x.session), "PICT0472.JPG")
	require.NoError(t, os.Remove(copied))
	w = newWatcher(x.Intake, w.dir, w.log) // as after a restart
	for range 2 {
		require.NoError(t, w.look(t.Context()))
	}
	assert.NoFileExists(t, copied)
	x.Changed(x.session)
	proctest.Eventually(t, "it is said what has no copy", func() bool {
		return strings.Contains(x.view().Kept, "There is no copy now of PICT0472: choose these files again")
	})
	now := time.Now().Add(time.Second)
	require.NoError(t, os.Chtimes(filepath.Join(w.dir, "PICT0472.JPG"), now, now))
	for range 2 {
		require.NoError(t, w.look(t.Context()))
	}
	assert.FileExists(t, copied)
}

// A file that stood still for a while before all of it was written is one frame in the end, of all of it.
func TestWatchedFileStandsStill(t *testing.T) {
	x := newStudio(t)
	x.startShown()
	w, _ := x.watched(t)
	x.put(w.dir)
	const name = "PICT0474.JPG"
	at, whole := filepath.Join(w.dir, name), x.files[name]
	for _, length := range []int{len(whole) / 3, len(whole) / 2, len(whole)} {
		require.NoError(t, os.WriteFile(at, whole[:length], 0o600))
		for range 3 {
			require.NoError(t, w.look(t.Context()))
		}
		copied, err := os.ReadFile(filepath.Join(x.store.session(x.session), name))
		require.NoError(t, err)
		assert.Equal(t, whole[:length], copied)
	}
	x.until(func(v page.CameraView) bool { return len(v.Frames) == 7 && len(v.Problems) == 0 })
	x.untilFramed(7)
}

// A folder that is not there is waited for, and said once.
func TestWatchedFolderVanishes(t *testing.T) {
	x := newStudio(t)
	x.start()
	w, log := x.watched(t)
	require.NoError(t, os.Remove(w.dir))
	for range 3 {
		w.set(w.look(t.Context()))
	}
	assert.Regexp(t, `^[^\n]*cannot read the folder for the camera's files; waiting for it[^\n]*\n$`, log.String())
	require.NoError(t, os.Mkdir(w.dir, 0o700))
	w.set(w.look(t.Context()))
	assert.Contains(t, log.String(), "can be read again")
}

// From the connected camera to the shots, with the real library.
func TestFromTheCableToTheShots(t *testing.T) {
	need.Tool(t, "gphoto2")
	t.Setenv("HOME", t.TempDir()) // it keeps settings there
	x, log := newStudio(t), new(proctest.Log)
	x.o.Log = slog.New(slog.NewTextHandler(log, nil))
	x.start()
	camera := tethertest.Start(t, tethertest.Object{Name: "PICT0470.JPG", Content: jpegOf(100)})
	from, err := Sources{}.Or(filepath.Join(t.TempDir(), "camera"), camera.Port(), x.o.Log)
	require.NoError(t, err)
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	defer x.Watch(ctx, from)()
	proctest.Eventually(t, "the camera is seen", func() bool {
		return strings.Contains(log.String(), "found the connected camera")
	})
	for name, content := range x.files {
		camera.Add(tethertest.Object{Name: name, Content: content})
	}
	x.untilFramed(7)
	assert.NoFileExists(t, filepath.Join(from.Dir, "100TEST", "PICT0470.JPG"), "it was there before")
}

// What is fetched from a camera can be taken in: a file that is too large for one is so for the other.
func TestFetchedFilesAreTakenIn(t *testing.T) {
	assert.Equal(t, tether.DefaultLimits().File, usualLimits().file)
}

func TestSourcesRefuse(t *testing.T) {
	log := slog.New(slog.DiscardHandler)
	from, err := Sources{}.Or("", "", log)
	require.NoError(t, err)
	assert.Equal(t, Sources{}, from)
	from, err = Sources{Dir: "x"}.Or("configured", "", log)
	require.NoError(t, err)
	assert.Equal(t, Sources{Dir: "x"}, from, "a flag comes first")
	_, err = Sources{Port: "auto"}.Or("", "", log)
	assert.ErrorContains(t, err, "--camera: its files need a folder: add --frames DIR, or camera.folder to")
	_, err = Sources{Port: "first"}.Or("x", "", log)
	assert.ErrorContains(t, err, `--camera "first": give auto for the connected camera`)
	_, err = Sources{}.Or("x", "first", log)
	assert.ErrorContains(t, err, `camera.port = "first": give auto for the connected camera`)
}

// Without its program a camera that the configuration names is logged, and the folder is watched all the same.
func TestCameraWithoutItsProgram(t *testing.T) {
	t.Setenv("PATH", t.TempDir())
	log := new(proctest.Log)
	from, err := Sources{}.Or("x", "auto", slog.New(slog.NewTextHandler(log, nil)))
	require.NoError(t, err)
	assert.Equal(t, Sources{Dir: "x", Port: "auto"}, from)
	assert.Contains(t, log.String(), "gphoto2 is not installed: sudo apt install gphoto2")
	x := newStudio(t)
	x.start()
	from.Dir = t.TempDir()
	defer x.Watch(t.Context(), from)()
	x.screen.until(t, "phones are shown it", func(now control.CameraStatus, _ map[int64]control.FrameView) bool {
		return strings.Contains(now.Problem, "gphoto2 is not installed")
	})
	_, err = Sources{Port: "auto"}.Or("x", "", nil)
	assert.ErrorContains(t, err, `--camera "auto": gphoto2 is not installed: sudo apt install gphoto2`)
}
