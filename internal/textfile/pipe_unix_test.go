//go:build unix

package textfile

import (
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// Reading a pipe that nobody writes to would block for ever.
func TestReadRefusesPipesAndDevices(t *testing.T) {
	path := filepath.Join(t.TempDir(), "pipe")
	require.NoError(t, unix.Mkfifo(path, 0o600))
	for _, path := range []string{path, "/dev/zero"} {
		_, err := Read(path, 4)
		assert.ErrorIs(t, err, ErrNotRegular)
	}
}

// A pipe where the new text is to be written stops nothing.
func TestReplaceWaitsForNoPipe(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "text")
	require.NoError(t, unix.Mkfifo(filepath.Join(dir, ".text.new"), 0o600))
	require.NoError(t, Replace(path, []byte("new"), 0o600))
	text, err := Read(path, 4)
	require.NoError(t, err)
	assert.Equal(t, "new", string(text))
}
