package contactsheet

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"stillwater/internal/frames"
	"stillwater/internal/tether"
)

// A camera that may have to fire is not read.
var (
	errInUse = errors.New("--camera: stillwater runs and may be armed, and a camera that is being read may fail to " +
		"fire: stop it first, or let it fetch new files itself: stillwater --frames DIR --camera PORT")
	errNotHeld = errors.New("--camera: the journal cannot be written, so it is unknown whether anything is armed: run " +
		"this as the journal's owner")
)

// patience is how long a camera may take for its list, and to begin a file: nothing can be armed meanwhile, and the
// person at the terminal can end it. Own choice.
const patience = 5 * time.Minute

// Fetch copies what the connected camera has, and the folder has not, into the folder. What cannot be copied is said
// and costs only itself, but for a camera that answers nothing any more: the next run goes on where this one ended.
func (o *Options) Fetch(ctx context.Context, folder *frames.Folder, f Files) error {
	if o.Camera == "" {
		return nil
	}
	camera, err := tether.Find(o.Camera)
	if err != nil {
		return fmt.Errorf("--camera %q: %w", o.Camera, err)
	}
	switch {
	case o.inUse:
		return errInUse
	case !o.held:
		return errNotHeld
	}
	camera.Limits.List, camera.Limits.Begin = patience, patience
	list, problems, err := camera.List(ctx)
	if ctx.Err() != nil {
		return errors.New("--camera: stopped before its files were listed; nothing was fetched")
	}
	if err != nil {
		return fmt.Errorf("--camera %q: %w", o.Camera, err)
	}
	list = slices.DeleteFunc(list, func(file tether.File) bool { return !frames.IsFrame(file.Path) })
	if f.DryRun {
		sayMissing(list, folder, f)
	} else {
		failed, err := o.fetchAll(ctx, camera, list, folder, f)
		if err != nil {
			return err
		}
		problems = append(problems, failed...)
	}
	for _, p := range problems {
		fmt.Fprintln(f.Say, "stillwater: frames:", oneLine(p.Error()))
	}
	return nil
}

// sayMissing says which files the folder has not.
func sayMissing(list []tether.File, folder *frames.Folder, f Files) {
	for _, file := range list {
		if !file.IsIn(folder.Root()) {
			fmt.Fprintln(f.Say, "Would be fetched:", oneLine(file.Path))
		}
	}
}

// fetchAll copies the files that the folder has not, and says how many there were. An error means that it was stopped.
func (o *Options) fetchAll(ctx context.Context, camera *tether.Camera, list []tether.File, folder *frames.Folder,
	f Files) (problems []error, _ error) {
	progress := func(int) {}
	if o.Progress != nil {
		progress = o.Progress(len(list))
	}
	fetched, there := 0, 0
	for i, file := range list {
		made, err := camera.Copy(ctx, file, folder.Root())
		switch {
		case ctx.Err() != nil:
			return nil, fmt.Errorf("--camera: stopped at %d of its %d files; those before it are in the folder, and the same "+
				"command fetches the others", i+1, len(list))
		case err != nil:
			problems = append(problems, err)
		case made:
			fetched++
		default:
			there++
		}
		if errors.Is(err, tether.ErrSilent) {
			problems = append(problems, errors.New("what is left on the camera is fetched the next time"))
			break
		}
		progress(i + 1)
	}
	fmt.Fprintf(f.Say, "From the camera: %d fetched, %d were there.\n", fetched, there)
	return problems, nil
}
