package main

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/csv"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/control"
	"stillwater/internal/export"
	"stillwater/internal/journal"
	"stillwater/internal/record"
	"stillwater/internal/shot"
)

// evening makes a state folder with two sessions and leaves its journal open, as the daemon has it.
func evening(t *testing.T) (state string, j *journal.Journal) {
	t.Helper()
	state = t.TempDir()
	ctx := t.Context()
	j, err := journal.Open(ctx, filepath.Join(state, "stillwater", "journal.db"))
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, j.Close()) })
	at := time.Date(2026, 11, 24, 20, 30, 0, 250e6, time.Local)
	crowns, err := j.NewSession(ctx, record.Session{
		Name: "=crowns", Started: at, Board: "simulated", Set: `{"kind":"drop"}`,
	})
	require.NoError(t, err)
	sheets, err := j.NewSession(ctx, record.Session{
		Name: "sheets", Started: at.Add(time.Hour), Board: "gpio", Set: "odd",
	})
	require.NoError(t, err)
	for _, s := range []record.Shot{
		{Session: crowns.ID, Status: "done", Simulated: true, BootID: 7, GateNs: 5e9, ClockNs: 5e9, DelayNs: 63_250_000,
			Set: `{"kind":"drop"}`, Program: `{"rest":1}`, Verdict: "good", Note: "+1, keep; \"rim\"",
			Cues: []record.Cue{{Name: "shutter", PlannedNs: 1_000_000, OnNs: 1_012_300, OffNs: 101_012_300},
				{Name: "flash", PlannedNs: 63_250_000, OnNs: 63_250_400, OffNs: 64_250_400}}},
		{Session: sheets.ID, Status: "done", GateNs: 4e9, ClockNs: 4_025_000_000, IntervalNs: 25_000_000,
			DelayNs: 180_000_000, Verdict: "late", Note: "\x1b[2Jwet\nfloor",
			Cues: []record.Cue{{Name: "flash", PlannedNs: 180_000_000, OnNs: 179_999_900, OffNs: 181_000_000},
				{Name: "flash", PlannedNs: 190_000_000, OnNs: 190_000_000, OffNs: 191_000_000}}},
		{Session: crowns.ID, Status: "late", Simulated: true, DelayNs: 63_250_000},
	} {
		s.At = at
		_, err := j.Add(ctx, s)
		require.NoError(t, err)
	}
	return state, j
}

// runRecord carries out one command line with its own state folder.
func runRecord(t *testing.T, state string, args ...string) (status int, out, problem string) {
	t.Helper()
	var o, e bytes.Buffer
	m := &Main{Stdout: &o, Stderr: &e, Getenv: func(k string) string {
		return map[string]string{"XDG_STATE_HOME": state}[k]
	}}
	status = m.Run(context.Background(), args)
	return status, o.String(), e.String()
}

func TestRecordList(t *testing.T) {
	state, _ := evening(t)
	status, out, problem := runRecord(t, state, "record", "list")
	assert.Zero(t, status, problem)
	assert.Equal(t, `session  started           name     board      kinds  shots  early  good  late  too high  too low  `+
		`nothing there  unjudged
      2  2026-11-24 21:30  sheets   gpio       ?          1      0     0     1         0        0  `+
		`            0         0
      1  2026-11-24 20:30  =crowns  simulated  drop       2      0     1     0         0        0  `+
		`            0         1
`, out)

	_, out, _ = runRecord(t, state, "record", "list", "--json")
	var list []map[string]any
	require.NoError(t, json.Unmarshal([]byte(out), &list))
	require.Len(t, list, 2)
	assert.Equal(t, map[string]any{"good": 1.0, "unjudged": 1.0}, list[1]["verdicts"])
	assert.Equal(t, map[string]any{"kind": "drop"}, list[1]["set"])
	assert.Equal(t, []any{"drop"}, list[1]["kinds"])
	assert.Equal(t, "odd", list[0]["set"], "a set that is no JSON is a string")
}

