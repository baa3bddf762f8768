package render

import (
	"bufio"
	"bytes"
	"io"
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

// On a terminal nothing that was written by others does anything; a file has it as it is.
func TestVisible(t *testing.T) {
	outside, screen := need.Terminal(t)
	const text = "a\x1b[2Jb\u202ec\u009bd\re\u2028,\xff\xc3,40 µm, 👩\u200d🚀\n"
	go func() {
		out := Visible(screen)
		for i := range len(text) { // characters come in parts
			io.WriteString(out, text[i:i+1])
		}
	}()
	shown, err := bufio.NewReader(outside).ReadString('\n')
	require.NoError(t, err)
	assert.Equal(t, `a\x1b[2Jb\u202ec\u009bd\re\u2028,\xff\xc3,40 µm, `+"👩\u200d🚀\r\n", shown)
	var file bytes.Buffer
	io.WriteString(Visible(&file), text)
	assert.Equal(t, text, file.String())
}
