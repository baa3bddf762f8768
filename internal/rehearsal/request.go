package rehearsal

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"slices"

	"stillwater/internal/scene"
	"stillwater/internal/shot"
	"stillwater/internal/tuning"
)

// Request is a rehearsal as its flags ask for it.
type Request struct {
	Set                   shot.Set
	Own                   bool // the set is the person's: it is not placed
	Method, Placing, Room string
	Tries                 int
	Seed                  uint64
	Sweep                 *tuning.Sweep // instead of tries; nil: none
	Shuffled              bool          // of the sweep: the trims in any order
}

// Define defines the flags, with their usual values.
func (a *Request) Define(flags *flag.FlagSet) {
	flags.IntVar(&a.Tries, "tries", 0, "`COUNT` of tries to make and sum up")
	flags.StringVar(&a.Method, "method", string(Gates),
		"what times the tries: gates (the set's beams), one-beam (a fixed delay after the second) or hand (a remote release)")
	flags.StringVar(&a.Placing, "placing", string(Well),
		"a throw's beams: well, or beginner (close together, far from the focus spot); a set that is given has its own")
	flags.StringVar(&a.Room, "room", scene.UsualPreset, "the `ROOM`, from easy to hard: still, kitchen, squall")
	flags.Func("sweep", "instead of --tries, EACH tries at each trim: `FROM,TO,STEP,EACH`, like -20ms,20ms,5ms,4",
		func(text string) error {
			sweep, err := ParseSweep(text)
			a.Sweep = &sweep
			return err
		})
	flags.BoolVar(&a.Shuffled, "shuffled", false, "with --sweep: the trims in random order")
}

// Any reports whether tries or a sweep are asked for.
func (a Request) Any() bool { return a.Tries != 0 || a.Sweep != nil }

// Answer is the result of a request: in words, or as JSON.
type Answer interface{ Write(io.Writer) error }

// Run rehearses with options of its own.
func (a Request) Run(o Options) (Answer, error) {
	if a.Sweep != nil {
		return RunSweep(o, *a.Sweep, a.Shuffled)
	}
	return RunReport(o)
}

// maxTries takes minutes on a small board.
const maxTries = 100_000

// Options are what is asked for. Errors name the flag and what to give.
func (a Request) Options() (Options, error) {
	o := Options{Set: a.Set, Method: Method(a.Method), Tries: a.Tries, Seed: a.Seed}
	switch {
	case a.Tries != 0 && a.Sweep != nil:
		return o, errors.New("--tries and --sweep are two ways: give one")
	case a.Shuffled && a.Sweep == nil:
		return o, errors.New("--shuffled is of a sweep: give --sweep too")
	case a.Tries < 0 || a.Tries > maxTries:
		return o, fmt.Errorf("--tries %d: use 1 to %d", a.Tries, maxTries)
	case !slices.Contains(Methods(), o.Method):
		return o, fmt.Errorf("--method %s: use gates, one-beam or hand", a.Method)
	case !slices.Contains(Placings(), Placing(a.Placing)):
		return o, fmt.Errorf("--placing %s: use well or beginner", a.Placing)
	}
	var err error
	if o.Room, err = scene.PresetNamed(a.Room); err != nil {
		return o, fmt.Errorf("--room: %w", err)
	}
	if !a.Own {
		o.Set, err = Placed(a.Set.Kind, Placing(a.Placing))
	}
	return o, err
}

// RunReport is Run, with its result as a report that can be written out.
func RunReport(o Options) (Report, error) {
	r, err := Run(o)
	if err != nil {
		return Report{}, err
	}
	p := r.Report(o)
	p.write = func(w io.Writer) error { return r.Write(w, o) }
	return p, nil
}

// Write writes the report in words.
func (p Report) Write(w io.Writer) error { return p.write(w) }
