package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"

	"stillwater/internal/export"
	"stillwater/internal/journal"
	"stillwater/internal/render"
)

func (m *Main) recordExport(ctx context.Context, j *journal.Journal, o recordOptions, words []string) error {
	if len(words) > 0 {
		return fmt.Errorf("%w: record export: unexpected argument %q", errUsage, words[0])
	}
	switch {
	case o.json && o.formatGiven && o.format != "json":
		return fmt.Errorf("%w: record export: --json and --format %s differ; give one of them", errUsage, o.format)
	case o.json:
		o.format = "json"
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
	opts := export.Options{ByteOrderMark: o.bom}
	if o.session != "" {
		s, err := export.FindSession(ctx, j, "--session", o.session)
		if err != nil {
			return err
		}
		opts.Session = s.ID
	}
	done := m.showProgress(ctx, j, o, &opts)
	defer done()
	if o.out == "" {
		out := bufio.NewWriter(render.Visible(m.Stdout))
		result, err := write(ctx, out, j, opts)
		return errors.Join(err, out.Flush(), incomplete("record export", result))
	}
	var result export.Result
	err := export.ToFile(o.out, j.Path(), func(w io.Writer) (err error) {
		result, err = write(ctx, w, j, opts)
		return err
	})
	if err != nil {
		return fmt.Errorf("record export: --out: %w", err)
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
	opts.Total, _ = j.Count(ctx, opts.Session) // not worth failing for
	opts.Progress, done = render.Percent(m.Stderr)
	return done
}
