package tether

import (
	"context"
	"log/slog"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/proctest"
	"stillwater/internal/tether/tethertest"
)

// arming is whether something is armed, and how often that was asked.
type arming struct {
	armed atomic.Bool
	asked atomic.Int64
}

func (a *arming) now() bool {
	a.asked.Add(1)
	return a.armed.Load()
}

// following runs a Follow until the test ends, and returns its folder, what it logs, and the switch that arms.
func following(t *testing.T, camera *tethertest.Camera) (dir string, log *proctest.Log, switched *arming) {
	t.Helper()
	c, root := reach(t, camera.Port())
	c.Limits.Ending = 200 * time.Millisecond
	switched, log = new(arming), new(proctest.Log)
	f := Follow{Camera: c, Dir: root.Name(), Armed: switched.now, Log: slog.New(slog.NewTextHandler(log, nil)),
		Wanted: func(name string) bool { return path.Ext(name) == ".JPG" }, Every: time.Millisecond}
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		f.Run(ctx)
	}()
	t.Cleanup(func() { stop(); <-ended })
	return root.Name(), log, switched
}

func isFile(name ...string) func() bool {
	return func() bool {
		_, err := os.Stat(filepath.Join(name...))
		return err == nil
	}
}

// What a camera makes comes into the folder, what was on it before does not, and nothing is asked of it while something
// is armed: a file that was under way is dropped, and fetched afterwards.
func TestFollow(t *testing.T) {
	camera := tethertest.Start(t, tethertest.Object{Name: "PICT0001.JPG", Content: photograph})
	dir, log, switched := following(t, camera)
	proctest.Eventually(t, "the camera is seen", func() bool {
		return strings.Contains(log.String(),
			"found the connected camera")
	})
	camera.Add(tethertest.Object{Name: "PICT0002.JPG", Content: photograph})
	camera.Add(tethertest.Object{Name: "FILM0003.MOV", Content: photograph})
	proctest.Eventually(t, "the new file comes", isFile(dir, "100TEST", "PICT0002.JPG"))
	asked := camera.Asked()
	camera.Add(tethertest.Object{Name: "PICT0004.JPG", Content: photograph, Fault: tethertest.Stops, Once: true})
	proctest.Eventually(t, "the file is under way", func() bool { return camera.Asked() > asked })
	switched.armed.Store(true)
	proctest.Eventually(t, "the camera is let go", func() bool { return camera.Connections() == 0 })
	listed := camera.Listed()
	camera.Add(tethertest.Object{Name: "PICT0005.JPG", Content: photograph})
	checks := switched.asked.Load()
	proctest.Eventually(t, "some time passes", func() bool { return switched.asked.Load() > checks+5 })
	assert.Equal(t, listed, camera.Listed(), "nothing is asked while armed")
	assert.NoFileExists(t, filepath.Join(dir, "100TEST", "PICT0004.JPG"))
	switched.armed.Store(false)
	proctest.Eventually(t, "the file comes", isFile(dir, "100TEST", "PICT0004.JPG"))
	proctest.Eventually(t, "and the next", isFile(dir, "100TEST", "PICT0005.JPG"))
	entries, err := os.ReadDir(filepath.Join(dir, "100TEST"))
	require.NoError(t, err)
	assert.Len(t, entries, 3, "%v", entries)
	assert.NotContains(t, log.String(), "WARN")
}

// A file that the camera never answers for holds up no other for long, and is said.
func TestSilentFileHoldsUpNoOther(t *testing.T) {
	camera := tethertest.Start(t, tethertest.Object{Name: "PICT0001.JPG", Content: photograph})
	c, root := reach(t, camera.Port())
	c.Limits.Ending, c.Limits.Begin = 200*time.Millisecond, time.Second
	list, problems, err := c.List(t.Context())
	require.NoError(t, err)
	require.Empty(t, problems)
	log := new(proctest.Log)
	f := Follow{Camera: c, Wanted: func(string) bool { return true }, Log: slog.New(slog.NewTextHandler(log, nil)),
		silent: map[File]int{}}
	camera.Add(tethertest.Object{Name: "PICT0002.JPG", Content: photograph, Fault: tethertest.Stops})
	camera.Add(tethertest.Object{Name: "PICT0003.JPG", Content: photograph})
	old := before(list, root)
	list, _, err = c.List(t.Context())
	require.NoError(t, err)
	require.ErrorIs(t, f.copyNew(t.Context(), slices.Clone(list), old, root), ErrSilent)
	require.Empty(t, filesIn(t, root))
	c.Limits.Begin = 4 * time.Minute
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		f.copyNew(ctx, slices.Clone(list), old, root)
	}()
	proctest.Eventually(t, "the next file comes", isFile(root.Name(), "100TEST", "PICT0003.JPG"))
	stop()
	<-ended
}

// A camera that does not answer is said once, and tried again.
func TestFollowGoesOn(t *testing.T) {
	camera := tethertest.Start(t, tethertest.Object{Name: "PICT0000.JPG", Content: photograph})
	dir, log, _ := following(t, camera)
	proctest.Eventually(t, "the camera is seen", func() bool {
		return strings.Contains(log.String(),
			"found the connected camera")
	})
	camera.Close()
	proctest.Eventually(t, "it is missed", func() bool { return strings.Contains(log.String(), "WARN") })
	camera.Open(t)
	proctest.Eventually(t, "it is back", func() bool { return strings.Contains(log.String(), "answers again") })
	camera.Add(tethertest.Object{Name: "PICT0001.JPG", Content: photograph})
	proctest.Eventually(t, "the new file comes", isFile(dir, "100TEST", "PICT0001.JPG"))
}
