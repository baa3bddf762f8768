package trigger

import "stillwater/internal/wire"

// State is everything a board knows. It is a value; Step makes the next one.
type State struct{ cfg Config }

// New makes the state of a board that has just started.
func New(cfg Config) (State, error) { return State{cfg: cfg}, nil }

// Step takes one event and returns the next state and what to do, appended to buf. It allocates nothing when buf has
// room for MaxActions.
func Step(s State, e Event, buf []Action) (State, []Action) { return s, buf }

// Wake is when s wants an EventWake, if it does.
func (s *State) Wake() (wire.Tick, bool) { return 0, false }

// MaxActions is the most that one Step returns.
const MaxActions = 96
