//go:build unix

package intake

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/page"
)

// A pipe that has the name of a camera's file, or of one beside them, stops nothing: the file gets another name, and
// the pipe stays.
func TestPipesStopNothing(t *testing.T) {
	s := newStore(t)
	dir := s.session(1)
	require.NoError(t, os.MkdirAll(dir, 0o700))
	for _, name := range []string{"P0001.JPG", fingerprintsFile} {
		require.NoError(t, unix.Mkfifo(filepath.Join(dir, name), 0o600))
	}
	f := page.CameraFile{Name: "P0001.JPG", Size: 300}
	_, err := put(s, 1, f, jpegOf(300), 100)
	require.NoError(t, err)
	got, err := s.receive(1, f, 0, jpegOf(300)[:100])
	require.NoError(t, err)
	assert.Equal(t, received{have: 300, name: "P0001 2.JPG"}, got)
	assert.Equal(t, []string{"P0001 2.JPG", "P0001.JPG"}, kept(t, s, 1))
	info, err := os.Lstat(filepath.Join(dir, "P0001.JPG"))
	require.NoError(t, err)
	assert.Equal(t, os.ModeNamedPipe, info.Mode().Type())
}

// Notes beside the files may be pipes too, and so may be a frame: it is named, and the others are looked at.
func TestPipesAmongTheFrames(t *testing.T) {
	x := newStudio(t)
	dir := x.store.session(x.session)
	require.NoError(t, os.MkdirAll(dir, 0o700))
	for _, name := range []string{openFile, leftOutFile, leftOutFile + ".new", newsFile, "PICT0999.JPG"} {
		require.NoError(t, unix.Mkfifo(filepath.Join(dir, name), 0o600))
	}
	x.start()
	x.sendAll()
	x.untilFramed(7)
	assert.Contains(t, x.view().Problems,
		"PICT0999.JPG: it is a pipe, not a regular file: put the camera's own file in its place")
	require.NoError(t, x.Match(t.Context(), x.session, 1, "PICT0471"))
}

// Whoever looks at frames does not wait for a file that is being received.
func TestLookingWaitsForNoFile(t *testing.T) {
	s := newStore(t)
	_, err := put(s, 1, page.CameraFile{Name: "P0001.JPG", Size: 300}, jpegOf(300), 100)
	require.NoError(t, err)
	s.mu.Lock() // or else this would not end
	defer s.mu.Unlock()
	assert.Len(t, s.news(1), 1)
	s.looked(1, s.news(1))
	assert.Empty(t, s.news(1))
}
