package frames_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/frames"
	"stillwater/internal/need"
)

// On a full card a sidecar stays as it was, and nothing is left beside it.
func TestSidecarOnAFullDisk(t *testing.T) {
	dir := t.TempDir()
	err := unix.Mount("tmpfs", dir, "tmpfs", 0, "size=64k")
	if errors.Is(err, unix.EPERM) {
		need.Missing(t, "the right to mount a small disk (run as root)")
	}
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, unix.Unmount(dir, unix.MNT_DETACH)) })
	require.NoError(t, os.WriteFile(filepath.Join(dir, "A.xmp"), []byte("mine"), 0o666))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "A.JPG"), make([]byte, 40_000), 0o666))
	folder, err := frames.Open(dir)
	require.NoError(t, err)
	defer folder.Close()
	for _, name := range []string{"A", "B"} {
		_, _, err = folder.Sidecar(frames.Frame{Name: name}, false, func([]byte) ([]byte, error) {
			return bytes.Repeat([]byte("long"), 10_000), nil
		})
		assert.ErrorIs(t, err, unix.ENOSPC)
		assert.ErrorContains(t, err, name+".xmp: ")
	}
	text, err := os.ReadFile(filepath.Join(dir, "A.xmp"))
	require.NoError(t, err)
	assert.Equal(t, "mine", string(text))
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Len(t, entries, 2)
}
