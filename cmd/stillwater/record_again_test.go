package main

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/commandline"
	"stillwater/internal/export"
	"stillwater/internal/record"
	"stillwater/internal/shot"
)

func setText(t testing.TB, set shot.Set) string {
	t.Helper()
	text, err := json.Marshal(set)
	require.NoError(t, err)
	return string(text)
}

// unusualSets, as the record has them, have hardly a value of the usual set in what their kind uses.
func unusualSets(t *testing.T) []shot.Set {
	drop, throw, sound := shot.DefaultSet(), shot.DefaultSet(), shot.DefaultSet()
	drop.Drop = shot.DropSet{Height: 0.35, Beam: 0.06, Nozzle: 2.5e-3, Diameter: 4.2e-3, Liquid: "milk",
		Phase: "crown-highest", PoolDepth: 0.05, PoolLiquid: "same", Nth: 3}
	drop.Light = shot.LightSet{Expose: shot.FlashInDark, Shutter: shot.ByHand, Lag: 0.055, LagScatter: 1.5e-3, OpenFor: 4,
		Recycle: 3}
	drop.Trim.Drop, drop.Trim.Sound = -3.5e-3, 1e-3
	throw.Kind, throw.Trim.Throw = shot.Throw, 16e-3
	throw.Throw = shot.ThrowSet{Gate: 0.12, ToFocus: 0.9, Angle: -5 * 3.141592653589793 / 180, SpeedLow: 3.5, SpeedHigh: 7,
		Mass: 0.04, AboveFloor: 1.1}
	sound.Kind, sound.Trim.Sound = shot.Sound, 250e-6
	sound.Sound = shot.SoundSet{Distance: 2.25, Temperature: -3.5, After: 0.12}
	sets := []shot.Set{drop, throw, sound}
	for i := range sets {
		var err error
		sets[i], err = shot.ParseSet(setText(t, sets[i]))
		require.NoError(t, err)
	}
	return sets
}

// What "record again" prints of a shot gives the same set and the same delay, as flags and as a file.
func TestRecordAgainRoundTrips(t *testing.T) {
	for _, set := range unusualSets(t) {
		t.Run(string(set.Kind), func(t *testing.T) {
			state, j := evening(t)
			estimate, err := set.Estimate()
			if set.Kind == shot.Throw {
				estimate, err = set.EstimateAt(25e-3)
			}
			require.NoError(t, err)
			made := record.Shot{Session: 1, At: time.Unix(0, 0), Status: "done", Set: setText(t, set),
				IntervalNs: estimate.Interval.Duration().Nanoseconds(), DelayNs: estimate.Delay.Duration().Nanoseconds()}
			_, err = j.Add(t.Context(), made)
			require.NoError(t, err)
			file := filepath.Join(t.TempDir(), "set.json")
			status, out, problem := runRecord(t, state, "record", "again", "1/3")
			require.Zero(t, status, problem)
			assert.NotContains(t, out, "Not carried over")
			status, said, problem := runRecord(t, state, "record", "again", "1/3", "--out", file)
			require.Zero(t, status, problem)
			assert.Contains(t, said, file)
			status, entry, problem := runRecord(t, state, "record", "again", "1/3", "--json")
			require.Zero(t, status, problem)
			var again export.StoredSetEntry
			require.NoError(t, json.Unmarshal([]byte(entry), &again))
			assert.Equal(t, set, again.Set)
			assert.Empty(t, again.Lost)

			text, err := os.ReadFile(file)
			require.NoError(t, err)
			assert.Contains(t, out, string(text), "the file is printed, too")
			line := strings.Split(out, "\n")[2]
			assert.Equal(t, line, strings.Join(again.Command, " "), "nothing in it needs quotes")
			assert.Equal(t, set, setOf(t, again.Command))
			fromFile := []string{"stillwater", string(set.Kind), "--set-file", file}
			assert.Equal(t, set, setOf(t, fromFile))
			if set.Kind == shot.Throw {
				fromFile = append(fromFile, "--interval", "25ms")
			}
			for _, words := range [][]string{again.Command, fromFile} {
				assert.InDelta(t, float64(estimate.Delay)*1e3, delayOf(t, words), 1e-6, words)
			}
		})
	}
}

// setOf is the set that a command line has.
func setOf(t *testing.T, command []string) shot.Set {
	t.Helper()
	c := map[string]func() *calculator{"drop": newDrop, "sound": newSound, "throw": func() *calculator {
		c := newThrow()
		return c
	}}[command[1]]()
	require.NoError(t, commandline.Parse(c.flags, command[2:]))
	require.Zero(t, c.flags.NArg())
	return c.set
}

// delayOf is the delay from the edge that a command line says, in ms.
func delayOf(t *testing.T, command []string) float64 {
	t.Helper()
	got := answer(t, strings.Join(command[1:], " "))
	if delay, sound := got["edge_to_moment_ms"]; sound {
		return delay
	}
	return got["delay_ms"]
}

