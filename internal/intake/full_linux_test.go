package intake

import (
	"errors"
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/need"
	"stillwater/internal/page"
)

// A disk that gets full while a file comes costs that file, and says so; the next one has the room.
func TestFullDisk(t *testing.T) {
	s := newStore(t)
	require.NoError(t, os.Mkdir(s.dir, 0o700))
	err := unix.Mount("tmpfs", s.dir, "tmpfs", 0, "size=64k")
	if errors.Is(err, unix.EPERM) {
		need.Missing(t, "the right to mount a small disk (run as root)")
	}
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, unix.Unmount(s.dir, unix.MNT_DETACH)) })
	_, err = put(s, 1, page.CameraFile{Name: "A.JPG", Size: 100_000}, jpegOf(100_000), 10_000)
	assert.ErrorContains(t, err, "A.JPG was not saved: the machine's disk is full.")
	assert.Empty(t, kept(t, s, 1))
	whole, err := put(s, 1, page.CameraFile{Name: "B.JPG", Size: 30_000}, jpegOf(30_000), 10_000)
	require.NoError(t, err)
	assert.True(t, whole)
	s.looked(1, s.news(1))
	s.free = freeBytes
	_, err = put(s, 1, page.CameraFile{Name: "C.JPG", Size: 30_000}, jpegOf(30_000), 10_000)
	assert.ErrorContains(t, err, "C.JPG was not saved", "the record's share of a small disk")
}
