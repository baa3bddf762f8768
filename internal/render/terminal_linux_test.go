package render

import (
	"bytes"
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/need"
)

func TestIsTerminal(t *testing.T) {
	_, screen := need.Terminal(t)
	assert.True(t, IsTerminal(screen))
	assert.False(t, IsTerminal(&bytes.Buffer{}))
	file, err := os.CreateTemp(t.TempDir(), "")
	require.NoError(t, err)
	defer file.Close()
	assert.False(t, IsTerminal(file))
}
