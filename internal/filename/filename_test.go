package filename

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestUsable(t *testing.T) {
	for name, want := range map[string]bool{
		"PICT0471.JPG": true, "drop on milk 2.jpg": true, "Fl\u00fcssigkeit.dng": true, "\u6c34.jpg": true, "-a.jpg": true,
		"": false, ".a.jpg": false, "..": false, "a/b.jpg": false, `a\b.jpg`: false, "c:a.jpg": false, "a\nb.jpg": false,
		"a\x00.jpg": false, "a\u007f.jpg": false, "a\xff.jpg": false, "a\u202egpj.jpg": false, "a\u2067.jpg": false,
		"a\u2028.jpg": false, "a\u00ad.jpg": false, "a\u200b.jpg": false, "a\u200c.jpg": false, "a\u200d.jpg": false,
		"a\u200e.jpg": false, "a\u200f.jpg": false, "a\u2060.jpg": false, "\ufeffa.jpg": false,
	} {
		assert.Equal(t, want, Usable(name), "%q", name)
	}
}
