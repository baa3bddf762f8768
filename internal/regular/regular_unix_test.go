//go:build unix

package regular

import (
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// What is no regular file is not opened, and nothing waits: not even where it takes a file's place after that was
// looked at.
func TestOnlyRegularFilesAreOpened(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	require.NoError(t, os.WriteFile(at("file"), []byte("content"), 0o600))
	require.NoError(t, os.Symlink("file", at("link")))
	require.NoError(t, os.Mkdir(at("folder"), 0o700))
	require.NoError(t, unix.Mkfifo(at("pipe"), 0o600))
	socket, err := net.Listen("unix", at("socket"))
	require.NoError(t, err)
	defer socket.Close()
	root, err := os.OpenRoot(dir)
	require.NoError(t, err)
	defer root.Close()
	for name, want := range map[string]string{"file": "", "link": "it is a link", "folder": "it is a folder",
		"pipe": "it is a pipe", "socket": "it is a socket", "none": "no such file"} {
		for _, flag := range []int{os.O_RDONLY, os.O_WRONLY, os.O_WRONLY | os.O_CREATE | os.O_APPEND} {
			if name == "none" && flag&os.O_CREATE != 0 {
				continue
			}
			for of, open := range map[string]func() (*os.File, error){
				"a path":              func() (*os.File, error) { return OpenFile(at(name), flag, 0o600) },
				"a folder":            func() (*os.File, error) { return OpenIn(root, name, flag, 0o600) },
				"what took its place": func() (*os.File, error) { return open(replaced{}, at(name), flag|noFollow, 0o600) },
			} {
				file, err := open()
				switch {
				case want == "":
					require.NoError(t, err, of)
					assert.NoError(t, file.Close())
				case of == "what took its place":
					assert.Error(t, err, name)
				default:
					assert.ErrorContains(t, err, want, of)
				}
			}
		}
	}
	_, err = Open("/dev/null")
	assert.ErrorContains(t, err, "it is a device, not a regular file")
	for name, want := range map[string]string{"file": "it is not a folder", "pipe": "it is not a folder",
		"none": "no such file"} {
		_, err := OpenRoot(at(name))
		assert.ErrorContains(t, err, want)
	}
}

// A pipe that took a folder's place after that was looked at is not waited for.
func TestPipeInAFoldersPlace(t *testing.T) {
	dir := t.TempDir()
	require.NoError(t, os.Mkdir(filepath.Join(dir, "folder"), 0o700))
	require.NoError(t, os.WriteFile(filepath.Join(dir, "folder", "file"), nil, 0o600))
	require.NoError(t, unix.Mkfifo(filepath.Join(dir, "pipe"), 0o600))
	_, err := openRoot(filepath.Join(dir, "pipe"))
	assert.ErrorIs(t, err, unix.ENOTDIR)
	root, err := openRoot(dir)
	require.NoError(t, err)
	defer root.Close()
	_, err = fs.ReadDir(Files(root), "pipe")
	assert.ErrorIs(t, err, unix.ENOTDIR)
	list, err := fs.ReadDir(Files(root), "folder")
	require.NoError(t, err)
	require.Len(t, list, 1)
	assert.Equal(t, "file", list[0].Name())
}

// replaced are folders in which everything was a regular file when it was looked at.
type replaced struct{ system }

func (replaced) Lstat(name string) (os.FileInfo, error) {
	return os.Lstat(filepath.Join(filepath.Dir(name), "file"))
}