func TestRecordShow(t *testing.T) {
	state, _ := evening(t)
	status, out, problem := runRecord(t, state, "record", "show", "1")
	assert.Zero(t, status, problem)
	assert.Equal(t, `Session 1, "=crowns", started 2026-11-24 20:30:00, board: simulated, kinds: drop, shots: 2
Set as last changed: kind drop, drop.height 40 cm, drop.beam 5 cm, drop.nozzle 3 mm, drop.diameter 0 m, `+
		`drop.liquid water, drop.phase column-highest, drop.pool_depth 10 cm, drop.pool_liquid same, drop.nth 1, `+
		`light.expose flash-in-dark, `+
		`light.shutter auto, light.lag 60 ms, light.lag_scatter 3 ms, light.open_for 5 s, light.recycle 2 s, trim.drop 0 s
Times of cues are from the sensor's edge.

shot  file  time      ended  kind  phase           trim  interval  speed      delay  cue        planned     `+
		`actual     late  seen  verdict  note
   1        20:30:00  done   drop  column-highest  0 ms                   63.250 ms  shutter   1.000 ms   1.012 ms  `+
		`12.3 us        good     +1, keep; "rim"
                                                                                     `+
		`flash    63.250 ms  63.250 ms   0.4 us
   2        20:30:00  late                                                63.250 ms
`, out)

	_, latest, _ := runRecord(t, state, "record", "show")
	_, named, _ := runRecord(t, state, "record", "show", "latest")
	_, second, _ := runRecord(t, state, "record", "show", "2")
	assert.Equal(t, latest, named)
	assert.Equal(t, latest, second)
	assert.Contains(t, latest, "25.000 ms")
	assert.NotContains(t, latest, "\x1b", "a note does not reach the terminal as it is")

	_, out, _ = runRecord(t, state, "record", "show", "--json", "1")
	_, other, _ := runRecord(t, state, "record", "show", "1", "--json")
	assert.Equal(t, out, other, "flags may stand anywhere")
	var show struct {
		Session int
		List    []export.ShotEntry `json:"shot_list"`
	}
	require.NoError(t, json.Unmarshal([]byte(out), &show))
	assert.Equal(t, 1, show.Session)
	require.Len(t, show.List, 2)
	assert.Equal(t, export.CueEntry{Name: "shutter", PlannedMs: 1, ActualMs: 1.0123, WidthMs: 100, LateUs: 12.3},
		show.List[0].Cues[0])
	assert.Nil(t, show.List[0].IntervalMs)
	assert.Nil(t, show.List[0].GateNs, "no gate, no stamp of one")
}

// Sessions and shots of a machine whose clock was not set show the date that a phone gave, or that it is doubtful; an
// export has both clocks.
func TestRecordOfAMachineWithoutAClock(t *testing.T) {
	state, ctx := t.TempDir(), t.Context()
	j, err := journal.Open(ctx, filepath.Join(state, "stillwater", "journal.db"))
	require.NoError(t, err)
	for _, boot := range []string{"dated", "undated"} {
		s, err := j.NewSession(ctx, record.Session{Started: time.Unix(60, 0), Board: "gpio",
			When: record.When{Boot: boot, SinceBoot: time.Minute}})
		require.NoError(t, err)
		_, err = j.Add(ctx, record.Shot{Session: s.ID, At: time.Unix(90, 0), Status: "done",
			When: record.When{Boot: boot, SinceBoot: 90 * time.Second}})
		require.NoError(t, err)
	}
	began := time.Date(2026, 11, 24, 20, 30, 0, 0, time.Local)
	require.NoError(t, j.SetOrigin(ctx, "dated", began, record.ByPhone))
	require.NoError(t, j.Close())

	doubtful := time.Unix(60, 0).Format("2006-01-02 15:04")
	_, out, _ := runRecord(t, state, "record", "list")
	assert.Contains(t, out, "2026-11-24 20:31 (by a phone's clock)  24 November 2026, 20:31 ")
	assert.Contains(t, out, doubtful+" (clock not set) ")
	_, out, _ = runRecord(t, state, "record", "show", "1")
	assert.Contains(t, out, `"24 November 2026, 20:31", started 2026-11-24 20:31:00 (by a phone's clock), board`)
	assert.Contains(t, out, "20:31:30 (by a phone's clock)")
	_, out, _ = runRecord(t, state, "record", "show", "2")
	assert.Contains(t, out, time.Unix(90, 0).Format(time.TimeOnly)+" (clock not set)")

	_, out, _ = runRecord(t, state, "record", "export")
	lines, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	require.NoError(t, err)
	require.Len(t, lines, 3)
	dated, undated := cellsOf(t, lines, 1), cellsOf(t, lines, 2)
	wall := time.Unix(90, 0).Format(time.RFC3339Nano)
	assert.Equal(t, []string{began.Add(90 * time.Second).Format(time.RFC3339Nano), "by a phone's clock", wall, "1", "90"},
		[]string{dated["at"], dated["dated"], dated["machine_clock"], dated["boot"], dated["since_boot_s"]})
	assert.Equal(t, []string{wall, "clock not set", wall, "2", "90"},
		[]string{undated["at"], undated["dated"], undated["machine_clock"], undated["boot"], undated["since_boot_s"]})
	_, out, _ = runRecord(t, state, "record", "list", "--json")
	assert.Contains(t, out, `"dated": "by a phone's clock"`)
	assert.Contains(t, out, `"since_boot_s": 60`)
}

