package tether

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"slices"
	"time"

	"stillwater/internal/logonce"
	"stillwater/internal/regular"
	"stillwater/internal/unarmed"
)

// Follow copies the files that a camera makes into a folder, while nothing is armed: a camera that is being read may
// fail to fire.
type Follow struct {
	Camera *Camera
	Dir    string
	Wanted func(path string) bool // by its name on the camera
	Armed  func() bool
	Log    *slog.Logger
	Say    func(problem string) // reports what is wrong, and "" when that is over; nil reports nothing
	Every  time.Duration        // between two looks; 0: as usual

	problem logonce.Problem
	silent  map[File]int // how often the camera did not answer for them
}

const (
	usualEvery  = 5 * time.Second
	retryFactor = 6 // so many times Every after a camera that does not answer
)

// Run goes on until the context ends. A camera that does not answer, or is not there, is tried again later. What is on
// the camera when it is seen first is old, unless files of it are in the folder: then those after them are new.
func (f *Follow) Run(ctx context.Context) {
	every := f.Every
	if every == 0 {
		every = usualEvery
	}
	f.problem.Begins, f.problem.Ends = "the connected camera cannot be read", "the connected camera answers again"
	f.problem.Say, f.silent = f.Say, map[File]int{}
	old, known := map[File]bool{}, false
	for ctx.Err() == nil {
		wait := every
		err := unarmed.Do(ctx, f.Armed, func(ctx context.Context) error {
			list, problems, err := f.Camera.List(ctx)
			if err != nil {
				return err
			}
			folder, err := regular.OpenRoot(f.Dir)
			if err != nil {
				return fmt.Errorf("the folder for the camera's files: %w: make it", err)
			}
			defer folder.Close()
			if !known {
				old, known = before(list, folder), true
				f.Log.Info("found the connected camera", "files", len(list), "old", len(old))
			}
			return errors.Join(append(problems, f.copyNew(ctx, list, old, folder))...)
		})
		if errors.Is(err, unarmed.ErrArmed) {
			wait = unarmed.Check
		} else if f.problem.Set(f.Log, err); err != nil {
			wait *= retryFactor
		}
		select {
		case <-time.After(wait):
		case <-ctx.Done():
		}
	}
}

// before are the files that are old.
func before(list []File, folder *os.Root) map[File]bool {
	old := map[File]bool{}
	for _, f := range list[:len(list)-len(After(list, folder))] {
		old[f] = true
	}
	return old
}

// copyNew copies the files that are neither old nor there. After one that the camera does not answer for, none is asked
// for: it may be the camera. The next time those come first that it was silent for the least often.
func (f *Follow) copyNew(ctx context.Context, list []File, old map[File]bool, folder *os.Root) error {
	var problems []error
	slices.SortStableFunc(list, func(a, b File) int { return cmp.Compare(f.silent[a], f.silent[b]) })
	for _, file := range list {
		if old[file] || !f.Wanted(file.Path) {
			continue
		}
		made, err := f.Camera.Copy(ctx, file, folder)
		switch {
		case ctx.Err() != nil:
			return context.Cause(ctx)
		case err != nil:
			problems = append(problems, err)
		case made:
			f.Log.Info("a file was copied from the camera", "file", file.Name(), "bytes", file.Size)
		}
		if errors.Is(err, ErrSilent) {
			f.silent[file]++
			break
		}
	}
	return errors.Join(problems...)
}
