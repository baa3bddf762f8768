package main

import (
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// What a reader sees, drawings, plans, tables, KiCad's files, calls no part by the name of its type in circuits.txt
// where there is a number for it.
func TestReadersSeeNumbersNotTypes(t *testing.T) {
	d := design(t)
	drawn, err := readDrawn(hardware)
	require.NoError(t, err)
	d.Boards = append(d.Boards, drawn.Boards...)
	var files []string
	for _, pattern := range []string{"*.md", "generated/*.svg", "boards/*.kicad_sch", "boards/*.kicad_pcb"} {
		found, err := filepath.Glob(filepath.Join(hardware, pattern))
		require.NoError(t, err)
		require.NotEmpty(t, found, pattern)
		files = append(files, found...)
	}
	var types []string
	for _, b := range d.Boards {
		for _, p := range b.Parts {
			if p.Value == "" && p.Printed() != strings.ReplaceAll(p.Type.Name, "_", " ") {
				types = append(types, p.Type.Name, strings.ReplaceAll(p.Type.Name, "_", " "))
			}
		}
	}
	slices.Sort(types)
	types = slices.Compact(types)
	require.Greater(t, len(types), 20)
	kind := "(" + strings.Join(types, "|") + ")" // plain words
	seen := regexp.MustCompile(`>([A-Z]+\d+ )?` + kind + `\)?</text>|\| ` + kind + ` \||"Value" "` + kind +
		`"|gr_text "` + kind + `"`)
	assert.Equal(t, "| fuse5 |", seen.FindString("| F901 | fuse5 | 1 b2 |"))
	assert.Equal(t, ">Q4 fet rail</text>", seen.FindString(`<text x="1">Q4 fet rail</text>`))
	for _, file := range files {
		name, err := filepath.Rel(hardware, file)
		require.NoError(t, err)
		text := read(t, name)
		if before, after, ok := strings.Cut(text, "(lib_symbols"); ok { // the library's own names, hidden
			_, after, _ = strings.Cut(after, "(symbol (lib_id")
			text = before + after
		}
		assert.Empty(t, seen.FindString(text), "%s calls a part by its type", name)
	}
}
