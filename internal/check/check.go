// Package check compares a configuration with this machine: whether the board's lines and its port exist and are free,
// what may go wrong with them, and whether this user may have what the daemon needs. It changes nothing and switches
// nothing; inputs that are free are requested once and released.
package check

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"stillwater/internal/config"
	"stillwater/internal/render"
)

// Severity says what a finding means.
type Severity string

// The severities, the worst first.
const (
	Stop    Severity = "stop"    // Stillwater will not run, or not as configured
	Warning Severity = "warning" // it will run, and something may go wrong
	Note    Severity = "note"    // good to know
)

// Finding is one thing that was found.
type Finding struct {
	Severity Severity `json:"severity"`
	Where    string   `json:"where"`
	What     string   `json:"what"`
	Remedy   string   `json:"remedy"` // "" for some notes
}

// Report is all that was found, the worst first.
type Report struct {
	Configuration string        `json:"configuration"` // "" without one
	Board         string        `json:"board"`
	Serial        *SerialReport `json:"serial,omitempty"` // what a board on a serial port answered
	Findings      []Finding     `json:"findings"`
	Stops         int           `json:"stops"`
	Warnings      int           `json:"warnings"`
}

// Stopped reports whether Stillwater would not run, or not as configured.
func (r Report) Stopped() bool { return r.Stops > 0 }

// Options say which configuration to check, and with what environment.
type Options struct {
	Path      string // of the configuration; "": the one that is found
	Getenv    func(string) string
	Listening func(time.Duration) // called before a serial board's clock is listened to for so long, unless it is nil
}

// Run reads the configuration and looks at the machine.
func Run(ctx context.Context, o Options) Report {
	conf, err := config.Find(o.Path)
	if err != nil && !errors.Is(err, config.ErrNotFound) {
		return summarize(Report{Configuration: o.Path, Findings: unreadable(err)})
	}
	s := survey(ctx, conf, o)
	r := Report{Configuration: conf.Path, Board: string(conf.Board.Kind), Serial: s.probe.report()}
	if err != nil {
		r.Findings = append(r.Findings, Finding{Note, "configuration", "none was found, so Stillwater runs its simulated rig",
			"for a real board write one of " + strings.Join(config.Places(), ", ")})
	}
	r.Findings = append(r.Findings, s.findings()...)
	return summarize(r)
}

// findings is what is found at a site.
func (s site) findings() (all []Finding) {
	for _, examine := range examinations(s.conf.Board.Kind) {
		all = append(all, examine(s)...)
	}
	return all
}

// unreadable makes a finding of each error in a configuration.
func unreadable(err error) (all []Finding) {
	var several interface{ Unwrap() []error }
	if errors.As(err, &several) {
		for _, e := range several.Unwrap() {
			all = append(all, unreadable(e)...)
		}
		return all
	}
	e := new(config.Error)
	if !errors.As(err, &e) {
		return []Finding{{Stop, "configuration", err.Error(), "correct the file"}}
	}
	where := e.Path
	if e.Line > 0 {
		where = fmt.Sprintf("%s:%d:%d", e.Path, e.Line, e.Column)
	}
	return []Finding{{Stop, where, e.What, e.Remedy}}
}

// summarize counts and puts the worst first.
func summarize(r Report) Report {
	order := []Severity{Stop, Warning, Note}
	slices.SortStableFunc(r.Findings, func(a, b Finding) int {
		return slices.Index(order, a.Severity) - slices.Index(order, b.Severity)
	})
	for _, f := range r.Findings {
		switch f.Severity {
		case Stop:
			r.Stops++
		case Warning:
			r.Warnings++
		}
	}
	if r.Findings == nil {
		r.Findings = []Finding{}
	}
	return r
}

// Write writes the findings for people.
func (r Report) Write(w io.Writer) error {
	var b strings.Builder
	for _, f := range r.Findings {
		fmt.Fprintf(&b, "%-7s  %s: %s\n", f.Severity, render.Printable(f.Where), render.Printable(f.What))
		if f.Remedy != "" {
			fmt.Fprintf(&b, "         -> %s\n", render.Printable(f.Remedy))
		}
	}
	if len(r.Findings) > 0 {
		fmt.Fprintln(&b)
	}
	name := r.Configuration
	if name == "" {
		name = "no configuration"
	}
	fmt.Fprintf(&b, "%s: %s, %s.\n", render.Printable(name),
		count(r.Stops, "finding stops it", "findings stop it", "nothing stops it"),
		count(r.Warnings, "warning", "warnings", "no warnings"))
	if _, err := io.WriteString(w, b.String()); err != nil {
		return fmt.Errorf("write the findings: %w", err)
	}
	return nil
}

func count(n int, one, many, none string) string {
	switch n {
	case 0:
		return none
	case 1:
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
