package main

import (
	"context"
	"errors"
	"fmt"

	"stillwater/internal/export"
	"stillwater/internal/journal"
	"stillwater/internal/render"
	"stillwater/internal/shot"
)

func (m *Main) recordFind(ctx context.Context, j *journal.Journal, o recordOptions, words []string) error {
	if err := export.CheckWords(words); err != nil {
		return fmt.Errorf("%w: record find: %w", errUsage, err)
	}
	write := export.Find
	if o.json {
		write = export.FindJSON
	}
	result, err := write(ctx, m.Stdout, j, words)
	return errors.Join(err, incomplete("record find", result))
}

func (m *Main) recordAgain(ctx context.Context, j *journal.Journal, o recordOptions, words []string) error {
	if len(words) != 1 {
		return fmt.Errorf("%w: record again: expected one ID: a session's number, latest, or SESSION/SHOT like 3/17; "+
			"\"stillwater record find\" shows them", errUsage)
	}
	a, err := export.FindStoredSet(ctx, j, "record again", words[0])
	switch {
	case errors.Is(err, errUsage):
		return err
	case err != nil:
		return fmt.Errorf("record again: %w", err)
	case o.out != "":
		if err := export.ToFile(o.out, j.Path(), a.WriteFile); err != nil {
			return fmt.Errorf("record again: --out: %w", err)
		}
	}
	flagOf := flagsOfKind(a.Set.Kind)
	switch {
	case o.json:
		return render.JSON(m.Stdout, a.Entry(flagOf))
	case o.out != "":
		_, err := fmt.Fprintf(m.Stdout, "Set written to %s, for \"stillwater %s --set-file\".\n", o.out, a.Set.Kind)
		return errors.Join(err, a.WriteLost(m.Stdout))
	}
	return a.Write(m.Stdout, flagOf)
}

// flagsOfKind are the flags of a kind's command, by the field that they set.
func flagsOfKind(kind shot.Kind) map[string]string {
	switch kind {
	case shot.Throw:
		return newThrow().flagOf
	case shot.Sound:
		return newSound().flagOf
	case shot.Drops:
		return newDrops().flagOf
	}
	return newDrop().flagOf
}
