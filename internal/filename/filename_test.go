package filename

import (
	"testing"
	"unicode"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
)

func TestUsable(t *testing.T) {
	for name, want := range map[string]bool{
		"PICT0471.JPG": true, "drop on milk 2.jpg": true, "Fl\u00fcssigkeit.dng": true, "\u6c34.jpg": true, "-a.jpg": true,
		"": false, ".a.jpg": false, "..": false, "a/b.jpg": false, `a\b.jpg`: false, "c:a.jpg": false, "a\nb.jpg": false,
		"a\x00.jpg": false, "a\u007f.jpg": false, "a\xff.jpg": false, "a\u202egpj.jpg": false, "a\u2067.jpg": false,
		"a\u2028.jpg": false, "a\u00ad.jpg": false, "a\u200b.jpg": false, "a\u200c.jpg": false, "a\u200d.jpg": false,
		"drop  2.jpg": false, " a.jpg": false, "a .jpg": false, "a.jpg ": false, "a\u034f.jpg": false, "a\ufe0f.jpg": false,
		"a\U000e0101.jpg": false, "\u115f.jpg": false, "a\u1160.jpg": false, "a\u3164.jpg": false, "a\uffa0.jpg": false,
		"a\u2800.jpg": false, "a\u00a0b.jpg": false, "a\u202f.jpg": false, "a\u3000.jpg": false, "a\u17b4.jpg": false,
		"a\U000e0020.jpg": false, "a\U000e01f0.jpg": false, "a\ufff0.jpg": false, "a\ue000.jpg": false, " ": false,
		"a\u200e.jpg": false, "a\u200f.jpg": false, "a\u2060.jpg": false, "\ufeffa.jpg": false,
	} {
		assert.Equal(t, want, Usable(name), "%q", name)
	}
}

// Every character that a name may have is seen: it is in no class of those that Unicode has without a look.
func TestNothingUnseenIsUsable(t *testing.T) {
	for r := rune(1); r <= unicode.MaxRune; r++ {
		blank := r != ' ' && unicode.IsSpace(r) || !unicode.IsPrint(r) && r != ' '
		if blank && utf8.ValidRune(r) {
			assert.False(t, Usable("a"+string(r)+"b.jpg"), "%U", r)
		}
	}
}

func TestVisible(t *testing.T) {
	for name, want := range map[string]string{"PICT0471.JPG": "\u201cPICT0471.JPG\u201d",
		"a\u3164\ufe0f.jpg": "\u201ca(U+3164)(U+FE0F).jpg\u201d", "a\nb.jpg": "\u201ca(U+000A)b.jpg\u201d",
		"\u6c34\xff.jpg": "\u201c\u6c34\ufffd.jpg\u201d"} {
		assert.Equal(t, want, Visible(name))
	}
}
