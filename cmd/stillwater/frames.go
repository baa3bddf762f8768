package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"

	"stillwater/internal/commandline"
	"stillwater/internal/contactsheet"
	"stillwater/internal/frames"
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
	files := contactsheet.Files{Say: m.Stderr}
	flags := flag.NewFlagSet("frames", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	file := flags.String("journal", "", "the journal's `FILE` (default: the configuration's, or in the state folder)")
	word := flags.String("session", "latest", "the session: its number, or latest")
	flags.Func("pair", "`SHOT=FILE`, a shot's number and its file; may be given again", o.Settle)
	asJSON := flags.Bool("json", false, "write JSON, keys with units")
	flags.StringVar(&files.CSV, "csv", "", "write a table for a spreadsheet into `FILE`")
	flags.StringVar(&files.HTML, "sheet", "", "write the contact sheet, HTML, into `FILE`")
	flags.TextVar(&files.Pick, "pick", contactsheet.All, "on the sheet: all, keepers, or delays (one for each delay)")
	flags.BoolVar(&files.DryRun, "dry-run", false, "write no file, and say which would be written")
	words, err := parseRecordFlags(flags, args)
	switch {
	case errors.Is(err, flag.ErrHelp):
		fmt.Fprint(m.Stdout, framesUsage)
		commandline.Print(m.Stdout, flags)
		return nil
	case err != nil:
		return err
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
	s, err := findSession(ctx, j, "frames: --session", *word)
	if err != nil {
		return err
	}
	made, err := contactsheet.Make(ctx, j, s, folder, o)
	if err == nil {
		err = made.WriteFiles(ctx, folder, j.Path(), files)
	}
	if err != nil {
		return fmt.Errorf("frames: %w", err)
	}
	if *asJSON {
		return render.JSON(m.Stdout, made.Entry())
	}
	return made.Write(m.Stdout)
}
