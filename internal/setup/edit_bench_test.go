package setup

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// What one run of setup costs, by what there is to do.
func BenchmarkEdit(b *testing.B) {
	must := func(text string, want Answers) string {
		edited, _, err := Edit("x.toml", []byte(text), want, "")
		require.NoError(b, err)
		return string(edited)
	}
	whole := must(Blank, everything())
	few := must(whole, first())
	for _, c := range []struct {
		name, text string
		want       Answers
	}{
		{"nothing is changed", whole, everything()},
		{"all is new", Blank, everything()},
		{"most is switched off", whole, first()},
		{"most is taken up again", few, everything()},
		{"200 others are switched off", Blank + strings.Repeat("#off [[board.input]]\n#off name = \"other\"\n\n", 200),
			everything()},
	} {
		b.Run(c.name, func(b *testing.B) {
			for b.Loop() {
				must(c.text, c.want)
			}
		})
	}
}
