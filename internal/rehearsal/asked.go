package rehearsal

import (
	"fmt"
	"io"
	"slices"

	"stillwater/internal/scene"
	"stillwater/internal/shot"
)

// Asked is a rehearsal as somebody asks for it, in words.
type Asked struct {
	Set                   shot.Set
	Own                   bool // the set is the person's: it is not placed
	Method, Placing, Room string
	Tries                 int
	Seed                  uint64
}

// maxTries takes minutes on a small board.
const maxTries = 100_000

// Options are what is asked for. Errors name the flag and what to give.
func (a Asked) Options() (Options, error) {
	o := Options{Set: a.Set, Method: Method(a.Method), Tries: a.Tries, Seed: a.Seed}
	switch {
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

// RunReport rehearses and reports it.
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
