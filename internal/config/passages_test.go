package config

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestPassages(t *testing.T) {
	text := "name = \"x\" # y\n[board]\nkind = 'gpio'\nheartbeat = { pin = \"A\" }\n[[board.input]]\nname = \"a\"\n" +
		"line = 3\n\n [[ board . input ]] # b\nname = \"b\"\n[board.input.x]\n[control]\n"
	all := Passages([]byte(text))
	type short struct{ name, whole, value, text string }
	var got []short
	for _, p := range all {
		got = append(got, short{p.Name, text[p.Start:p.End], text[p.Value[0]:p.Value[1]], p.Text})
	}
	assert.Equal(t, []short{
		{"name", `name = "x"`, `"x"`, "x"},
		{"board", "[board]", "", ""},
		{"board.kind", "kind = 'gpio'", "'gpio'", "gpio"},
		{"board.heartbeat", `heartbeat = { pin = "A" }`, "", ""},
		{"board.heartbeat.pin", `pin = "A"`, `"A"`, "A"},
		{"board.input[0]", "[[board.input]]", "", ""},
		{"board.input[0].name", `name = "a"`, `"a"`, "a"},
		{"board.input[0].line", "line = 3", "3", ""},
		{"board.input[1]", " [[ board . input ]]", "", ""},
		{"board.input[1].name", `name = "b"`, `"b"`, "b"},
		{"board.input.x", "[board.input.x]", "", ""},
		{"control", "[control]", "", ""},
	}, got)
	assert.True(t, all[4].Inline)
	assert.Empty(t, Passages([]byte("a = 1\n[b")), "no TOML")
}

// Whatever the text, passages lie within it, in their order, and those outside of values do not overlap.
func FuzzPassages(f *testing.F) {
	f.Add("[board]\nkind = \"gpio\"\n[[board.input]]\nname = \"beam\"\n")
	f.Add("a.b = [ { c = 1 }, [2], \"]\" ]\r\n[\"x]y\".z]\n")
	f.Add("a = \"\"\"\n[b]\n\"\"\"\n[[\"c\"]]\n")
	f.Fuzz(func(t *testing.T, text string) {
		at := 0
		for _, p := range Passages([]byte(text)) {
			require.True(t, 0 <= p.Start && p.Start < p.End && p.End <= len(text), "%+v", p)
			require.True(t, p.Value == [2]int{} || p.Start < p.Value[0] && p.Value[1] <= p.End, "%+v", p)
			if p.Inline {
				continue
			}
			require.GreaterOrEqual(t, p.Start, at)
			require.True(t, !p.Table || strings.Contains(text[p.Start:p.End], "["))
			at = p.End
		}
	})
}
