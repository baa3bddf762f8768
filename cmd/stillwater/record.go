package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"

	"stillwater/internal/commandline"
	"stillwater/internal/config"
	"stillwater/internal/export"
	"stillwater/internal/journal"
	"stillwater/internal/render"
)

const recordUsage = `Usage:
  stillwater record list   [--json]
  stillwater record show   [SESSION|latest] [--json]
  stillwater record show   SESSION|latest|SESSION/SHOT --svg FILE
  stillwater record show   SESSION|latest --tries FILE
  stillwater record find   WORDS [--json]
  stillwater record again  SESSION|latest|SESSION/SHOT [--json] [--out FILE]
  stillwater record export [--format csv|json] [--bom] [--session N|latest] [--out FILE]

list    the sessions, newest first, with the verdicts on their shots
show    one session's shots: the camera's file number, kind, phase, trim, speed, planned, actual, how late, what was
        seen, verdict and marks, note (default: latest); or draw the set of a session or a shot from the side, to scale;
        or draw a session's tries over their delay, with the best delay that they speak for
find    the sessions and shots that have all the words in name, note, date, kind, verdict, marks (keeper, blurred,
        black), file number or frame (0471), newest first
again   the set of a session, or of one of its shots, as flags of "stillwater drop", "throw", "sound" or "drops" and
        as a file for their --set-file; and what could not be carried over
export  every shot for a spreadsheet (csv) or a program (json); with the set of each shot, json also with its program

All of them work while the daemon runs, and read whatever is intact in a damaged record. In csv, a text that a
spreadsheet would take for a formula gets an apostrophe in front. Options:
`

// recordOptions are the flags of "record"; a subcommand has those that it needs.
type recordOptions struct {
	journal, format, session, out, svg, tries string
	json, bom, formatGiven                    bool
}

// record carries out "stillwater record list|show|find|again|export".
func (m *Main) record(ctx context.Context, args []string) error {
	subcommands := map[string]func(*Main, context.Context, *journal.Journal, recordOptions, []string) error{
		"list": (*Main).recordList, "show": (*Main).recordShow, "export": (*Main).recordExport,
		"find": (*Main).recordFind, "again": (*Main).recordAgain,
	}
	name := "help"
	if len(args) > 0 {
		name, args = args[0], args[1:]
	}
	run := subcommands[name]
	if run == nil && !isHelp(name) {
		return fmt.Errorf("%w: record %s: expected list, show, find, again or export", errUsage, name)
	}
	o, flags := recordFlags(name)
	words, err := commandline.ParseAmong(flags, args)
	if run == nil || errors.Is(err, flag.ErrHelp) {
		fmt.Fprint(m.Stdout, recordUsage)
		commandline.Print(m.Stdout, flags)
		return nil
	}
	if err != nil {
		return err
	}
	flags.Visit(func(f *flag.Flag) { o.formatGiven = o.formatGiven || f.Name == "format" })
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
	flags.BoolVar(&o.json, "json", false, "write JSON, keys with units; for export the same as --format json")
	all := isHelp(name)
	if all || name == "export" {
		flags.StringVar(&o.format, "format", "csv", "export: csv or json")
		flags.BoolVar(&o.bom, "bom", false,
			"export: begin csv with a byte-order mark, for spreadsheets that show umlauts wrong")
		flags.StringVar(&o.session, "session", "", "export: only session `N`, or latest (default: all)")
	}
	if all || name == "show" {
		flags.StringVar(&o.svg, "svg", "", "show: draw the set into `FILE`; -: to standard output")
		flags.StringVar(&o.tries, "tries", "", "show: draw the tries over their delay into `FILE`; -: to standard output")
	}
	if all || name == "export" || name == "again" {
		flags.StringVar(&o.out, "out", "", "export, again: write `FILE` (default: standard output)")
	}
	return o, flags
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

func (m *Main) recordList(ctx context.Context, j *journal.Journal, o recordOptions, words []string) error {
	if len(words) > 0 {
		return fmt.Errorf("%w: record list: unexpected argument %q", errUsage, words[0])
	}
	all, err := j.Sessions(ctx)
	switch {
	case err != nil:
		return err
	case o.json:
		return render.JSON(m.Stdout, export.SessionsOf(all))
	case len(all) == 0:
		fmt.Fprintf(m.Stdout, "There is no session in %s yet.\n", j.Path())
		return nil
	}
	return export.SessionTable(m.Stdout, all)
}

func (m *Main) recordShow(ctx context.Context, j *journal.Journal, o recordOptions, words []string) error {
	words = append(words, "latest")
	if len(words) > 2 {
		return fmt.Errorf("%w: record show: unexpected argument %q", errUsage, words[1])
	}
	switch {
	case o.json && o.tries != "" || o.svg != "" && o.tries != "":
		return fmt.Errorf("%w: record show: --svg, --tries and --json: give one of them", errUsage)
	case o.svg != "":
		return m.recordDrawing(ctx, j, o, words[0])
	}
	s, err := export.FindSession(ctx, j, "record show: SESSION", words[0])
	if err != nil {
		return err
	}
	if o.tries != "" {
		return m.recordTries(ctx, j, o, s)
	}
	write := export.ShotTable
	if o.json {
		write = export.SessionJSON
	}
	result, err := write(ctx, m.Stdout, j, s)
	return errors.Join(err, incomplete("record show", result))
}

// incomplete says what of the record could not be read.
func incomplete(command string, r export.Result) error {
	if err := r.Incomplete(); err != nil {
		return fmt.Errorf("%s: %w", command, err)
	}
	return nil
}
