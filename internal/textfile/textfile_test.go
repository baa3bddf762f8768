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