// cellsOf is a line of a CSV table by the names of its columns.
func cellsOf(t *testing.T, lines [][]string, n int) map[string]string {
	cells := map[string]string{}
	for i, name := range lines[0] {
		cells[name] = lines[n][i]
	}
	require.Len(t, cells, len(lines[0]), "no column twice")
	return cells
}

func TestRecordExportCSV(t *testing.T) {
	state, _ := evening(t)
	status, out, problem := runRecord(t, state, "record", "export", "--format", "csv")
	require.Zero(t, status, problem)
	lines, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	require.NoError(t, err)
	require.Len(t, lines, 4)
	first, second, third := cellsOf(t, lines, 1), cellsOf(t, lines, 2), cellsOf(t, lines, 3)
	for name, want := range map[string]string{"session": "1", "session_name": "'=crowns", "shot": "1",
		"board": "simulated", "status": "done", "simulated": "true", "boot_id": "7", "clock_ns": "5000000000",
		"dated": "", "boot": "", "since_boot_s": "", "gate_ns": "", "interval_ms": "", "delay_ms": "63.25",
		"kind": "drop", "phase": "column-highest", "trim_ms": "0", "speed_m_s": "", "set": `{"kind":"drop"}`,
		"cue_shutter_planned_ms": "1", "cue_shutter_actual_ms": "1.0123",
		"cue_shutter_width_ms": "100", "cue_shutter_late_us": "12.3", "cue_flash_late_us": "0.4",
		"cue_flash_2_planned_ms": "", "verdict": "good", "note": "'+1, keep; \"rim\""} {
		assert.Equal(t, want, first[name], name)
	}
	assert.Equal(t, "25", second["interval_ms"])
	assert.Equal(t, "4000000000", second["gate_ns"])
	assert.Equal(t, "-0.1", second["cue_flash_late_us"], "early is negative")
	assert.Equal(t, "190", second["cue_flash_2_planned_ms"])
	assert.Equal(t, "\x1b[2Jwet\nfloor", second["note"])
	assert.Equal(t, "2", third["shot"])
	assert.Equal(t, "", third["cue_flash_planned_ms"])
}

// A shot whose machine was late says so in every form of the record, in the table beside how it ended.
func TestRecordOfALateMachine(t *testing.T) {
	state, j := evening(t)
	set, err := json.Marshal(shot.DefaultSet())
	require.NoError(t, err)
	_, err = j.Add(t.Context(), record.Shot{Session: 1, At: time.Unix(0, 0), Status: "done", Set: string(set),
		Cues: []record.Cue{{Name: "flash", PlannedNs: 130_000_000, OnNs: 147_906_400, OffNs: 157_906_400}}})
	require.NoError(t, err)
	const why = "The machine, not the delay, was late: the flash came 17.9 ms late"
	_, out, _ := runRecord(t, state, "record", "show", "1")
	assert.Contains(t, out, "  done, machine 17.9 ms late  ")
	_, out, _ = runRecord(t, state, "record", "export", "--session", "1")
	lines, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	require.NoError(t, err)
	onTime, gaveUp, late := cellsOf(t, lines, 1), cellsOf(t, lines, 2), cellsOf(t, lines, 3)
	assert.Equal(t, []string{"", ""}, []string{onTime["late_ms"], onTime["problem"]})
	assert.Empty(t, gaveUp["late_ms"])
	assert.Contains(t, gaveUp["problem"], "could not switch in time and gave the shot up")
	assert.Equal(t, "17.9064", late["late_ms"])
	assert.Contains(t, late["problem"], why)
	_, out, _ = runRecord(t, state, "record", "export", "--session", "1", "--format", "json")
	var list []export.ShotEntry
	require.NoError(t, json.Unmarshal([]byte(out), &list))
	assert.Nil(t, list[0].LateMs)
	assert.InDelta(t, 17.9064, *list[2].LateMs, 1e-9)
	assert.Contains(t, list[2].Problem, why)
}

