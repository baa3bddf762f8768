package setup

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestWriteKeepsWhatWasThere(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "stillwater.toml")
	backup, err := Write(path, nil, []byte("one"))
	require.NoError(t, err)
	assert.Empty(t, backup)
	require.NoError(t, os.Chmod(path, 0o640))
	link := filepath.Join(dir, "link.toml")
	require.NoError(t, os.Symlink(path, link))
	backup, err = Write(link, []byte("one"), []byte("two"))
	require.NoError(t, err)
	assert.Equal(t, path+".bak", backup)
	assert.Equal(t, "one", read(t, backup))
	assert.Equal(t, "two", read(t, path))
	info, err := os.Stat(path)
	require.NoError(t, err)
	assert.Equal(t, os.FileMode(0o640), info.Mode().Perm())
	info, err = os.Lstat(link)
	require.NoError(t, err)
	assert.NotZero(t, info.Mode()&os.ModeSymlink, "the link is still one")
	require.NoError(t, os.WriteFile(filepath.Join(dir, ".stillwater.toml.new"), []byte("half"), 0o600), "cut off before")
	backup, err = Write(path, []byte("two"), []byte("three"))
	require.NoError(t, err)
	assert.Equal(t, path+".bak2", backup)
	assert.Equal(t, "one", read(t, path+".bak"))
	backup, err = Write(path, []byte("three"), []byte("three"))
	require.NoError(t, err)
	assert.Empty(t, backup)
	names, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Len(t, names, 4, "no file is left over")
}

func TestWriteRefuses(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "stillwater.toml")
	require.NoError(t, os.WriteFile(path, []byte("theirs"), 0o600))
	_, err := Write(path, []byte("ours"), []byte("new"))
	require.ErrorIs(t, err, ErrChanged)
	_, err = Write(path, nil, []byte("new"))
	require.ErrorIs(t, err, ErrChanged)
	assert.Equal(t, "theirs", read(t, path))
	for i := range maxBackups {
		name := path + ".bak"
		if i > 0 {
			name = fmt.Sprintf("%s.bak%d", path, i+1)
		}
		require.NoError(t, os.WriteFile(name, []byte("old"), 0o600))
	}
	_, err = Write(path, []byte("theirs"), []byte("new"))
	require.ErrorContains(t, err, "nothing was written")
	assert.Equal(t, "theirs", read(t, path))
	require.NoError(t, os.Symlink(filepath.Join(dir, "gone"), filepath.Join(dir, "dangling")))
	_, err = Read(filepath.Join(dir, "dangling"))
	require.ErrorContains(t, err, "broken link")
	_, err = Read(dir)
	require.Error(t, err)
	_, err = Write(filepath.Join(dir, "no", "such"), nil, []byte("x"))
	require.Error(t, err)
}