// A session has its set as last changed, and what cannot be carried over is said.
func TestRecordAgainSaysWhatIsLost(t *testing.T) {
	state, j := evening(t)
	status, out, problem := runRecord(t, state, "record", "again", "1")
	require.Zero(t, status, problem)
	assert.Contains(t, out,
		"The set of session 1, \"=crowns\", as last changed.\n\nstillwater drop --height 40cm --beam 5cm")
	assert.Contains(t, out, "Not carried over:\n- Fields that the record does not have")
	assert.Contains(t, out, "drop.height, drop.beam")

	throw := unusualSets(t)[1]
	stored := strings.Replace(setText(t, throw), "{", `{"lens":"long",`, 1)
	stored = strings.Replace(stored, `"drop":{"height"`, `"drop":{"colour":"red","height"`, 1)
	require.NoError(t, j.SaveSet(t.Context(), 1, stored))
	_, err := j.Add(t.Context(), record.Shot{Session: 1, At: time.Unix(0, 0), Status: "done", Set: stored,
		IntervalNs: 25e6, DelayNs: 1e6})
	require.NoError(t, err)
	_, out, _ = runRecord(t, state, "record", "again", "1")
	assert.Contains(t, out, "- Fields that this version does not know: drop.colour, lens.\n")
	assert.Contains(t, out, " --interval 2", "a throw in the middle of those that are accepted")
	require.NoError(t, j.SaveSet(t.Context(), 1, `{"size":1}`))
	status, _, problem = runRecord(t, state, "record", "again", "1")
	assert.Equal(t, 1, status)
	assert.Contains(t, problem, "it contains no field of a set")
	_, out, _ = runRecord(t, state, "record", "again", "1/3")
	assert.Contains(t, out, " --interval 25ms")
	assert.Contains(t, out, "- The set alone gives a delay of ")
}

func TestRecordAgainWrongUse(t *testing.T) {
	state, _ := evening(t)
	dir := t.TempDir()
	other := filepath.Join(dir, "throw.json")
	require.NoError(t, os.WriteFile(other, []byte(setText(t, unusualSets(t)[1])), 0o600))
	partial := filepath.Join(dir, "partial.json")
	require.NoError(t, os.WriteFile(partial, []byte(`{"kind":"drop"}`), 0o600))
	for _, c := range []struct {
		args   string
		status int
		says   []string
	}{
		{"record again", 2, []string{"expected one ID", "SESSION/SHOT", "record find"}},
		{"record again 1 2", 2, []string{"expected one ID"}},
		{"record again x", 2, []string{`ID "x"`, "latest"}},
		{"record again 1/x", 2, []string{`ID "1/x"`, "like 3/17"}},
		{"record again 1/0", 2, []string{`ID "1/0"`}},
		{"record again 9", 1, []string{"there is no session 9"}},
		{"record again 1/9", 1, []string{`ID "1/9"`, "has no shot 9", "record show 1"}},
		{"record again 2", 1, []string{"the set of session 2 cannot be read", "record export --json"}},
		{"record again 2/1", 1, []string{"the set of shot 2/1 cannot be read"}},
		{"record again 1 --out /no/such/file", 1, []string{"--out"}},
		{"record again 1 --format csv", 2, []string{"--format"}},
		{"record find", 2, []string{"WORDS", "there are none"}},
		{"record find --out x", 2, []string{"--out"}},
		{"record export --json --format csv", 2, []string{"--json", "--format csv", "give one"}},
		{"drop --set lag", 2, []string{`--set "lag"`, "FIELD=VALUE"}},
		{"drop --set drop.hight=40cm", 2, []string{"drop.hight", "no such field", "drop.height"}},
		{"drop --set drop.nth=0", 2, []string{"drop.nth", "1 to 255"}},
		{"drop --set kind=throw", 2, []string{"kind", "stillwater drop, throw, sound or drops"}},
		{"drop --set-file " + other, 2, []string{"kind", "stillwater throw"}},
		{"drop --set-file " + partial, 2, []string{"drop.height", "not there", "record again"}},
		{"drop --set-file " + dir, 2, []string{"it is a folder"}},
		{"drop --set-file /no/such/file", 2, []string{"no such file", "record again"}},
	} {
		status, out, problem := runRecord(t, state, strings.Fields(c.args)...)
		assert.Equal(t, c.status, status, "%s: %s", c.args, problem)
		assert.Empty(t, out, c.args)
		for _, s := range c.says {
			assert.Contains(t, problem, s, c.args)
		}
	}
}

