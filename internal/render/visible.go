package render

import (
	"bytes"
	"fmt"
	"io"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// active reports whether a character does something on a terminal besides being there: it controls it, ends a line or
// turns the direction of writing (Unicode Standard Annex 9, from memory). What joins letters or emoji does not.
func active(r rune) bool {
	return unicode.IsControl(r) || r == '\u2028' || r == '\u2029' || unicode.Is(unicode.Bidi_Control, r)
}

// Visible returns what writes text to w. On a terminal, characters that would move the cursor or turn the direction of
// writing are shown as Printable shows them; a file gets the text as it is. The text ends with a line's end.
func Visible(w io.Writer) io.Writer {
	if !IsTerminal(w) {
		return w
	}
	return &visible{to: w}
}

type visible struct {
	to   io.Writer
	rest []byte // of a character that is not all there yet
}

func (v *visible) Write(p []byte) (int, error) {
	text := append(v.rest, p...)
	var out bytes.Buffer
	for len(text) > 0 && utf8.FullRune(text) {
		r, size := utf8.DecodeRune(text)
		switch {
		case r == utf8.RuneError && size == 1:
			fmt.Fprintf(&out, `\x%02x`, text[0])
		case active(r) && r != '\n':
			out.WriteString(strings.Trim(strconv.QuoteRune(r), "'"))
		default:
			out.Write(text[:size])
		}
		text = text[size:]
	}
	v.rest = bytes.Clone(text)
	if _, err := v.to.Write(out.Bytes()); err != nil {
		return 0, err
	}
	return len(p), nil
}

// escapeActive writes such characters in JSON as \u and their number, which means the same.
func escapeActive(text []byte) []byte {
	if bytes.IndexFunc(text, activeInJSON) < 0 {
		return text
	}
	var out bytes.Buffer
	for _, r := range string(text) {
		if activeInJSON(r) {
			fmt.Fprintf(&out, `\u%04x`, r) // all of them are below U+10000
		} else {
			out.WriteRune(r)
		}
	}
	return out.Bytes()
}

// activeInJSON leaves out what stands between values.
func activeInJSON(r rune) bool { return active(r) && r != '\n' }
