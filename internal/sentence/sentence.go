// Package sentence makes sentences of reasons and remedies, which as errors begin small and end open.
package sentence

import (
	"strings"
	"unicode"
	"unicode/utf8"
)

// From is words with a capital at the beginning and a full stop at the end; nothing remains nothing.
func From(words string) string {
	if words == "" {
		return ""
	}
	return Capital(strings.TrimSuffix(words, ".")) + "."
}

// Capital is words with a capital at the beginning.
func Capital(words string) string {
	first, size := utf8.DecodeRuneInString(words)
	if size == 0 {
		return ""
	}
	return string(unicode.ToUpper(first)) + words[size:]
}
