// Package filename says what a camera's file may be called on this machine.
package filename

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// Usable reports whether a name is a plain file name: no path, not hidden, without invisible characters.
func Usable(name string) bool {
	unseen := func(r rune) bool { // U+200B to U+200F, U+2060 and U+FEFF are in Cf, as are those that turn a text round
		return unicode.In(r, unicode.Cc, unicode.Cf, unicode.Zl, unicode.Zp)
	}
	return name != "" && utf8.ValidString(name) && !strings.HasPrefix(name, ".") && !strings.ContainsAny(name, `/\:`) &&
		!strings.ContainsFunc(name, unseen)
}
