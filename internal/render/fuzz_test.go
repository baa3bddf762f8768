package render

import (
	"bytes"
	"strconv"
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

// Whatever words come from outside, each line that is shown of them can be printed and is not long, and plain words
// stay as they are.
func FuzzPrintable(f *testing.F) {
	for _, seed := range []string{"plain words\nin lines", "\x1b[31mred", "a\u202eb", "\xff\ufffd", "'\\'", "\t\r\n\x00",
		strings.Repeat("é", maxLineBytes)} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		shown := Printable(text)
		plain := utf8.ValidString(text)
		for _, r := range text {
			plain = plain && (r == '\n' || strconv.IsPrint(r))
		}
		lines := strings.Split(shown, "\n")
		require.Len(t, lines, strings.Count(text, "\n")+1)
		for i, line := range lines {
			require.True(t, utf8.ValidString(line), "%q", line)
			for _, r := range line {
				require.True(t, strconv.IsPrint(r), "%q", line)
			}
			require.LessOrEqual(t, len(line), maxLineBytes+20)
			if was := strings.Split(text, "\n")[i]; plain && len(was) <= maxLineBytes {
				require.Equal(t, was, line)
			}
		}
	})
}

// isBidi reports whether a character turns the direction of writing.
func isBidi(r rune) bool { return unicode.Is(unicode.Bidi_Control, r) }
