package shot

// Compile turns a set on a bench into a program, and into the timeline of its middle shot.
//
// Errors: *FieldError when a field is impossible, *Refusal when the plan as a whole cannot work.
func Compile(set Set, bench Bench) (Program, Timeline, error) { return Program{}, Timeline{}, nil }