func TestRecordExportJSON(t *testing.T) {
	state, _ := evening(t)
	for session, want := range map[string][]int64{"": {1, 2, 3}, "1": {1, 3}, "latest": {2}} {
		args := []string{"record", "export", "--format=json"}
		if session != "" {
			args = append(args, "--session", session)
		}
		status, out, problem := runRecord(t, state, args...)
		require.Zero(t, status, problem)
		var list []export.ShotEntry
		require.NoError(t, json.Unmarshal([]byte(out), &list))
		var ids []int64
		for _, s := range list {
			ids = append(ids, s.ID)
		}
		assert.Equal(t, want, ids)
	}
}

func TestRecordExportToFile(t *testing.T) {
	state, j := evening(t)
	file := filepath.Join(t.TempDir(), "evening.csv")
	require.NoError(t, os.WriteFile(file, []byte("old"), 0o600))
	status, out, problem := runRecord(t, state, "record", "export", "--out", file)
	require.Zero(t, status, problem)
	assert.Contains(t, out, "Shots written to "+file+": 3")
	_, direct, _ := runRecord(t, state, "record", "export")
	got, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, direct, string(got))

	status, _, problem = runRecord(t, state, "record", "export", "--out", j.Path())
	assert.Equal(t, 1, status)
	assert.Contains(t, problem, "is the journal itself")
	status, _, problem = runRecord(t, state, "record", "export", "--out", t.TempDir())
	assert.Equal(t, 1, status)
	assert.Contains(t, problem, "--out")
	status, _, problem = runRecord(t, state, "record", "export", "--out", filepath.Join(t.TempDir(), "no", "such.csv"))
	assert.Equal(t, 1, status)
	assert.Contains(t, problem, "--out")
	n, err := j.Count(t.Context(), 0)
	require.NoError(t, err)
	assert.Equal(t, 3, n)
}

func TestRecordWithoutJournal(t *testing.T) {
	state := t.TempDir()
	for _, sub := range []string{"list", "show", "export"} {
		status, out, problem := runRecord(t, state, "record", sub)
		assert.Equal(t, 1, status)
		assert.Empty(t, out)
		assert.Contains(t, problem, "there is no journal yet at "+filepath.Join(state, "stillwater", "journal.db"))
		assert.Contains(t, problem, "It is made when")
	}
	status, _, problem := runRecord(t, state, "record", "list", "--journal", "/no/such/journal.db")
	assert.Equal(t, 1, status)
	assert.Contains(t, problem, "--journal: there is no journal at /no/such/journal.db")
	made, err := os.ReadDir(state)
	require.NoError(t, err)
	assert.Empty(t, made, "looking makes nothing")
}

func TestRecordWithoutSessions(t *testing.T) {
	state := t.TempDir()
	path := filepath.Join(state, "j.db")
	j, err := journal.Open(t.Context(), path)
	require.NoError(t, err)
	require.NoError(t, j.Close())
	status, out, _ := runRecord(t, state, "record", "list", "--journal", path)
	assert.Zero(t, status)
	assert.Contains(t, out, "There is no session")
	status, out, _ = runRecord(t, state, "record", "list", "--json", "--journal", path)
	assert.Zero(t, status)
	assert.Equal(t, "[]\n", out)
	status, _, problem := runRecord(t, state, "record", "show", "--journal", path)
	assert.Equal(t, 1, status)
	assert.Contains(t, problem, "there is no session")
	status, out, _ = runRecord(t, state, "record", "export", "--format", "json", "--journal", path)
	assert.Zero(t, status)
	assert.Equal(t, "[]\n", out)
}

func TestRecordWrongUse(t *testing.T) {
	state, _ := evening(t)
	for _, c := range []struct {
		args string
		want string
	}{
		{"record", ""},
		{"record help", ""},
		{"record list -h", ""},
		{"record liste", "liste: expected list, show, find, again or export"},
		{"record list 1", `unexpected argument "1"`},
		{"record list --format csv", "-format"},
		{"record show 1 2", `unexpected argument "2"`},
		{"record show one", `SESSION "one"`},
		{"record show -1", "-1"},
		{"record export --format xml", `--format "xml": expected csv or json`},
		{"record export --session 0", `--session "0"`},
		{"record export --session", "-session"},
	} {
		status, out, problem := runRecord(t, state, strings.Fields(c.args)...)
		if c.want == "" {
			assert.Zero(t, status, c.args)
			assert.Contains(t, out, "stillwater record export", c.args)
			assert.Contains(t, out, "-journal FILE", c.args)
			continue
		}
		assert.Equal(t, 2, status, c.args)
		assert.Empty(t, out, c.args)
		assert.Contains(t, problem, c.want, c.args)
	}
	for _, args := range []string{"record show 9", "record export --session 9"} {
		status, _, problem := runRecord(t, state, strings.Fields(args)...)
		assert.Equal(t, 1, status, args)
		assert.Contains(t, problem, "there is no session 9", args)
	}
}

