package textfile

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestRead(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a.txt")
	require.NoError(t, os.WriteFile(path, []byte("12345"), 0o600))
	text, err := Read(path, 5)
	require.NoError(t, err)
	assert.Equal(t, "12345", string(text))
	_, err = Read(path, 4)
	assert.ErrorIs(t, err, ErrTooLarge)
	_, err = Read(dir, 4)
	assert.ErrorIs(t, err, ErrFolder)
	_, err = Read(filepath.Join(dir, "none"), 4)
	assert.ErrorIs(t, err, os.ErrNotExist)
}

func TestDecode(t *testing.T) {
	for text, want := range map[string]string{
		"": "", "a": "a", "\ufeffa": "a", "\ufeff": "", "ä\n": "ä\n", "a\ufeff": "a\ufeff", "\ufffd": "\ufffd",
	} {
		got, err := Decode([]byte(text))
		require.NoError(t, err)
		assert.Equal(t, want, string(got))
	}
	for text, want := range map[string]error{
		"\xff\xfea\x00": ErrUTF16, "\xfe\xff\x00a": ErrUTF16,
		"ab\x80": NotUTF8(2), "\ufeffab\xc3": NotUTF8(5), "\xff": NotUTF8(0),
	} {
		_, err := Decode([]byte(text))
		assert.Equal(t, want, err, "%q", text)
	}
}

// A text takes the place of another as a whole, or not at all.
func TestReplace(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a.txt")
	for _, want := range []string{"12345", "1"} {
		require.NoError(t, Replace(path, []byte(want), 0o600))
		text, err := os.ReadFile(path)
		require.NoError(t, err)
		assert.Equal(t, want, string(text))
	}
	require.NoError(t, os.Mkdir(filepath.Join(dir, "b.txt"), 0o700))
	assert.Error(t, Replace(filepath.Join(dir, "b.txt"), []byte("1"), 0o600))
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	assert.Len(t, entries, 2, "nothing is left beside them")
	assert.Error(t, Replace(filepath.Join(dir, "none", "a.txt"), []byte("1"), 0o600))
}

// A file that was written under another name takes its own, in the place of what had it; it is closed in any case.
func TestPlace(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a.jpg")
	require.NoError(t, os.WriteFile(path, []byte("old"), 0o600))
	part := func() *os.File {
		file, err := os.Create(filepath.Join(dir, ".part"))
		require.NoError(t, err)
		_, err = file.WriteString("new")
		require.NoError(t, err)
		return file
	}
	file := part()
	require.NoError(t, Place(file, path))
	assert.ErrorIs(t, file.Close(), os.ErrClosed)
	assert.NoFileExists(t, file.Name())
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, "new", string(text))
	file = part()
	assert.Error(t, Place(file, filepath.Join(dir, "none", "a.jpg")))
	assert.ErrorIs(t, file.Close(), os.ErrClosed)
	assert.FileExists(t, file.Name(), "the caller may try again")
}
