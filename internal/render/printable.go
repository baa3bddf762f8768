package render

import (
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"
)

// maxLineBytes is as much of one line as somebody reads.
const maxLineBytes = 1000

// Printable is a message to a person, with words in it that came from outside: they cannot move the cursor, turn the
// direction of writing or fill the screen.
func Printable(text string) string {
	lines := strings.Split(text, "\n")
	for i, line := range lines {
		var b strings.Builder
		for at, r := range line {
			if b.Len() > maxLineBytes {
				b.WriteString("...")
				break
			}
			switch {
			case r == utf8.RuneError && !strings.HasPrefix(line[at:], "\ufffd"):
				fmt.Fprintf(&b, `\x%02x`, line[at])
			case strconv.IsPrint(r):
				b.WriteRune(r)
			default:
				b.WriteString(strings.Trim(strconv.QuoteRune(r), "'"))
			}
		}
		lines[i] = b.String()
	}
	return strings.Join(lines, "\n")
}