// longEvening is a state folder with a journal of so many shots.
func longEvening(t *testing.T, shots int) (state, path string) {
	t.Helper()
	state = t.TempDir()
	path = filepath.Join(state, "stillwater", "journal.db")
	j, err := journal.Open(t.Context(), path)
	require.NoError(t, err)
	s, err := j.NewSession(t.Context(), record.Session{Name: "crowns", Started: time.Unix(1, 0)})
	require.NoError(t, err)
	for i := range shots {
		_, err := j.Add(t.Context(), record.Shot{Session: s.ID, At: time.Unix(int64(i), 1), Status: "done",
			Set: `"` + strings.Repeat("s", 1500) + `"`, Program: "{}", Note: "whole"})
		require.NoError(t, err)
	}
	require.NoError(t, j.Close())
	return state, path
}

// spoil makes a stretch in the middle of a journal unreadable.
func spoil(t *testing.T, path string) {
	t.Helper()
	j, err := journal.Open(t.Context(), path)
	require.NoError(t, err)
	require.NoError(t, j.Verify(t.Context())) // then all of it is in one file
	require.NoError(t, j.Close())
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	require.NoError(t, err)
	defer f.Close()
	info, err := f.Stat()
	require.NoError(t, err)
	_, err = f.WriteAt(make([]byte, info.Size()/8), info.Size()/2)
	require.NoError(t, err)
}

// Of a damaged record all commands give what can be read, say what cannot, and end with an error.
func TestRecordThatIsDamaged(t *testing.T) {
	const shots = 200
	state, path := longEvening(t, shots)
	spoil(t, path)
	status, out, problem := runRecord(t, state, "record", "list")
	assert.Zero(t, status, problem)
	assert.Contains(t, out, " 200 ")
	status, out, problem = runRecord(t, state, "record", "export", "--format", "json")
	assert.Equal(t, 1, status)
	assert.Contains(t, problem, "the record is damaged")
	assert.Contains(t, problem, "cannot be read (session 1: shots ")
	var list []export.ShotEntry
	require.NoError(t, json.Unmarshal([]byte(out), &list))
	assert.Greater(t, len(list), shots/2)
	assert.Less(t, len(list), shots)
	whole := 0
	for _, s := range list {
		if s.Damaged == "" { // one whose page is damaged in part says so, and may have lost its note
			assert.Equal(t, "whole", s.Note)
		}
		if s.Note == "whole" {
			whole++
		}
	}
	assert.GreaterOrEqual(t, whole, len(list)-2, "the damage ends within one page and begins within another")
	status, out, _ = runRecord(t, state, "record", "export")
	assert.Equal(t, 1, status)
	lines, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	require.NoError(t, err)
	assert.Len(t, lines, 1+len(list))
	file := filepath.Join(t.TempDir(), "out.csv")
	status, _, _ = runRecord(t, state, "record", "export", "--out", file)
	assert.Equal(t, 1, status)
	written, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, out, string(written))
	status, out, problem = runRecord(t, state, "record", "show")
	assert.Equal(t, 1, status)
	assert.Contains(t, problem, "cannot be read")
	assert.Equal(t, whole, strings.Count(out, "whole"))
}

// Cues that cannot be read are in the export as the record has them.
func TestRecordWithDamagedCues(t *testing.T) {
	state, path := longEvening(t, 3)
	db, err := sql.Open("sqlite", path)
	require.NoError(t, err)
	const odd, half = `{"flash":"\u202e1 ms"}`, `[{"name":7},{"name":"flash"}]`
	_, err = db.Exec("UPDATE shots SET cues_json = CASE id WHEN 1 THEN ? ELSE ? END, crc = NULL WHERE id < 3", odd, half)
	require.NoError(t, errors.Join(err, db.Close()))
	status, out, problem := runRecord(t, state, "record", "export", "--format", "json")
	assert.Equal(t, 1, status)
	assert.Contains(t, problem, "2 of its shots are there and marked as damaged")
	var list []export.ShotEntry
	require.NoError(t, json.Unmarshal([]byte(out), &list))
	require.Len(t, list, 3)
	assert.Equal(t, "its cues cannot be read", list[0].Damaged)
	assert.Empty(t, list[0].Cues)
	assert.Equal(t, odd, list[0].CuesText)
	assert.Equal(t, "flash", list[1].Cues[0].Name)
	assert.Equal(t, half, list[1].CuesText)
	assert.Empty(t, list[2].CuesText)
}

