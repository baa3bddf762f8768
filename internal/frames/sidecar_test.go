package frames_test

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/frames"
)

func sidecarFolder(t *testing.T) (dir string, folder *frames.Folder) {
	t.Helper()
	dir = t.TempDir()
	require.NoError(t, os.Mkdir(filepath.Join(dir, "A"), 0o777))
	folder, err := frames.Open(dir)
	require.NoError(t, err)
	t.Cleanup(func() { folder.Close() })
	return dir, folder
}

func TestSidecar(t *testing.T) {
	dir, folder := sidecarFolder(t)
	frame := frames.Frame{Name: "A/PICT\n\u202e0001"}
	to := func(text string) func([]byte) ([]byte, error) {
		return func([]byte) ([]byte, error) { return []byte(text), nil }
	}
	name, changed, err := folder.Sidecar(frame, true, to("one"))
	require.NoError(t, err)
	assert.True(t, changed)
	assert.NoFileExists(t, filepath.Join(dir, name), "a dry run")
	_, changed, err = folder.Sidecar(frame, false, to("one"))
	require.NoError(t, err)
	assert.True(t, changed)
	require.NoError(t, os.Chmod(filepath.Join(dir, name), 0o640))
	_, changed, err = folder.Sidecar(frame, false, func(old []byte) ([]byte, error) { return append(old, " two"...), nil })
	require.NoError(t, err)
	assert.True(t, changed)
	text, err := os.ReadFile(filepath.Join(dir, name))
	require.NoError(t, err)
	assert.Equal(t, "one two", string(text))
	info, err := os.Stat(filepath.Join(dir, name))
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o640), info.Mode())
	_, changed, err = folder.Sidecar(frame, false, to("one two"))
	require.NoError(t, err)
	assert.False(t, changed)

	require.NoError(t, os.WriteFile(filepath.Join(dir, "B.XMP"), []byte("large"), 0o666))
	name, _, err = folder.Sidecar(frames.Frame{Name: "B"}, false, func(old []byte) ([]byte, error) {
		assert.Equal(t, "large", string(old))
		return []byte("x"), nil
	})
	require.NoError(t, err)
	assert.Equal(t, "B.XMP", name)
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Len(t, entries, 2, "nothing else is left")

	mixed := filepath.Join(dir, "A", "M.Xmp")
	require.NoError(t, os.WriteFile(mixed, []byte("mixed"), 0o666))
	name, _, err = folder.Sidecar(frames.Frame{Name: "A/M"}, false, to("y"))
	require.NoError(t, err)
	assert.Equal(t, "A/M.Xmp", name, "no second one beside it")
	require.NoError(t, os.WriteFile(filepath.Join(dir, "A", "M.XMP"), []byte("large"), 0o666))
	_, _, err = folder.Sidecar(frames.Frame{Name: "A/M"}, false, to("z"))
	if _, e := os.Stat(filepath.Join(dir, "A", "m.xMP")); e != nil { // case counts here
		assert.ErrorContains(t, err, "there are several, M.XMP and M.Xmp: keep one of them")
	}
}

// What changes meanwhile, what cannot be changed, and what is no file stays as it is, and nothing is left beside it.
func TestSidecarThatStays(t *testing.T) {
	dir, folder := sidecarFolder(t)
	file := filepath.Join(dir, "C.xmp")
	require.NoError(t, os.WriteFile(file, []byte("mine"), 0o666))
	_, _, err := folder.Sidecar(frames.Frame{Name: "C"}, false, func([]byte) ([]byte, error) {
		return []byte("ours"), os.WriteFile(file, []byte("another program's"), 0o666)
	})
	assert.ErrorIs(t, err, frames.ErrChanging)
	_, _, err = folder.Sidecar(frames.Frame{Name: "D"}, false, func([]byte) ([]byte, error) {
		return []byte("ours"), os.WriteFile(filepath.Join(dir, "D.xmp"), []byte("new"), 0o666)
	})
	assert.ErrorIs(t, err, frames.ErrChanging)
	refused := errors.New("it declares entities")
	_, _, err = folder.Sidecar(frames.Frame{Name: "C"}, false, func([]byte) ([]byte, error) { return nil, refused })
	assert.ErrorIs(t, err, refused)
	assert.ErrorContains(t, err, "C.xmp: ")
	require.NoError(t, os.Symlink(file, filepath.Join(dir, "E.xmp")))
	_, _, err = folder.Sidecar(frames.Frame{Name: "E"}, false, func([]byte) ([]byte, error) { return []byte("x"), nil })
	assert.ErrorContains(t, err, "not a regular file")
	for name, want := range map[string]string{"C.xmp": "another program's", "D.xmp": "new"} {
		text, err := os.ReadFile(filepath.Join(dir, name))
		require.NoError(t, err)
		assert.Equal(t, want, string(text))
	}
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Len(t, entries, 4)
}
