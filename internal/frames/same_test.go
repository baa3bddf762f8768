package frames

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Two files are the same if each byte is.
func TestSame(t *testing.T) {
	dir := t.TempDir()
	whole := bytes.Repeat([]byte("picture"), 30_000) // more than three parts
	last, first := bytes.Clone(whole), bytes.Clone(whole)
	last[len(last)-1]++
	first[0]++
	for name, content := range map[string][]byte{"a.jpg": whole, "b.jpg": whole, "last.jpg": last, "first.jpg": first,
		"short.jpg": whole[:samePart], "shorter.jpg": whole[:samePart-1], "empty.jpg": nil, "empty2.jpg": nil} {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), content, 0o600))
	}
	folder, err := Open(dir)
	require.NoError(t, err)
	defer folder.Close()
	list, _, err := folder.List(t.Context())
	require.NoError(t, err)
	files := map[string]File{}
	for _, f := range list {
		files[f.Name] = f.Files[0]
	}
	for other, want := range map[string]bool{"a": true, "b": true, "last": false, "first": false, "short": false} {
		same, err := folder.Same(t.Context(), files["a"], files[other])
		require.NoError(t, err, other)
		assert.Equal(t, want, same, other)
	}
	same, err := folder.Same(t.Context(), files["short"], files["shorter"])
	require.NoError(t, err)
	assert.False(t, same)
	_, err = folder.Same(t.Context(), files["empty"], files["empty2"])
	assert.ErrorContains(t, err, "it is empty")

	ended, end := context.WithCancel(t.Context())
	end()
	same, err = folder.Same(ended, files["a"], files["b"])
	assert.ErrorIs(t, err, context.Canceled)
	assert.False(t, same)
	require.NoError(t, os.Remove(filepath.Join(dir, "b.jpg")))
	_, err = folder.Same(t.Context(), files["a"], files["b"])
	assert.ErrorIs(t, err, os.ErrNotExist)
}
