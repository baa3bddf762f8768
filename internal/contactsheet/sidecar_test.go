package contactsheet

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/need"
	"stillwater/internal/shot"
)

// Another program finds in the sidecar files what the record says; a hostile one costs itself only; originals stay.
func TestSidecars(t *testing.T) {
	source, folder := evening(t)
	set, err := json.Marshal(shot.DefaultSet())
	require.NoError(t, err)
	source[3].Set = string(set)
	in := func(name string) string { return filepath.Join(folder.Path(), name) }
	original, err := os.ReadFile(in("PICT0473.JPG"))
	require.NoError(t, err)
	bomb := []byte(`<!DOCTYPE a [<!ENTITY b "bbbb">]><a>&b;</a>`)
	require.NoError(t, os.WriteFile(in("PICT0472.xmp"), bomb, 0o666))

	s := sheetOf(t, source, folder)
	var out bytes.Buffer
	require.NoError(t, s.writeSidecars(t.Context(), folder, Files{Say: &out, DryRun: true}), "a dry run")
	assert.Equal(t, 6, strings.Count(out.String(), "Would be written"))
	assert.NoFileExists(t, in("PICT0473.xmp"))
	out.Reset()
	err = s.writeSidecars(t.Context(), folder, Files{Say: &out})
	assert.ErrorContains(t, err, "could not be written, left unchanged: 1")
	assert.Contains(t, out.String(), "PICT0472.xmp: it declares a document type or entities")
	assert.Contains(t, out.String(), "Sidecar files: 6 written, 0 up to date; shots without a certain frame here: 1.")
	for name, want := range map[string][]byte{"PICT0472.xmp": bomb, "PICT0473.JPG": original} {
		text, err := os.ReadFile(in(name))
		require.NoError(t, err)
		assert.Equal(t, want, text, name)
	}
	out.Reset()
	assert.Error(t, s.writeSidecars(t.Context(), folder, Files{Say: &out}))
	assert.Contains(t, out.String(), "0 written, 6 up to date", "a second run changes nothing")

	tool := need.Tool(t, "exiftool")
	text, err := exec.Command(tool, "-j", in("PICT0473.xmp"), in("PICT0471.xmp")).Output()
	require.NoError(t, err)
	var read []struct {
		Rating             int
		Label, Description string
		Subject            []string
	}
	require.NoError(t, json.Unmarshal(text, &read), "%s", text)
	assert.Equal(t, []any{5, "good", "<b>rim</b>"}, []any{read[0].Rating, read[0].Label, read[0].Description})
	assert.Equal(t, []string{"stillwater", "session 4", "shot 4", "delay 91.0 ms", "Crowns", "drop", "height 40 cm",
		"nozzle 3 mm", "liquid water", "phase column-highest", "trim 0 s"}, read[0].Subject)
	assert.Equal(t, []any{0, ""}, []any{read[1].Rating, read[1].Label}, "unjudged")
}

// A name with a line's end and a mark that turns text round is shown in one line wherever it is written; the file is
// found by it all the same.
func TestOddNames(t *testing.T) {
	source, folder := evening(t)
	const odd = "PICT\n\u202e0471"
	in := func(name string) string { return filepath.Join(folder.Path(), name) }
	require.NoError(t, os.Rename(in("PICT0471.JPG"), in(odd+".JPG")))
	s := sheetOf(t, source, folder)
	require.Equal(t, odd, s.Rows[0].name())
	var table, html, csv, said bytes.Buffer
	require.NoError(t, s.Write(&table))
	assert.Regexp(t, `(?m)^ *1 .*certain`, table.String(), "one line")
	require.NoError(t, s.WriteHTML(t.Context(), &html, folder, All))
	require.NoError(t, s.WriteCSV(&csv))
	require.NoError(t, s.writeSidecars(t.Context(), folder, Files{Say: &said, DryRun: true}))
	for _, text := range []string{table.String(), html.String(), csv.String(), said.String()} {
		assert.NotContains(t, text, "\u202e")
		assert.NotContains(t, text, "PICT\n")
		assert.Contains(t, text, "0471", "%.40s", text)
	}
	require.NoError(t, s.writeSidecars(t.Context(), folder, Files{Say: &said}))
	assert.FileExists(t, in(odd+".xmp"))

	said.Reset()
	s.Rows[3].Shot.Note = "another"
	require.NoError(t, os.Remove(in("PICT0472.xmp")))
	require.NoError(t, s.writeSidecars(t.Context(), folder, Files{Say: &said, DryRun: true}))
	assert.Equal(t, "Would be written: PICT0472.xmp\nWould be changed: PICT0473.xmp\n", said.String())
}
