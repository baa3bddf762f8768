// Package filename says what a camera's file may be called on this machine.
package filename

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// MaxBytes leaves room to number a name in the 255 that file systems have.
const MaxBytes = 240

// MaxRunes of any script fit into MaxBytes.
const MaxRunes = MaxBytes / utf8.UTFMax

// Usable reports whether a name is a plain file name that cannot be taken for another: no path, not hidden, without
// invisible characters, and without a space at an end or beside another, as a page shows the same without it.
func Usable(name string) bool {
	stem := name
	if at := strings.LastIndexByte(name, '.'); at >= 0 {
		stem = name[:at]
	}
	spaced := strings.Contains(name, "  ") || strings.Trim(stem, " ") != stem || strings.Trim(name, " ") != name
	return name != "" && utf8.ValidString(name) && !strings.HasPrefix(name, ".") && !strings.ContainsAny(name, `/\:`) &&
		!strings.ContainsFunc(name, unseen) && !spaced
}

// Visible is a name in quotes, with what cannot be seen in it written out.
func Visible(name string) string {
	var text strings.Builder
	for _, r := range strings.ToValidUTF8(name, "\ufffd") {
		if !unseen(r) {
			text.WriteRune(r)
			continue
		}
		fmt.Fprintf(&text, "(U+%04X)", r)
	}
	return "\u201c" + text.String() + "\u201d"
}

// unseen reports whether a character has no look of its own: controls, what Unicode has ignored where it is not
// supported (its property Default_Ignorable_Code_Point), any blank but the plain space, and what is of no script yet.
func unseen(r rune) bool {
	const brailleBlank = '\u2800' // a symbol, by Unicode
	return r == brailleBlank || r != ' ' && unicode.Is(unicode.White_Space, r) ||
		unicode.In(r, unicode.Cc, unicode.Cf, unicode.Co, unicode.Zl, unicode.Zp, unicode.Other_Default_Ignorable_Code_Point,
			unicode.Variation_Selector) || !unicode.In(r, unicode.L, unicode.M, unicode.N, unicode.P, unicode.S, unicode.Zs)
}
