package frames_test

import (
	"errors"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/frames"
	"stillwater/internal/need"
)

func more(old []byte) ([]byte, error) { return append(old, " more"...), nil }

// A sidecar that may not be written stays, and says so, even to who could.
func TestWriteProtectedSidecarStays(t *testing.T) {
	dir, folder := sidecarFolder(t)
	file := filepath.Join(dir, "P.xmp")
	require.NoError(t, os.WriteFile(file, []byte("mine"), 0o444))
	_, _, err := folder.Sidecar(frames.Frame{Name: "P"}, false, more)
	assert.ErrorContains(t, err, "P.xmp: it is write-protected: allow writing")
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, "mine", string(text))
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Len(t, entries, 2, "nothing else is left")
}

// A sidecar keeps its extended attributes when it changes.
func TestSidecarKeepsAttributes(t *testing.T) {
	dir, folder := sidecarFolder(t)
	file := filepath.Join(dir, "Q.xmp")
	require.NoError(t, os.WriteFile(file, []byte("mine"), 0o640))
	err := unix.Setxattr(file, "user.rated", []byte("by hand"), 0)
	if errors.Is(err, unix.ENOTSUP) || errors.Is(err, unix.EPERM) {
		need.Missing(t, "no extended attributes in the folder for temporary files")
	}
	require.NoError(t, err)
	_, changed, err := folder.Sidecar(frames.Frame{Name: "Q"}, false, more)
	require.NoError(t, err)
	assert.True(t, changed)
	value := make([]byte, 20)
	n, err := unix.Getxattr(file, "user.rated", value)
	require.NoError(t, err)
	assert.Equal(t, "by hand", string(value[:n]))
}

// What root writes beside another user's photographs stays that user's.
func TestSidecarKeepsItsOwner(t *testing.T) {
	if os.Geteuid() != 0 {
		need.Missing(t, "only root can give files away")
	}
	dir, folder := sidecarFolder(t)
	file := filepath.Join(dir, "R.xmp")
	require.NoError(t, os.WriteFile(file, []byte("theirs"), 0o604))
	require.NoError(t, os.Chown(file, 1234, 1235))
	_, _, err := folder.Sidecar(frames.Frame{Name: "R"}, false, more)
	require.NoError(t, err)
	info, err := os.Stat(file)
	require.NoError(t, err)
	of := info.Sys().(*syscall.Stat_t)
	assert.Equal(t, []uint32{1234, 1235}, []uint32{of.Uid, of.Gid})
	assert.Equal(t, os.FileMode(0o604), info.Mode())
}