// A spreadsheet that finds a byte-order mark reads the text as UTF-8.
func TestRecordExportWithByteOrderMark(t *testing.T) {
	state, _ := evening(t)
	_, without, _ := runRecord(t, state, "record", "export")
	status, with, problem := runRecord(t, state, "record", "export", "--bom")
	require.Zero(t, status, problem)
	assert.Equal(t, "\xef\xbb\xbf"+without, with)
	status, _, problem = runRecord(t, state, "record", "export", "--bom", "--format", "json")
	assert.Equal(t, 2, status)
	assert.Contains(t, problem, "--bom is for csv")
}

// A daemon starts on a damaged record, finds that out and says so on the page.
func TestDaemonOnADamagedRecord(t *testing.T) {
	_, path := longEvening(t, 200)
	d := startDaemon(t, "--listen", "127.0.0.1:0", "--journal", path)
	cookie := d.cookie()
	require.Zero(t, d.stop())
	spoil(t, path)
	h := startDaemon(t, "--listen", "127.0.0.1:0", "--journal", path).enter(cookie)
	h.until("the damage is said", func(s *control.Snapshot) bool {
		return strings.Contains(s.Notice, "the record takes no more shots") && strings.Contains(s.Notice, "record export")
	})
	require.Equal(t, 200, h.last.ShotCount)
}

// Stars, what is wrong with a picture and the camera's file numbers are in every form of the record, and are found.
func TestRecordHasMarksAndFileNumbers(t *testing.T) {
	state, j := evening(t)
	ctx := t.Context()
	require.NoError(t, j.SetFile(ctx, 1, 471))
	require.NoError(t, j.SetStar(ctx, 1, true))
	require.NoError(t, j.SetPicture(ctx, 1, record.PictureBlurred))
	require.NoError(t, j.SetVerdict(ctx, 2, "too high"))
	_, out, _ := runRecord(t, state, "record", "show", "1")
	assert.Regexp(t, `(?m)^   1  0471  20:30:00  done .* good, keeper, blurred  \+1, keep`, out)
	assert.Regexp(t, `(?m)^   2  0472  20:30:00  late`, out)
	_, out, _ = runRecord(t, state, "record", "list")
	assert.Regexp(t, `(?m)^ +2 .* gpio +\? +1 +0 +0 +0 +1 +0 +0 +0$`, out)
	_, out, _ = runRecord(t, state, "record", "export")
	lines, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	require.NoError(t, err)
	first, second := cellsOf(t, lines, 1), cellsOf(t, lines, 2)
	assert.Equal(t, []string{"true", "blurred", "0471"}, []string{first["star"], first["picture"], first["file"]})
	assert.Equal(t, []string{"false", "", "", "too high"},
		[]string{second["star"], second["picture"], second["file"], second["verdict"]})
	_, out, _ = runRecord(t, state, "record", "show", "1", "--json")
	var show struct {
		List []export.ShotEntry `json:"shot_list"`
	}
	require.NoError(t, json.Unmarshal([]byte(out), &show))
	require.NotNil(t, show.List[0].File)
	assert.Equal(t, []any{true, "blurred", 471}, []any{show.List[0].Star, show.List[0].Picture, *show.List[0].File})
	for words, want := range map[string]string{"keeper": "1/1", "blurred rim": "1/1", "0472": "1/2", "047": "1/2 1/1",
		"too high": "2/1", "black": ""} {
		_, out, _ := runRecord(t, state, append([]string{"record", "find"}, words)...)
		if strings.Contains(words, " ") && words != "too high" {
			_, out, _ = runRecord(t, state, append([]string{"record", "find"}, strings.Fields(words)...)...)
		}
		var ids []string
		for line := range strings.Lines(out) {
			if id := strings.Fields(line)[0]; strings.Contains(id, "/") {
				ids = append(ids, id)
			}
		}
		assert.Equal(t, want, strings.Join(ids, " "), words)
	}
	_, out, _ = runRecord(t, state, "record", "find", "keeper")
	assert.Contains(t, out, `"rim" (keeper, blurred, file 0471)`)
}
