package main

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/elevation"
	"stillwater/internal/phys"
	"stillwater/internal/record"
	"stillwater/internal/shot"
)

// The calculators draw the set that they are given, beside their answer or instead of it.
func TestCalculatorsDraw(t *testing.T) {
	file := filepath.Join(t.TempDir(), "set.svg")
	for line, kind := range map[string]shot.Kind{"drop --height 55cm": shot.Drop, "throw --angle 30deg": shot.Throw,
		"sound --distance 3m --after 50ms": shot.Sound} {
		status, out, problem := calculate(t, line+" --svg "+file)
		require.Zero(t, status, problem)
		assert.Contains(t, out, "Drawing written to "+file)
		drawn, err := os.ReadFile(file)
		require.NoError(t, err)
		_, plain, _ := calculate(t, line)
		assert.Equal(t, plain, strings.TrimPrefix(out, "Drawing written to "+file+".\n"), "the answer is the same")

		status, direct, problem := calculate(t, line+" --svg -")
		require.Zero(t, status, problem)
		assert.Equal(t, string(drawn), direct, "and nothing else")
		assert.Contains(t, direct, map[shot.Kind]string{"drop": "55\u00a0cm", "throw": "30°", "sound": "3\u00a0m"}[kind])

		status, answer, problem := calculate(t, line+" --json --svg "+file)
		require.Zero(t, status, problem)
		assert.True(t, json.Valid([]byte(answer)), answer)
	}
}

// What cannot work is drawn, and refused as without a drawing.
func TestDrawingOfWhatCannotWork(t *testing.T) {
	file := filepath.Join(t.TempDir(), "set.svg")
	plain, _, words := calculate(t, "drop --beam 50cm")
	status, out, problem := calculate(t, "drop --beam 50cm --svg "+file)
	assert.Equal(t, plain, status)
	assert.NotZero(t, status)
	assert.Equal(t, words, problem)
	assert.Equal(t, "Drawing written to "+file+".\n", out)
	drawn, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Contains(t, string(drawn), "cannot work")
}

// A drawing that cannot be written says where and what to do.
func TestDrawingToNowhere(t *testing.T) {
	folder := t.TempDir()
	for path, words := range map[string]string{
		filepath.Join(folder, "none", "set.svg"): "name a file in a folder you may write to",
		folder:                                   "name another",
	} {
		status, out, problem := calculate(t, "drop --svg "+path)
		assert.NotZero(t, status)
		assert.Empty(t, out)
		assert.Contains(t, problem, "drop: --svg: "+path)
		assert.Contains(t, problem, words)
	}
}

// The record draws the set that a session has, and the one that a shot had, with the throw that it was.
func TestRecordDraws(t *testing.T) {
	state, j := evening(t)
	set := unusualSets(t)[1]
	made := record.Shot{Session: 1, At: time.Unix(0, 0), Status: "done", Set: setText(t, set), IntervalNs: 21e6,
		DelayNs: 2e8}
	_, err := j.Add(t.Context(), made)
	require.NoError(t, err)
	status, direct, problem := runRecord(t, state, "record", "show", "1/3", "--svg", "-")
	require.Zero(t, status, problem)
	want := elevation.Draw(set, elevation.Options{Interval: phys.Time(21e-3)})
	shapes := want.SVG[strings.Index(want.SVG, `<path class="way"`):strings.Index(want.SVG, "<text")]
	assert.Contains(t, direct, shapes)
	assert.Contains(t, direct, "The set of shot 3 of session 1")
	assert.NotContains(t, elevation.Draw(set, elevation.Options{}).SVG, shapes, "another throw of the same set")

	file := filepath.Join(t.TempDir(), "set.svg")
	status, out, problem := runRecord(t, state, "record", "show", "1", "--svg", file)
	require.Zero(t, status, problem)
	assert.Equal(t, "Drawing written to "+file+".\n", out)
	assert.FileExists(t, file)

	status, _, problem = runRecord(t, state, "record", "show", "1/99", "--svg", file)
	assert.NotZero(t, status)
	assert.Contains(t, problem, "session 1 has no shot 99")
	status, _, problem = runRecord(t, state, "record", "show", "1", "--json", "--svg", file)
	assert.NotZero(t, status)
	assert.Contains(t, problem, "--svg and --json")
	status, _, problem = runRecord(t, state, "record", "show", "1", "--svg", j.Path())
	assert.NotZero(t, status)
	assert.Contains(t, problem, "is the journal itself")
}
