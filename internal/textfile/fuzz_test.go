package textfile

import (
	"bytes"
	"errors"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/require"
)

// Decoded text is UTF-8 and complete but for one byte-order mark; an error says which byte is not UTF-8.
func FuzzDecode(f *testing.F) {
	for _, seed := range []string{"", "a = 1\n", "\ufeffa", "\ufeff\ufeff", "\ufeffa\n\xff", "\xff\xfea\x00",
		"\xed\xa0\x80", "a\xc3"} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		plain, err := Decode(text)
		var at NotUTF8
		switch {
		case errors.As(err, &at):
			require.True(t, utf8.Valid(text[:at]))
			_, size := utf8.DecodeRune(text[at:])
			require.Equal(t, 1, size)
			require.False(t, utf8.FullRune(text[at:]) && utf8.Valid(text[at:at+1]))
		case err != nil:
			require.ErrorIs(t, err, ErrUTF16)
			require.False(t, utf8.Valid(text), "no text is both")
		default:
			require.True(t, utf8.Valid(plain))
			mark := []byte("\ufeff")
			if bytes.HasPrefix(text, mark) {
				plain = append(mark, plain...)
			}
			require.True(t, bytes.Equal(plain, text), "%q", plain)
		}
	})
}
