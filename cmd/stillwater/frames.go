package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"

	"stillwater/internal/commandline"
	"stillwater/internal/contactsheet"
	"stillwater/internal/export"
	"stillwater/internal/frames"
	"stillwater/internal/journal"
	"stillwater/internal/render"
)

const framesUsage = `Usage:
  stillwater frames DIR [--session N|latest] [--pair SHOT=FILE ...] [--json] [--csv FILE] [--sheet FILE] [--dry-run]

says which of the camera's files in a folder, or on its card, is which shot of a session: by their times, however wrong
the camera's clock is. A match is certain, likely or open; --pair names one that you know, and settles others with it.
--sheet writes a contact sheet, one file to look at or print. Nothing in the folder is changed. Options:

`

// frames carries out "stillwater frames".
func (m *Main) frames(ctx context.Context, args []string) error {
	var o contactsheet.Options
	var pick contactsheet.Pick
	flags := flag.NewFlagSet("frames", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	file := flags.String("journal", "", "the journal's `FILE` (default: the configuration's, or in the state folder)")
	word := flags.String("session", "latest", "the session: its number, or latest")
	flags.Func("pair", "`SHOT=FILE`, a shot's number and its file; may be given again", func(text string) error {
		o.Settled = append(o.Settled, text)
		return nil
	})
	asJSON := flags.Bool("json", false, "write JSON, keys with units")
	table := flags.String("csv", "", "write a table for a spreadsheet into `FILE`")
	sheet := flags.String("sheet", "", "write the contact sheet, HTML, into `FILE`")
	flags.TextVar(&pick, "pick", contactsheet.All, "on the sheet: all, keepers, or delays (one frame for each delay)")
	dry := flags.Bool("dry-run", false, "write no file, and say which would be written")
	words, err := parseRecordFlags(flags, args)
	switch {
	case errors.Is(err, flag.ErrHelp):
		fmt.Fprint(m.Stdout, framesUsage)
		commandline.Print(m.Stdout, flags)
		return nil
	case err != nil:
		return err
	case *table != "" && *table == *sheet:
		return fmt.Errorf("%w: frames: --csv and --sheet name the same file; name two", errUsage)
	case len(words) != 1:
		return fmt.Errorf("%w: frames: name one folder: the camera's card, or one with its files", errUsage)
	}
	folder, err := frames.Open(words[0])
	if err != nil {
		return fmt.Errorf("frames: %w", err)
	}
	defer folder.Close()
	j, err := m.openRecord(ctx, *file)
	if err != nil {
		return err
	}
	defer j.Close()
	o.Progress = func(of int) func(int) { return render.Progress(m.Stderr, of, "frames") }
	made, err := m.makeSheet(ctx, j, *word, folder, o)
	if err != nil {
		return err
	}
	write := map[string]func(io.Writer) error{*table: made.WriteCSV,
		*sheet: func(w io.Writer) error { return made.WriteHTML(ctx, w, folder, pick, o.Progress) }}
	for path, write := range write {
		if err := m.writeSheet(path, j.Path(), *dry, write); err != nil {
			return fmt.Errorf("frames: %w", err)
		}
	}
	for _, p := range made.Problems {
		fmt.Fprintln(m.Stderr, "stillwater: frames:", render.Printable(p.Error()))
	}
	if *asJSON {
		return render.JSON(m.Stdout, made.Entry())
	}
	return made.Write(m.Stdout)
}

func (m *Main) makeSheet(ctx context.Context, j *journal.Journal, word string, folder *frames.Folder,
	o contactsheet.Options) (*contactsheet.Sheet, error) {
	s, err := findSession(ctx, j, "frames: --session", word)
	if err != nil {
		return nil, err
	}
	made, err := contactsheet.Make(ctx, j, s, folder, o)
	if errors.Is(err, contactsheet.ErrPair) {
		return nil, fmt.Errorf("%w: frames: --pair %w", errUsage, err)
	}
	if err != nil {
		return nil, fmt.Errorf("frames: %w", err)
	}
	return &made, nil
}

func (m *Main) writeSheet(path, journalPath string, dry bool, write func(io.Writer) error) error {
	switch {
	case path == "":
		return nil
	case frames.IsFrame(path):
		return fmt.Errorf("%s may be a photograph, by its name: name another file", path)
	case dry:
		fmt.Fprintf(m.Stderr, "Would be written: %s\n", path)
		return nil
	}
	return export.ToFile(path, journalPath, write)
}
