package setup

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const readmeDrawing = "../../testdata/readme/wiring.svg"

// The drawing of the first build's wiring that README shows is the one that setup makes, and so is the text.
// STILLWATER_PICTURES, set to anything, writes the drawing anew.
func TestReadmeShowsTheWiring(t *testing.T) {
	w := WiringOf(first())
	if os.Getenv("STILLWATER_PICTURES") != "" {
		require.NoError(t, os.WriteFile(readmeDrawing, []byte(w.SVG()), 0o644))
	}
	assert.True(t, w.SVG() == read(t, readmeDrawing), "STILLWATER_PICTURES=1 go test ./internal/setup writes it anew")
	page := read(t, "../../README.md")
	for line := range strings.Lines(w.Text()) {
		if strings.Contains(line, "<---") || strings.Contains(line, "--->") {
			assert.Contains(t, page, strings.TrimRight(line, "\n"))
		}
	}
}
