package circuit

import (
	"os"
	"testing"

	"github.com/stretchr/testify/require"
)

// source is the project's own description.
func source(t testing.TB) string {
	t.Helper()
	text, err := os.ReadFile("../circuits.txt")
	require.NoError(t, err)
	return string(text)
}

func design(t testing.TB) *Design {
	t.Helper()
	d, err := Parse(source(t))
	require.NoError(t, err)
	return d
}

func TestTheDescriptionIsRead(t *testing.T) {
	d := design(t)
	require.Len(t, d.Boards, 4)
	for _, b := range d.Boards {
		t.Logf("%s: %d parts, %d nets", b.Name, len(b.Parts), len(b.Nets))
	}
}
