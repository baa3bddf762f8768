package export

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"stillwater/internal/record"
)

// errGrew means that a shot recorded meanwhile has a cue for which the table has no column.
var errGrew = errors.New("a shot with other outputs was made while the record was exported; export it again")

const byteOrderMark = "\ufeff"

// CSV writes one line a shot. Each name of a cue has four columns; a name that comes twice in a shot is numbered. The
// columns must be known before the first line, so the record is read twice.
func CSV(ctx context.Context, w io.Writer, source Source, opts Options) (Result, error) {
	names, err := cueNames(ctx, source, opts)
	if err != nil {
		return Result{}, err
	}
	r, err := newReader(ctx, source, opts)
	if err != nil {
		return Result{}, err
	}
	r.pass, r.passes = 1, 2
	if opts.ByteOrderMark {
		if _, err := io.WriteString(w, byteOrderMark); err != nil {
			return Result{}, fmt.Errorf("write CSV: %w", err)
		}
	}
	out := csv.NewWriter(w)
	if err := out.Write(header(names)); err != nil {
		return Result{}, fmt.Errorf("write CSV: %w", err)
	}
	for shot, err := range r.shots(ctx) {
		if err != nil {
			return Result{}, err
		}
		line, err := csvLine(shot, names)
		if err != nil {
			return Result{}, err
		}
		if err := out.Write(line); err != nil {
			return Result{}, fmt.Errorf("write CSV: %w", err)
		}
	}
	out.Flush()
	if err := out.Error(); err != nil {
		return Result{}, fmt.Errorf("write CSV: %w", err)
	}
	return r.result, nil
}

func header(names []string) []string {
	columns := []string{"session", "session_name", "board", "shot", "id", "at", "dated", "machine_clock", "boot",
		"since_boot_s", "status", "problem", "late_ms",
		"simulated", "boot_id", "gate_ns", "clock_ns", "interval_ms", "delay_ms", "kind", "phase", "trim_ms",
		"speed_m_s"}
	for _, name := range names {
		columns = append(columns, name+"_planned_ms", name+"_actual_ms", name+"_width_ms", name+"_late_us")
	}
	return append(columns, "seen", "verdict", "note", "star", "picture", "past_mm", "past_sd_mm", "file", "set", "damaged")
}

func csvLine(s ShotEntry, names []string) ([]string, error) {
	number := func(f float64) string { return strconv.FormatFloat(f, 'f', -1, 64) }
	optional := func(f *float64) string {
		if f == nil {
			return ""
		}
		return number(*f)
	}
	interval, gate, boot, since, file := "", "", "", "", ""
	if s.File != nil {
		file = record.FileName(*s.File)
	}
	if s.IntervalMs != nil {
		interval, gate = number(*s.IntervalMs), fmt.Sprint(*s.GateNs)
	}
	if s.Boot != nil {
		boot, since = fmt.Sprint(*s.Boot), number(*s.SinceBootS)
	}
	line := []string{fmt.Sprint(s.Session), Harmless(s.SessionName), Harmless(s.Board), fmt.Sprint(s.Shot),
		fmt.Sprint(s.ID), s.At, s.Dated, s.MachineClock, boot, since, Harmless(s.Status), Harmless(s.Problem),
		optional(s.LateMs), fmt.Sprint(s.Simulated), fmt.Sprint(s.BootID), gate,
		fmt.Sprint(s.ClockNs), interval, number(s.DelayMs), Harmless(s.Kind), Harmless(s.Phase), optional(s.TrimMs),
		optional(s.SpeedMS)}
	cells := map[string][]string{}
	for i, name := range columnNames(s.Cues, func(c CueEntry) string { return c.Name }) {
		c := s.Cues[i]
		cells[name] = []string{number(c.PlannedMs), number(c.ActualMs), number(c.WidthMs), number(c.LateUs)}
		if !slices.Contains(names, name) {
			return nil, errGrew
		}
	}
	for _, name := range names {
		if cells[name] == nil {
			cells[name] = make([]string, 4)
		}
		line = append(line, cells[name]...)
	}
	return append(line, Harmless(s.Seen), Harmless(string(s.Verdict)), Harmless(s.Note),
		fmt.Sprint(s.Star), Harmless(s.Picture), optional(s.PastMm), optional(s.PastSDMm), file,
		Harmless(string(s.Set)), s.Damaged), nil
}

// cueNames lists the names of all cues in the order in which they first appear.
func cueNames(ctx context.Context, source Source, opts Options) (names []string, err error) {
	read := 0
	for s, err := range source.AllShots(ctx, opts.Session) {
		if err != nil {
			return nil, err
		}
		read++
		opts.passed(read, 0, 2)
		for _, name := range columnNames(s.Cues, func(c record.Cue) string { return c.Name }) {
			if !slices.Contains(names, name) {
				names = append(names, name)
			}
		}
	}
	return names, nil
}

// columnNames makes a shot's cue names fit for column names, and different from each other.
func columnNames[C any](cues []C, nameOf func(C) string) []string {
	names, taken := make([]string, len(cues)), map[string]bool{}
	for i, c := range cues {
		base := strings.Map(func(r rune) rune {
			if unicode.IsLetter(r) || unicode.IsDigit(r) {
				return r
			}
			return '_'
		}, "cue_"+nameOf(c))
		names[i] = base
		for n := 2; taken[names[i]]; n++ {
			names[i] = fmt.Sprint(base, "_", n)
		}
		taken[names[i]] = true
	}
	return names
}

// Harmless keeps a spreadsheet from taking a person's words for a formula: such a cell gets an apostrophe in front. The
// characters are from the OWASP page "CSV Injection", from memory.
func Harmless(text string) string {
	if text != "" && strings.ContainsRune("=+-@\t\r\n＝＋－＠", []rune(text)[0]) {
		return "'" + text
	}
	return text
}
