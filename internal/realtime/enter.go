package realtime

import "strings"

// Want is what a board process asks of the system.
type Want struct {
	Priority int // SCHED_FIFO, 1 to 99; 0: none
	CPU      int // the processor the thread keeps to; negative: whichever
}

// Grant is one thing that was asked for, and what came of it.
type Grant struct {
	What   string // "real-time priority 60"
	OK     bool
	Why    string // it was refused
	Remedy string // what to grant
}

// String is the grant in one line.
func (g Grant) String() string {
	if g.OK {
		return g.What
	}
	return "no " + g.What + ": " + g.Why + "; " + g.Remedy
}

// Report is all that was asked for.
type Report struct{ Grants []Grant }

// Missing are the things that were refused.
func (r Report) Missing() (missing []Grant) {
	for _, g := range r.Grants {
		if !g.OK {
			missing = append(missing, g)
		}
	}
	return missing
}

// Granted names what was granted, with commas between; "nothing" if so.
func (r Report) Granted() string {
	var names []string
	for _, g := range r.Grants {
		if g.OK {
			names = append(names, g.What)
		}
	}
	if len(names) == 0 {
		return "nothing"
	}
	return strings.Join(names, ", ")
}

// String is what was granted and, a line each, what was not and what to grant.
func (r Report) String() string {
	lines := []string{"granted: " + r.Granted()}
	for _, g := range r.Missing() {
		lines = append(lines, g.String())
	}
	return strings.Join(lines, "\n")
}
