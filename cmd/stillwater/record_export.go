package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"stillwater/internal/export"
	"stillwater/internal/journal"
	"stillwater/internal/render"
)

func (m *Main) recordExport(ctx context.Context, j *journal.Journal, o recordOptions, words []string) error {
	if len(words) > 0 {
		return fmt.Errorf("%w: record export: %q is too much", errUsage, words[0])
	}
	write := map[string]func(context.Context, io.Writer, export.Source, export.Options) (export.Result, error){
		"csv": export.CSV, "json": export.JSON,
	}[o.format]
	switch {
	case write == nil:
		return fmt.Errorf("%w: record export: --format %q: expected csv or json", errUsage, o.format)
	case o.bom && o.format != "csv":
		return fmt.Errorf("%w: record export: --bom is for csv; JSON has none", errUsage)
	}
	opts := export.Options{Mark: o.bom}
	if o.session != "" {
		s, err := findSession(ctx, j, "--session", o.session)
		if err != nil {
			return err
		}
		opts.Session = s.ID
	}
	done := m.showProgress(ctx, j, o, &opts)
	defer done()
	if o.out == "" {
		out := bufio.NewWriter(m.Stdout)
		result, err := write(ctx, out, j, opts)
		return errors.Join(err, out.Flush(), incomplete("record export", result))
	}
	if err := notTheJournal(o.out, j.Path()); err != nil {
		return err
	}
	var result export.Result
	err := replaceFile(o.out, func(w io.Writer) (err error) {
		result, err = write(ctx, w, j, opts)
		return err
	})
	if err != nil {
		return fmt.Errorf("record export: --out %s: %w; a file that was there is as it was: name a file in a folder you may "+
			"write to", o.out, err)
	}
	done()
	fmt.Fprintf(m.Stdout, "Shots written to %s: %d\n", o.out, result.Shots)
	return incomplete("record export", result)
}

// showProgress has an export say how far it is, where somebody looks and what is written goes elsewhere. Call done
// before anything else is said.
func (m *Main) showProgress(
	ctx context.Context, j *journal.Journal, o recordOptions, opts *export.Options,
) (done func()) {
	if !render.IsTerminal(m.Stderr) || o.out == "" && render.IsTerminal(m.Stdout) {
		return func() {}
	}
	opts.Of, _ = j.Count(ctx, opts.Session) // not worth failing for
	shown := false
	opts.Progress = func(percent int) {
		shown = true
		fmt.Fprintf(m.Stderr, "\r%d %% ", percent)
	}
	return func() {
		if shown {
			fmt.Fprint(m.Stderr, "\r\x1b[K") // the line is free again
		}
		shown = false
	}
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
