package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"runtime"
	"slices"
	"strconv"
	"strings"

	"stillwater/internal/commandline"
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
	kindNamed := func(text string) error {
		if set.Kind = shot.Kind(text); !slices.Contains(shot.Kinds(), set.Kind) {
			return errors.New("use drop, drops or throw")
		}
		return nil
	}
	flags.Func("kind", "what flies, its `KIND`: drop (the default), drops or throw", kindNamed)
	dir := flags.String("png", "", "write the pictures into the folder `DIR`, created if it is not there")
	seed := flags.Uint64("seed", 1, "seed of the room: another number is another evening")
	size := picture.Options{Width: 960, Threads: runtime.GOMAXPROCS(0)}
	flags.Func("width", "with --png: width in `PIXELS` (960); the height is two thirds", func(text string) (err error) {
		if size.Width, err = strconv.Atoi(text); err != nil || size.Width < 12 || size.Width > 1920 {
			return errors.New("use 12 to 1920")
		}
		return nil
	})
	var light *picture.Gel
	flags.Func("gel", "with --png: the background's `COLOUR`: "+practice.GelNames(), func(text string) (err error) {
		light, err = practice.GelNamed(text)
		return err
	})
	flags.TextVar(&late, "late", late, "with --png: take them this much later, or earlier if negative")
	many := &manyTries{}
	many.define(flags)
	flags.Func("set", "`FIELD=VALUE` of the set, like drop.liquid=milk; may be given again; a kind alone: as --kind",
		func(text string) error {
			field, value, given := strings.Cut(text, "=")
			if !given {
				return kindNamed(text)
			}
			many.asked.Own = true
			return set.Put(field, value)
		})
	err := m.onlyFlags(flags, args, "stillwater rehearse shows the results of many tries in the simulated room "+
		"(--tries), "+
		"or writes the pictures\n"+
		"that its camera takes of a drop by phases, of two that collide, or of a throw (--png).\n\n", "", "")
	if err == nil {
		err = checkRehearsal(flags, set.Kind, many.asked.Any())
	}
	switch {
	case err != nil:
		return err
	case *dir == "" && !many.asked.Any():
		return fmt.Errorf("%w: rehearse: give a folder for pictures, like --png pictures, or a number of tries, like "+
			"--tries 1000; --kind, --set, --seed, --late, --method and --placing say of what", errUsage)
	case many.asked.Any():
		return many.run(m, set, *seed)
	}
	frames, err := practice.Frames(set, *seed, late.Duration())
	if err == nil && len(frames) == 0 {
		err = errors.New("this throw fell short of the focus spot: try another --seed")
	}
	if err != nil {
		return fmt.Errorf("rehearse: %w", err)
	}
	size.Height, size.Seed = size.Width*2/3, *seed
	return m.writeFrames(ctx, frames, light, *dir, size)
}

// writeFrames writes the pictures of a flight, with a gel if one was given.
func (m *Main) writeFrames(ctx context.Context, frames []practice.Picture, light *picture.Gel, dir string,
	size picture.Options) error {
	for _, f := range frames {
		if light != nil {
			f.Light.Gel = *light
		}
		path, err := f.Write(ctx, dir, size)
		if err != nil {
			return fmt.Errorf("rehearse: --png: %w", err)
		}
		fmt.Fprintf(m.Stdout, "%s: %s\n", path, f.Words)
	}
	return nil
}

// checkRehearsal refuses what cannot be rehearsed, and flags that would do nothing.
func checkRehearsal(flags *flag.FlagSet, kind shot.Kind, tries bool) error {
	picture := commandline.FirstGiven(flags, "png", "width", "gel", "late")
	many := commandline.FirstGiven(flags, "json", "method", "placing", "room", "shuffled")
	switch {
	case tries && kind != shot.Drop && kind != shot.Throw:
		return fmt.Errorf("%w: rehearse: --tries, --sweep: use drop or throw", errUsage)
	case kind == shot.Sound:
		return fmt.Errorf("%w: rehearse: %w: use drop, drops or throw", errUsage, practice.ErrNoFrame)
	case tries && picture != "":
		return fmt.Errorf("%w: rehearse: --%s is for pictures: leave --tries and --sweep out", errUsage, picture)
	case !tries && many != "":
		return fmt.Errorf("%w: rehearse: --%s is for tries: add --tries or --sweep", errUsage, many)
	}
	return nil
}
