package render

import (
	"bytes"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
)

// Whatever cells hold, a table has a line a row, in valid text without characters that move the cursor or turn the
// direction of writing, and its columns begin one below the other.
func FuzzTable(f *testing.F) {
	f.Add("note", "1.5 ms", "-3 mm", "clear")
	f.Add("\x1b[31m", "a\nb", "\xff", "")
	f.Add("\u202e", "１２", "", "é")
	f.Fuzz(func(t *testing.T, head, a, b, c string) {
		var out bytes.Buffer
		require.NoError(t, Table(&out, []string{"#", head, "z"}, [][]string{{"1", a, "zz"}, {"2", b, "z"}, {"33", c, "z"}}))
		require.True(t, utf8.Valid(out.Bytes()))
		lines := strings.Split(strings.TrimSuffix(out.String(), "\n"), "\n")
		require.Len(t, lines, 4)
		place := -1
		for _, line := range lines {
			require.False(t, strings.ContainsFunc(line, unicode.IsControl), "%q", line)
			require.False(t, strings.ContainsFunc(line, isBidi), "%q", line)
			at := utf8.RuneCountInString(line[:strings.LastIndex(strings.TrimSuffix(line, "z"), " ")+1])
			require.True(t, place < 0 || place == at, "%q", lines)
			place = at
		}
	})
}

// isBidi says whether a character turns the direction of writing.
func isBidi(r rune) bool { return unicode.Is(unicode.Bidi_Control, r) }
