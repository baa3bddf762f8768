package spawn

import (
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
)

// Only the line that a board of the same configuration sends is accepted; any other gives an error of bounded length
// without control characters.
func FuzzGreeting(f *testing.F) {
	f.Add("stillwater board 0123", "0123")
	f.Add("stillwater board 0124", "0123")
	f.Add("busy stillwater 12 of user 0", "0123")
	f.Add("busy \x1b[31m", "")
	f.Add("SSH-2.0-x\r", "0123")
	f.Fuzz(func(t *testing.T, line, sum string) {
		err := checkGreeting("/run/board.sock", line, sum)
		require.Equal(t, line == greeting+sum, err == nil, "%v", err)
		if err != nil {
			require.Less(t, len(err.Error()), 400)
			require.True(t, utf8.ValidString(err.Error()))
			require.False(t, strings.ContainsFunc(err.Error(), unicode.IsControl), "%q", err)
		}
	})
}

// The tail is the last line that is not blank, however the writes are split.
func FuzzLogTail(f *testing.F) {
	f.Add("panic: x\n\ngoroutine 1\n", uint8(1))
	f.Add(strings.Repeat("x", 2*maxLine)+"\n \n", uint8(99))
	f.Add("a\nb\xff\x00c", uint8(2))
	f.Fuzz(func(t *testing.T, text string, size uint8) {
		pieces, want := logTail{}, ""
		for left := text; left != ""; {
			n := min(int(size)+1, len(left))
			pieces.note([]byte(left[:n]))
			require.LessOrEqual(t, len(pieces.line), maxLine)
			left = left[n:]
		}
		for line := range strings.SplitSeq(text, "\n") {
			if text := strings.TrimSpace(line[:min(len(line), maxLine)]); text != "" {
				want = strings.ToValidUTF8(text, "?")
			}
		}
		require.Equal(t, want, pieces.String())
	})
}
