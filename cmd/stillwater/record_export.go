package main

import (
	"bufio"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
	"unicode"

	"stillwater/internal/journal"
)

// sessionJSON is a session as "record" writes it.
type sessionJSON struct {
	Session int64  `json:"session"`
	Name    string `json:"name"`
	Started string `json:"started"` // RFC 3339, the best date known
	whenJSON
	Board    string          `json:"board"`
	Shots    int             `json:"shots"`
	Verdicts map[string]int  `json:"verdicts"` // the key "unjudged" is for those without one
	Set      json.RawMessage `json:"set"`
}

// shotJSON is a shot as "record" writes it. Cue times are from the sensor's edge; gate and clock are the edges' stamps
// in the board's own time.
type shotJSON struct {
	Session     int64  `json:"session"`
	SessionName string `json:"session_name"`
	Board       string `json:"board"`
	Shot        int    `json:"shot"`
	ID          int64  `json:"id"`
	At          string `json:"at"` // RFC 3339, the best date known
	whenJSON
	Status     string          `json:"status"`
	Simulated  bool            `json:"simulated"`
	BootID     uint32          `json:"boot_id"`
	GateNs     *int64          `json:"gate_ns"` // null without a gate
	ClockNs    int64           `json:"clock_ns"`
	IntervalMs *float64        `json:"interval_ms"` // null without a gate
	DelayMs    float64         `json:"delay_ms"`
	Cues       []cueJSON       `json:"cues"`
	Seen       string          `json:"seen"`
	Verdict    string          `json:"verdict"`
	Note       string          `json:"note"`
	Set        json.RawMessage `json:"set"`
	Program    json.RawMessage `json:"program"`
}

// whenJSON is an instant as the machine had it, and how its date is known. Boots and the time since order what was
// made.
type whenJSON struct {
	Dated        string   `json:"dated"`         // "" the machine's clock, else in words
	MachineClock string   `json:"machine_clock"` // RFC 3339, what it said
	Boot         *int64   `json:"boot"`          // of the machine, numbered in their order; null: not known
	SinceBootS   *float64 `json:"since_boot_s"`
}

func toWhenJSON(w journal.When) whenJSON {
	out := whenJSON{Dated: w.Dated.String(), MachineClock: w.Wall.Format(time.RFC3339Nano)}
	if w.Number != 0 {
		since := w.SinceBoot.Seconds()
		out.Boot, out.SinceBootS = &w.Number, &since
	}
	return out
}

type cueJSON struct {
	Name      string  `json:"name"`
	Opening   bool    `json:"opening"`
	PlannedMs float64 `json:"planned_ms"`
	ActualMs  float64 `json:"actual_ms"`
	WidthMs   float64 `json:"width_ms"`
	LateUs    float64 `json:"late_us"`
}

func toSessionJSON(s journal.Summary) sessionJSON {
	counts := map[string]int{}
	for verdict, n := range s.Verdicts {
		if verdict == "" {
			verdict = "unjudged"
		}
		counts[verdict] += n
	}
	return sessionJSON{Session: s.ID, Name: s.Title(), whenJSON: toWhenJSON(s.When),
		Started: s.Started.Format(time.RFC3339Nano), Board: s.Board,
		Shots: s.Shots, Verdicts: counts, Set: asJSON(s.Set)}
}

func toShotJSON(s journal.Session, shot journal.Shot) shotJSON {
	out := shotJSON{Session: s.ID, SessionName: s.Title(), whenJSON: toWhenJSON(shot.When), Board: s.Board,
		Shot: shot.Number, ID: shot.ID,
		At: shot.At.Format(time.RFC3339Nano), Status: shot.Status, Simulated: shot.Simulated, BootID: shot.BootID,
		ClockNs: shot.ClockNs, DelayMs: float64(shot.DelayNs) / 1e6, Cues: []cueJSON{},
		Seen: shot.Seen, Verdict: shot.Verdict, Note: shot.Note, Set: asJSON(shot.Set), Program: asJSON(shot.Program)}
	if shot.IntervalNs != 0 {
		ms := float64(shot.IntervalNs) / 1e6
		out.IntervalMs, out.GateNs = &ms, &shot.GateNs
	}
	for _, c := range shot.Cues {
		out.Cues = append(out.Cues, cueJSON{Name: c.Name, Opening: c.Opening, PlannedMs: float64(c.PlannedNs) / 1e6,
			ActualMs: float64(c.OnNs) / 1e6, WidthMs: float64(c.OffNs-c.OnNs) / 1e6, LateUs: float64(c.LateNs()) / 1e3})
	}
	return out
}

// asJSON gives the journal's opaque text as the JSON it is, or as a string should it be none.
func asJSON(text string) json.RawMessage {
	if json.Valid([]byte(text)) {
		return json.RawMessage(text)
	}
	quoted, _ := json.Marshal(text) // a string always can be
	return quoted
}

func (m *Main) recordExport(ctx context.Context, j *journal.Journal, o recordOptions, words []string) error {
	if len(words) > 0 {
		return fmt.Errorf("%w: record export: %q is too much", errUsage, words[0])
	}
	write := map[string]func(io.Writer, []shotJSON) error{
		"csv":  writeCSV,
		"json": func(w io.Writer, shots []shotJSON) error { return writeJSON(w, shots) },
	}[o.format]
	if write == nil {
		return fmt.Errorf("%w: record export: --format %q: expected csv or json", errUsage, o.format)
	}
	shots, err := exported(ctx, j, o.session)
	if err != nil {
		return err
	}
	if o.out == "" {
		out := bufio.NewWriter(m.Stdout)
		return errors.Join(write(out, shots), out.Flush())
	}
	if err := notTheJournal(o.out, j.Path()); err != nil {
		return err
	}
	err = replaceFile(o.out, func(w io.Writer) error { return write(w, shots) })
	if err != nil {
		return fmt.Errorf("record export: --out %s: %w; a file that was there is as it was: name a file in a folder you may "+
			"write to", o.out, err)
	}
	fmt.Fprintf(m.Stdout, "Shots written to %s: %d\n", o.out, len(shots))
	return nil
}

