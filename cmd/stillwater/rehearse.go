package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"runtime"
	"strings"

	"stillwater/internal/phys"
	"stillwater/internal/picture"
	"stillwater/internal/practice"
	"stillwater/internal/shot"
)

// rehearse says what came of many tries in the simulated room, or writes the pictures of one flight.
func (m *Main) rehearse(ctx context.Context, args []string) error {
	flags := flag.NewFlagSet("rehearse", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	set, late := shot.DefaultSet(), phys.Time(0)
	kind := flags.String("kind", string(shot.Drop), "what flies: drop or throw")
	dir := flags.String("png", "", "write the pictures into the folder `DIR`, which is made")
	seed := flags.Uint64("seed", 1, "of the room: another number is another evening")
	width := flags.Int("width", 960, "of a picture in pixels; its height is two thirds of that")
	gel := flags.String("gel", "", "on the background's light: "+practice.GelNames())
	flags.TextVar(&late, "late", late, "take them so much later, or earlier if negative")
	many := newManyTries(flags)
	flags.Func("set", "`FIELD=VALUE` of the set, like drop.liquid=milk; may be given again; drop or throw: as --kind",
		func(text string) error {
			field, value, given := strings.Cut(text, "=")
			if !given {
				*kind = text
				return nil
			}
			many.own = true
			return set.Put(field, value)
		})
	err := m.onlyFlags(flags, args, "stillwater rehearse says what comes of many tries in the simulated room (--tries), "+
		"or writes the pictures\nthat its camera takes of one drop, phase by phase, or of one throw (--png).\n\n", "", "")
	set.Kind = shot.Kind(*kind)
	switch {
	case err != nil:
		return err
	case *dir == "" && many.tries == 0:
		return fmt.Errorf("%w: rehearse: give a folder for pictures, like --png pictures, or a number of tries, like "+
			"--tries 1000", errUsage)
	case set.Kind != shot.Drop && set.Kind != shot.Throw:
		return fmt.Errorf("%w: rehearse: --kind %s: use drop or throw", errUsage, *kind)
	case many.tries != 0:
		return many.run(m, set, *seed)
	}
	frames, err := practice.Frames(set, *seed, late.Duration())
	if err == nil && len(frames) == 0 {
		err = errors.New("this throw fell short of the focus spot: try another --seed")
	}
	if err == nil && *gel != "" {
		err = practice.Gelled(frames, *gel)
	}
	if err != nil {
		return fmt.Errorf("rehearse: %w", err)
	}
	size := picture.Options{Width: *width, Height: *width * 2 / 3, Threads: runtime.GOMAXPROCS(0), Seed: *seed}
	for _, f := range frames {
		path, err := f.Write(ctx, *dir, size)
		if err != nil {
			return fmt.Errorf("rehearse: --png: %w", err)
		}
		fmt.Fprintf(m.Stdout, "%s: %s\n", path, f.Words)
	}
	return nil
}
