package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"strconv"
	"strings"
	"time"

	"stillwater/internal/config"
	"stillwater/internal/export"
	"stillwater/internal/journal"
	"stillwater/internal/render"
)

const recordUsage = `Usage:
  stillwater record list   [--json]
  stillwater record show   [SESSION|latest] [--json]
  stillwater record export [--format csv|json] [--bom] [--session N|latest] [--out FILE]

list    the sessions, newest first, and how their shots were judged
show    one session's shots: planned, actual, how late, verdict, note (default: latest)
export  every shot for a spreadsheet (csv) or a program (json; with the set and the program of each shot)

All of them work while the daemon runs, and read what can be read of a damaged record. A text that a spreadsheet would
take for a formula gets an apostrophe in front in csv. Options:
`

// recordOptions are the flags of "record"; a subcommand has those that it needs.
type recordOptions struct {
	journal, format, session, out string
	json, bom                     bool
}

// record carries out "stillwater record list|show|export".
func (m *Main) record(ctx context.Context, args []string) error {
	subcommands := map[string]func(*Main, context.Context, *journal.Journal, recordOptions, []string) error{
		"list": (*Main).recordList, "show": (*Main).recordShow, "export": (*Main).recordExport,
	}
	name := "help"
	if len(args) > 0 {
		name, args = args[0], args[1:]
	}
	run := subcommands[name]
	if run == nil && !isHelp(name) {
		return fmt.Errorf("%w: record %s: expected list, show or export", errUsage, name)
	}
	o, flags := recordFlags(name)
	words, err := parseRecordFlags(flags, args)
	if run == nil || errors.Is(err, flag.ErrHelp) {
		fmt.Fprint(m.Stdout, recordUsage)
		printFlags(m.Stdout, flags)
		return nil
	}
	if err != nil {
		return err
	}
	j, err := m.openRecord(ctx, o.journal)
	if err != nil {
		return err
	}
	return errors.Join(run(m, ctx, j, *o, words), j.Close())
}

func isHelp(word string) bool {
	return word == "help" || word == "-h" || word == "-help" || word == "--help"
}

