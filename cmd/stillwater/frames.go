package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime"

	"stillwater/internal/commandline"
	"stillwater/internal/contactsheet"
	"stillwater/internal/export"
	"stillwater/internal/frames"
	"stillwater/internal/realtime"
	"stillwater/internal/render"
)

// frames carries out "stillwater frames".
func (m *Main) frames(ctx context.Context, args []string) error {
	var o contactsheet.Options
	files := contactsheet.Files{Say: m.Stderr}
	flags := flag.NewFlagSet("frames", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	file := flags.String("journal", "", "the journal's `FILE` (default: the configuration's, or in the state folder)")
	word := flags.String("session", "latest", "the session: its number, or latest, the last one with shots")
	o.SetFlags(flags)
	files.SetFlags(flags)
	words, err := commandline.ParseAmong(flags, args)
	switch {
	case errors.Is(err, flag.ErrHelp):
		fmt.Fprint(m.Stdout, contactsheet.Usage)
		commandline.Print(m.Stdout, flags)
		return nil
	case err != nil:
		return err
	case len(words) != 1:
		return fmt.Errorf("%w: frames: name one folder: the camera's card, or one with its files", errUsage)
	}
	if err := o.Check(files); err != nil {
		return fmt.Errorf("frames: %w", err)
	}
	o.InFolder(words[0])
	folder, err := frames.Open(words[0])
	if err != nil {
		return fmt.Errorf("frames: %w", err)
	}
	defer folder.Close()
	j, err := m.openRecord(ctx, *file)
	if err != nil {
		return err
	}
	defer func() { j.Close() }() // that which OpenForWriting gives in its place
	if j, err = o.OpenForWriting(ctx, j, files); err != nil {
		return fmt.Errorf("frames: %w", err)
	}
	// One who asks for the end again gets it, whatever a file's disk that does not answer holds up.
	defer context.AfterFunc(ctx, func() { signal.Reset(os.Interrupt) })()
	runtime.LockOSThread() // what is armed on this machine comes first
	realtime.Yield()
	o.Progress = func(of int) func(int) { return render.Progress(m.Stderr, of, "frames") }
	s, err := export.FindSession(ctx, j, "frames: --session", *word)
	if err == nil && *word == "latest" && !o.Watch {
		s, err = contactsheet.WithShots(ctx, j, s, m.Stderr)
	}
	if err != nil {
		return err
	}
	if err := o.Fetch(ctx, folder, files); err != nil {
		return fmt.Errorf("frames: %w", err)
	}
	if o.Watch {
		return contactsheet.Watch(ctx, j, s, folder, o, m.Stdout)
	}
	made, err := contactsheet.Make(ctx, j, s, folder, o)
	if err != nil {
		return fmt.Errorf("frames: %w", contactsheet.ForCommandLine(err))
	}
	if err := made.Answer(ctx, m.Stdout, folder, j.Path(), files); err != nil {
		return fmt.Errorf("frames: %w", err)
	}
	if o.Black != "" && made.Room == nil {
		return errors.New("frames: --black: the room was not judged, see above")
	}
	return nil
}
