package realtime

import "strings"

// Want is what a board process requests from the system.
type Want struct {
	Priority int // SCHED_FIFO, 1 to 99; 0: none
	CPU      int // the processor the thread is pinned to; negative: any
}

// Grant is one request and its result.
type Grant struct {
	What   string // "real-time priority 60"
	OK     bool
	Why    string // why it was refused
	Remedy string // what to grant
}

// String is the grant in one line.
func (g Grant) String() string {
	if g.OK {
		return g.What
	}
	return "no " + g.What + ": " + g.Why + "; " + g.Remedy
}

// Report lists all requests and their results.
type Report struct{ Grants []Grant }

// Missing lists the requests that were refused.
func (r Report) Missing() (missing []Grant) {
	for _, g := range r.Grants {
		if !g.OK {
			missing = append(missing, g)
		}
	}
	return missing
}

// Granted lists what was granted, separated by commas, or is "nothing".
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

// String lists what was granted and, one a line, what was refused with its remedy.
func (r Report) String() string {
	lines := []string{"granted: " + r.Granted()}
	for _, g := range r.Missing() {
		lines = append(lines, g.String())
	}
	return strings.Join(lines, "\n")
}