// exported returns the shots of one session, or of all, oldest first.
func exported(ctx context.Context, j *journal.Journal, session string) ([]shotJSON, error) {
	var only int64
	if session != "" {
		s, err := findSession(ctx, j, "--session", session)
		if err != nil {
			return nil, err
		}
		only = s.ID
	}
	shots, err := oldestFirst(ctx, j, only)
	if err != nil {
		return nil, err
	}
	all, err := j.Sessions(ctx)
	if err != nil {
		return nil, err
	}
	sessions := map[int64]journal.Session{}
	for _, s := range all {
		sessions[s.ID] = s.Session
	}
	list := make([]shotJSON, len(shots))
	for i, s := range shots {
		list[i] = toShotJSON(sessions[s.Session], s)
	}
	return list, nil
}

// writeCSV writes one line a shot. Each name of a cue has four columns; a name that comes twice in a shot is numbered.
func writeCSV(w io.Writer, shots []shotJSON) error {
	out := csv.NewWriter(w)
	names := cueNames(shots)
	header := []string{"session", "session_name", "board", "shot", "id", "at", "dated",
		"machine_clock", "boot", "since_boot_s", "status", "simulated", "boot_id", "gate_ns",
		"clock_ns", "interval_ms", "delay_ms"}
	for _, name := range names {
		header = append(header, name+"_planned_ms", name+"_actual_ms", name+"_width_ms", name+"_late_us")
	}
	if err := out.Write(append(header, "seen", "verdict", "note")); err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	for _, s := range shots {
		if err := out.Write(csvLine(s, names)); err != nil {
			return fmt.Errorf("write CSV: %w", err)
		}
	}
	out.Flush()
	if err := out.Error(); err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	return nil
}

func csvLine(s shotJSON, names []string) []string {
	number := func(f float64) string { return strconv.FormatFloat(f, 'f', -1, 64) }
	interval, gate, boot, since := "", "", "", ""
	if s.IntervalMs != nil {
		interval, gate = number(*s.IntervalMs), fmt.Sprint(*s.GateNs)
	}
	if s.Boot != nil {
		boot, since = fmt.Sprint(*s.Boot), number(*s.SinceBootS)
	}
	line := []string{fmt.Sprint(s.Session), harmless(s.SessionName), harmless(s.Board), fmt.Sprint(s.Shot),
		fmt.Sprint(s.ID), s.At, s.Dated, s.MachineClock, boot, since, harmless(s.Status), fmt.Sprint(s.Simulated),
		fmt.Sprint(s.BootID), gate,
		fmt.Sprint(s.ClockNs), interval, number(s.DelayMs)}
	cells := map[string][]string{}
	for i, name := range columnNames(s.Cues) {
		c := s.Cues[i]
		cells[name] = []string{number(c.PlannedMs), number(c.ActualMs), number(c.WidthMs), number(c.LateUs)}
	}
	for _, name := range names {
		if cells[name] == nil {
			cells[name] = make([]string, 4)
		}
		line = append(line, cells[name]...)
	}
	return append(line, harmless(s.Seen), harmless(s.Verdict), harmless(s.Note))
}

// cueNames lists the names of all cues in the order in which they first appear.
func cueNames(shots []shotJSON) []string {
	var names []string
	seen := map[string]bool{}
	for _, s := range shots {
		for _, name := range columnNames(s.Cues) {
			if !seen[name] {
				seen[name] = true
				names = append(names, name)
			}
		}
	}
	return names
}

// columnNames makes a shot's cue names fit for column names, and different from each other.
func columnNames(cues []cueJSON) []string {
	names, taken := make([]string, len(cues)), map[string]bool{}
	for i, c := range cues {
		base := strings.Map(func(r rune) rune {
			if unicode.IsLetter(r) || unicode.IsDigit(r) {
				return r
			}
			return '_'
		}, "cue_"+c.Name)
		names[i] = base
		for n := 2; taken[names[i]]; n++ {
			names[i] = fmt.Sprint(base, "_", n)
		}
		taken[names[i]] = true
	}
	return names
}

// harmless keeps a spreadsheet from taking a person's words for a formula: such a cell gets an apostrophe in front. The
// characters are those of the OWASP page "CSV Injection", from memory.
func harmless(text string) string {
	if text != "" && strings.ContainsRune("=+-@\t\r\n＝＋－＠", []rune(text)[0]) {
		return "'" + text
	}
	return text
}

// notTheJournal keeps an export from taking the place of what it exports.
func notTheJournal(out, journalPath string) error {
	info, err := os.Stat(out)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("record export: --out %s: %w", out, err)
	}
	own, err := os.Stat(journalPath)
	if err == nil && os.SameFile(info, own) {
		return fmt.Errorf("record export: --out %s is the journal itself; name another file", out)
	}
	if !info.Mode().IsRegular() {
		return fmt.Errorf("record export: --out %s is not a regular file; leave --out away for standard output", out)
	}
	return nil
}

// replaceFile writes a file beside path and, when all of it is on the disk, puts it in its place.
func replaceFile(path string, write func(io.Writer) error) error {
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name()) // without effect once it is renamed
	out := bufio.NewWriter(f)
	err = errors.Join(write(out), out.Flush(), f.Sync(), f.Close())
	if err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}
