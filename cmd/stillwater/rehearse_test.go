package main

import (
	"encoding/json"
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

	status, out, errs = calculate(t, "rehearse --width 48 --kind drops --seed 3 --png "+dir)
	require.Zero(t, status, errs)
	assert.Contains(t, out, "sheet-widest-3.png: the sheet at its widest")
}

func TestRehearseSaysWhatIsWrong(t *testing.T) {
	dir := t.TempDir()
	for line, want := range map[string]string{
		"":                           "give a folder",
		" --kind sound --png " + dir: "a sound has no picture",
		" --kind plop --png " + dir:  "use drop, drops or throw",
		" --gel plaid --png " + dir:  "use one of blue",
		" --set drop.fluid=milk":     "there is no such field",
		" --width 9000 --png " + dir: "use 12 to 1920",

		" --set kind=sound --png " + dir: "a sound has no picture",
		" --set kind=drops --tries 3":    "use drop or throw",
		" --tries 3 --png " + dir:        "--png is for pictures",
		" --tries 3 --late 5ms":          "--late is for pictures",
		" --json --png " + dir:           "--json is for tries",
		" --method hand --png " + dir:    "--method is for tries",
	} {
		status, _, errs := calculate(t, "rehearse"+line)
		assert.NotZero(t, status)
		assert.Contains(t, errs, want)
	}
}

// Many tries are summed up, in words and as JSON; a set that is given is the one that is tried.
func TestRehearseTries(t *testing.T) {
	status, out, errs := calculate(t, "rehearse --tries 50 --seed 1 --method gates --set throw --json")
	require.Zero(t, status, errs)
	var report struct {
		Set    string  `json:"set"`
		Within float64 `json:"share_within_15mm"`
		Gate   float64 `json:"gate_mm"`
		Tries  int     `json:"tries"`
	}
	require.NoError(t, json.Unmarshal([]byte(out), &report))
	assert.Equal(t, []any{"throw", 200.0, 50}, []any{report.Set, report.Gate, report.Tries})
	assert.Greater(t, report.Within, 0.8)
	status, out, errs = calculate(t, "rehearse --tries 20 --kind throw --set throw.to_focus=60cm --method one-beam")
	require.Zero(t, status, errs)
	assert.Regexp(t, `20 tries, 1\d pictures|20 tries, 20 pictures`, out)
	status, out, errs = calculate(t, "rehearse --tries 20 --placing beginner --set throw")
	require.Zero(t, status, errs)
	assert.Contains(t, out, "Better: 20 cm between the beams and the second 8 cm before the focus spot, their "+
		"light 12 mm high")
	status, out, errs = calculate(t, "rehearse --sweep=-10ms,10ms,10ms,3 --shuffled --room still")
	require.Zero(t, status, errs)
	assert.Regexp(t, `-10.0 ms +[0-9]+ +[0-9]+ `, out)
	assert.Contains(t, out, "In a simulated room (still, seed 1), no real hardware.")
	for line, says := range map[string]string{"--tries -1": "use 1 to", "--tries 5 --sweep 1ms,2ms,1ms,1": "give one",
		"--tries 5 --room attic": "use one of still", "--sweep 1ms": "FROM,TO",
		"--tries 5 --shuffled":   "--shuffled is of a sweep",
		"--tries 5 --method eye": "use gates, one-beam or hand", "--tries 5 --placing odd": "use well or beginner",
		"--tries 5 --set sound": "use drop or throw"} {
		status, _, errs := calculate(t, "rehearse "+line)
		assert.Equal(t, 2, status, line)
		assert.Contains(t, errs, says, line)
	}
}
