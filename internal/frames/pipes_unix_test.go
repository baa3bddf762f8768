//go:build unix

package frames

import (
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/regular"
)

// Pipes are named and left out, and nothing waits for them: not as a frame's file, as a sidecar or as the folder.
func TestPipesStopNothing(t *testing.T) {
	dir := t.TempDir()
	write(t, dir, "a.jpg", []byte("x"))
	for _, name := range []string{"b.jpg", "a.xmp"} {
		require.NoError(t, unix.Mkfifo(filepath.Join(dir, name), 0o600))
	}
	f := openFolder(t, dir)
	list, problems, err := f.List(t.Context())
	require.NoError(t, err)
	require.Len(t, list, 1)
	require.Len(t, problems, 1)
	assert.EqualError(t, problems[0], "b.jpg: it is a pipe, not a regular file: put the camera's own file in its place")
	_, err = f.Read(t.Context(), Frame{Files: []File{{Name: "b.jpg"}}}) // it took a file's place
	assert.ErrorIs(t, err, regular.ErrNotRegular)
	_, _, err = f.Sidecar(list[0], false, func(old []byte) ([]byte, error) { return old, nil })
	assert.ErrorIs(t, err, regular.ErrNotRegular)
	_, err = Open(filepath.Join(dir, "b.jpg"))
	assert.ErrorContains(t, err, "it is not a folder; name the camera's card or a folder with its files")
}
