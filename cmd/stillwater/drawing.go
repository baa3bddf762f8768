package main

import (
	"context"
	"errors"
	"fmt"
	"io"

	"stillwater/internal/export"
	"stillwater/internal/journal"
	"stillwater/internal/record"
)

// stdoutName is the file that is standard output.
const stdoutName = "-"

// writeDrawing writes a drawing to a file, in whose place it is put when all of it is on the disk, and says so unless
// it is not to say anything. It does not take the place of the journal at a path.
func (m *Main) writeDrawing(path, journalPath, svg string, silent bool) error {
	write := func(w io.Writer) error {
		_, err := fmt.Fprintln(w, svg)
		return err
	}
	if path == stdoutName {
		return write(m.Stdout)
	}
	if err := export.ToFile(path, journalPath, write); err != nil {
		return err
	}
	if !silent {
		fmt.Fprintf(m.Stdout, "Drawing written to %s.\n", path)
	}
	return nil
}

// recordDrawing draws the set of a session, or of one of its shots.
func (m *Main) recordDrawing(ctx context.Context, j *journal.Journal, o recordOptions, id string) error {
	if o.json {
		return fmt.Errorf("%w: record show: --svg and --json: give one of them", errUsage)
	}
	a, err := export.FindStoredSet(ctx, j, "record show", id)
	if errors.Is(err, errUsage) {
		return err
	}
	if err == nil {
		err = m.writeDrawing(o.svg, j.Path(), a.Drawing().SVG, false)
	}
	if err != nil {
		return fmt.Errorf("record show: --svg: %w", err)
	}
	return nil
}

// recordTries draws a session's tries.
func (m *Main) recordTries(ctx context.Context, j *journal.Journal, o recordOptions, s record.Summary) error {
	drawn, err := export.Tries(ctx, j, s)
	if err == nil {
		err = m.writeDrawing(o.tries, j.Path(), drawn.SVG, o.tries == stdoutName)
	}
	if err != nil {
		return fmt.Errorf("record show: --tries: %w", err)
	}
	if o.tries != stdoutName {
		fmt.Fprintln(m.Stdout, drawn.Words)
	}
	return nil
}