// Sessions and shots are found by what is said of them, newest first.
func TestRecordFind(t *testing.T) {
	state, j := evening(t)
	throw := unusualSets(t)[1]
	at := time.Date(2026, 11, 25, 21, 0, 0, 0, time.Local)
	_, err := j.Add(t.Context(), record.Shot{Session: 1, At: at, Status: "done", Set: setText(t, throw), Verdict: "early",
		Note: "Crowns, torn\x1b[2J", IntervalNs: 25e6})
	require.NoError(t, err)
	for words, want := range map[string]string{
		"crowns": "1 1/3", "CROWNS": "1 1/3", "crowns good": "1/1", "rim": "1/1", "keep rim": "1/1", "sheets": "2",
		"sheets late": "2/1", "late": "2/1", "throw": "1", "drop": "1", "drop throw": "1", "drop good": "1/1",
		"2026-11-24": "2 1",
		"november":   "2 1", "2026-11-25": "1/3", "wednesday early": "1/3", "gpio": "", "torn": "1/3", "missing": "",
		"good late": "", "wet floor": "2/1",
	} {
		status, out, problem := runRecord(t, state, append([]string{"record", "find"}, strings.Fields(words)...)...)
		require.Zero(t, status, problem)
		assert.NotContains(t, out, "\x1b")
		var ids []string
		for line := range strings.Lines(out) {
			if first := strings.Fields(line)[0]; first != "id" && first != "Nothing" {
				ids = append(ids, first)
			}
		}
		assert.Equal(t, strings.Fields(want), append([]string{}, ids...), words)
		assert.Equal(t, want == "", strings.Contains(out, "Nothing in the record has all of these words"), words)

		_, out, _ = runRecord(t, state, append([]string{"record", "find", "--json"}, strings.Fields(words)...)...)
		var found []export.FoundEntry
		require.NoError(t, json.Unmarshal([]byte(out), &found))
		require.Len(t, found, len(ids), words)
		for i, f := range found {
			assert.Equal(t, ids[i], f.ID)
			assert.Equal(t, strings.Contains(f.ID, "/"), f.Shot != nil)
			assert.Equal(t, f.Shot == nil, f.Session != nil)
		}
	}
	_, out, _ := runRecord(t, state, "record", "find", "wet floor")
	assert.Contains(t, out, "Nothing", "words in quotes are one")
	_, out, _ = runRecord(t, state, "record", "find", "crowns")
	assert.Contains(t, out, "1/3  2026-11-25 21:00  throw        early          Crowns, torn")
	assert.Contains(t, out, "1    2026-11-24 20:30  drop, throw  3 shots        =crowns\n")
}

// Of a damaged record what can be read is found, and the rest is said.
func TestRecordFindInADamagedRecord(t *testing.T) {
	const shots = 200
	state, path := longEvening(t, shots)
	spoil(t, path)
	status, out, problem := runRecord(t, state, "record", "find", "whole")
	assert.Equal(t, 1, status)
	assert.Contains(t, problem, "record find: the record is damaged")
	found := strings.Count(out, "whole")
	assert.Greater(t, found, shots/2)
	assert.Less(t, found, shots)
	assert.Less(t, strings.Index(out, "1/200 "), strings.Index(out, "1/1 "), "newest first")
}

// Record show and the exports say what a shot was: kind, phase, trim, speed, what was seen.
func TestRecordSaysWhatAShotWas(t *testing.T) {
	state, j := evening(t)
	for _, set := range unusualSets(t) {
		made := record.Shot{Session: 2, At: time.Unix(0, 0), Status: "done", Set: setText(t, set),
			Seen: "a " + string(set.Kind)}
		if set.Kind == shot.Throw {
			made.IntervalNs = 25e6
		}
		_, err := j.Add(t.Context(), made)
		require.NoError(t, err)
	}
	e, err := unusualSets(t)[1].EstimateAt(25e-3)
	require.NoError(t, err)
	_, out, _ := runRecord(t, state, "record", "show", "2")
	assert.Regexp(t, `(?m)^ +2 .* done +drop +crown-highest +-3\.5 ms .* a drop$`, out)
	assert.Regexp(t, fmt.Sprintf(`(?m)^ +3 .* done +throw +16 ms +25\.000 ms +%.2f m/s .* a throw$`, e.Speed), out)
	assert.Contains(t, out, "Set as last changed: cannot be read\n")
	_, out, _ = runRecord(t, state, "record", "export", "--session", "2")
	lines, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	require.NoError(t, err)
	for i, set := range unusualSets(t) {
		cells := cellsOf(t, lines, 2+i)
		assert.Equal(t, string(set.Kind), cells["kind"])
		assert.Equal(t, "a "+string(set.Kind), cells["seen"])
		assert.JSONEq(t, setText(t, set), cells["set"])
	}
	assert.Equal(t, "-3.5", cellsOf(t, lines, 2)["trim_ms"])
	assert.Equal(t, "0.25", cellsOf(t, lines, 4)["trim_ms"])
	_, out, _ = runRecord(t, state, "record", "export", "--session", "2", "--json")
	_, same, _ := runRecord(t, state, "record", "export", "--session", "2", "--format", "json")
	assert.Equal(t, same, out)
	var list []export.ShotEntry
	require.NoError(t, json.Unmarshal([]byte(out), &list))
	assert.InDelta(t, float64(e.Speed), *list[2].SpeedMS, 1e-9)
	assert.Nil(t, list[1].SpeedMS)
	assert.Nil(t, list[0].TrimMs, "its set cannot be read")
}