func recordFlags(name string) (*recordOptions, *flag.FlagSet) {
	o, flags := &recordOptions{}, flag.NewFlagSet("record "+name, flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	flags.StringVar(&o.journal, "journal", "",
		"the journal's `FILE` (default: the configuration's, or in the user's state folder)")
	if name != "export" {
		flags.BoolVar(&o.json, "json", false, "write JSON, keys with units")
	}
	if name != "list" && name != "show" {
		flags.StringVar(&o.format, "format", "csv", "export: csv or json")
		flags.BoolVar(&o.bom, "bom", false,
			"export: begin csv with a byte-order mark, for spreadsheets that show umlauts wrong")
		flags.StringVar(&o.session, "session", "", "export: only session `N`, or latest (default: all)")
		flags.StringVar(&o.out, "out", "", "export: write `FILE` (default: standard output)")
	}
	return o, flags
}

// parseRecordFlags lets flags stand before and after other words and returns those.
func parseRecordFlags(flags *flag.FlagSet, args []string) (words []string, err error) {
	for {
		if err := parseFlags(flags, args); err != nil {
			return nil, err
		}
		if flags.NArg() == 0 {
			return words, nil
		}
		words, args = append(words, flags.Arg(0)), flags.Args()[1:]
	}
}

// usualJournal is the daemon's: what its configuration names, or the one in the user's state folder.
func (m *Main) usualJournal() (string, error) {
	conf, err := config.Find("")
	if err != nil && !errors.Is(err, config.ErrNotFound) {
		return "", err
	}
	return journal.PathOr(conf.Journal, m.Getenv)
}

// openRecord opens the journal for reading; it says how one comes to be when there is none.
func (m *Main) openRecord(ctx context.Context, path string) (*journal.Journal, error) {
	named := path != ""
	if !named {
		var err error
		if path, err = m.usualJournal(); err != nil {
			return nil, fmt.Errorf("%w (--journal FILE)", err)
		}
	}
	j, err := journal.OpenReadOnly(ctx, path)
	switch {
	case errors.Is(err, journal.ErrNone) && named:
		return nil, fmt.Errorf("--journal: there is no journal at %s", path)
	case errors.Is(err, journal.ErrNone):
		return nil, fmt.Errorf("there is no journal yet at %s. It is made when \"stillwater\" runs for the first time, and "+
			"keeps every shot from then on; --journal FILE names another one", path)
	case err != nil && named:
		return nil, fmt.Errorf("--journal: %w", err)
	case errors.Is(err, fs.ErrPermission):
		return nil, fmt.Errorf("%w; it is another user's, perhaps the installed service's: sudo stillwater record ... "+
			"(--journal FILE names another)", err)
	case err != nil:
		return nil, fmt.Errorf("%w (--journal FILE names another)", err)
	}
	return j, err
}

// findSession resolves "latest" or a number; errors name where the word stood.
func findSession(ctx context.Context, j *journal.Journal, where, word string) (journal.Summary, error) {
	number, err := strconv.ParseInt(word, 10, 64)
	if word != "latest" && (err != nil || number < 1) {
		return journal.Summary{}, fmt.Errorf("%w: %s %q: expected a session's number or latest", errUsage, where, word)
	}
	all, err := j.Sessions(ctx)
	if err != nil {
		return journal.Summary{}, err
	}
	for _, s := range all {
		if word == "latest" || s.ID == number {
			return s, nil
		}
	}
	if len(all) == 0 {
		return journal.Summary{}, fmt.Errorf("there is no session in %s yet; it gets one when the daemon runs", j.Path())
	}
	return journal.Summary{}, fmt.Errorf("%s: there is no session %s; \"stillwater record list\" shows those there are",
		where, word)
}

func (m *Main) recordList(ctx context.Context, j *journal.Journal, o recordOptions, words []string) error {
	if len(words) > 0 {
		return fmt.Errorf("%w: record list: %q is too much", errUsage, words[0])
	}
	all, err := j.Sessions(ctx)
	if err != nil {
		return err
	}
	if o.json {
		list := make([]export.Session, len(all))
		for i, s := range all {
			list[i] = export.SessionOf(s)
		}
		return render.JSON(m.Stdout, list)
	}
	if len(all) == 0 {
		fmt.Fprintf(m.Stdout, "There is no session in %s yet.\n", j.Path())
		return nil
	}
	rows := make([][]string, len(all))
	for i, s := range all {
		rows[i] = []string{fmt.Sprint(s.ID), dateWords(s.Started, s.When, "2006-01-02 15:04"), titleOf(s.Session), s.Board,
			fmt.Sprint(s.Shots)}
		for _, v := range verdicts {
			rows[i] = append(rows[i], fmt.Sprint(s.Verdicts[v]))
		}
	}
	return render.Table(m.Stdout,
		[]string{"session", "started", "name", "board", "shots", "early", "good", "late", "nothing there", "unjudged"}, rows)
}

// verdicts in the order of the columns of "record list"; the last is none yet.
var verdicts = []string{"early", "good", "late", "nothing there", ""}

func (m *Main) recordShow(ctx context.Context, j *journal.Journal, o recordOptions, words []string) error {
	words = append(words, "latest")
	if len(words) > 2 {
		return fmt.Errorf("%w: record show: %q is too much", errUsage, words[1])
	}
	s, err := findSession(ctx, j, "record show: SESSION", words[0])
	if err != nil {
		return err
	}
	if o.json {
		result, err := export.SessionJSON(ctx, m.Stdout, j, s)
		return errors.Join(err, incomplete("record show", result))
	}
	fmt.Fprintf(m.Stdout, "Session %d, %q, started %s, board: %s, shots: %d\n", s.ID, titleOf(s.Session),
		dateWords(s.Started, s.When, "2006-01-02 15:04:05"), printable(s.Board), s.Shots)
	if s.Shots == 0 && s.Damaged == "" {
		return nil
	}
	fmt.Fprint(m.Stdout, "Times of cues are from the sensor's edge.\n\n")
	return m.showTable(ctx, j, s.ID)
}

// showTable writes a session's shots as they are read: twice, for the widths of the columns and for what is in them.
func (m *Main) showTable(ctx context.Context, j *journal.Journal, session int64) error {
	var result export.Result
	var failed error
	err := render.LongTable(m.Stdout, []string{"shot", "time", "ended", "interval", "delay", "cue", "planned", "actual",
		"late", "verdict", "note"}, func(yield func([]string) bool) {
		result = export.Result{}
		for shot, err := range j.AllShots(ctx, session) {
			switch {
			case err != nil:
				failed = err
				return
			case shot.Lost:
				result.Lost = append(result.Lost, shot)
				continue
			case shot.Damaged != "":
				result.Doubtful++
			}
			for _, row := range showRows(shot) {
				if !yield(row) {
					return
				}
			}
		}
	})
	return errors.Join(err, failed, incomplete("record show", result))
}

// incomplete says what of the record could not be read.
func incomplete(command string, r export.Result) error {
	var words []string
	if n := len(r.Lost); n > 0 {
		words = append(words, fmt.Sprintf("%d of its shots cannot be read (%s)", n, export.LostWords(r.Lost)))
	}
	if r.Doubtful > 0 {
		words = append(words, fmt.Sprintf("%d others are there and marked as damaged", r.Doubtful))
	}
	if words == nil {
		return nil
	}
	return fmt.Errorf("%s: the record is damaged: %s; everything else is whole", command, strings.Join(words, ", "))
}

// titleOf is a session's title, or why it has none.
func titleOf(s journal.Session) string {
	if s.Damaged != "" {
		return strings.TrimSpace(s.Name + " (" + s.Damaged + ")")
	}
	return s.Title()
}

// showRows is a shot as lines of a table, one for each cue.
func showRows(s journal.Shot) [][]string {
	ms := func(ns int64) string { return strconv.FormatFloat(float64(ns)/1e6, 'f', 3, 64) + " ms" }
	interval := ""
	if s.IntervalNs != 0 {
		interval = ms(s.IntervalNs)
	}
	first := []string{fmt.Sprint(s.Number), dateWords(s.At, s.When, time.TimeOnly), s.Status, interval, ms(s.DelayNs)}
	last := []string{s.Verdict, strings.TrimSpace(s.Note + damagedWords(s))}
	var rows [][]string
	for _, c := range s.Cues {
		late := strconv.FormatFloat(float64(c.LateNs())/1e3, 'f', 1, 64) + " us"
		row := append(append([]string{}, first...), c.Name, ms(c.PlannedNs), ms(c.OnNs), late)
		rows = append(rows, append(row, last...))
		first, last = make([]string, len(first)), make([]string, len(last))
	}
	if rows == nil {
		rows = [][]string{append(append(first, "", "", "", ""), last...)}
	}
	return rows
}

func damagedWords(s journal.Shot) string {
	if s.Damaged == "" {
		return ""
	}
	return " (damaged: " + s.Damaged + ")"
}

// dateWords is a date with how it is known, where that is not the machine's clock.
func dateWords(at time.Time, w journal.When, layout string) string {
	if how := w.Dated.String(); how != "" {
		return at.Format(layout) + " (" + how + ")"
	}
	return at.Format(layout)
}
