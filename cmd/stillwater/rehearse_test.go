package main

import (
	"image/png"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestRehearseWritesPictures(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "new", "folder")
	status, out, errs := calculate(t, "rehearse --width 48 --set drop.liquid=milk --gel amber --png "+dir)
	require.Zero(t, status, errs)
	assert.Contains(t, out, "crown-highest-1.png: the crown at its highest")
	file, err := os.Open(filepath.Join(dir, "column-highest-1.png"))
	require.NoError(t, err)
	defer file.Close()
	img, err := png.Decode(file)
	require.NoError(t, err)
	assert.Equal(t, 48, img.Bounds().Dx())
	assert.Equal(t, 32, img.Bounds().Dy())

	status, out, errs = calculate(t, "rehearse --width 48 --kind throw --late 5ms --png "+dir)
	require.Zero(t, status, errs)
	assert.Contains(t, out, "mm past the focus spot")
}

func TestRehearseSaysWhatIsWrong(t *testing.T) {
	dir := t.TempDir()
	for line, want := range map[string]string{
		"":                           "give a folder",
		" --kind sound --png " + dir: "use drop or throw",
		" --gel plaid --png " + dir:  "use one of blue",
		" --set drop.fluid=milk":     "there is no such field",
		" --width 9000 --png " + dir: "pixels or fewer",
	} {
		status, _, errs := calculate(t, "rehearse"+line)
		assert.NotZero(t, status)
		assert.Contains(t, errs, want)
	}
}
