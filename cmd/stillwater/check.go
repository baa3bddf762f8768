package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"slices"

	"stillwater/internal/config"
	"stillwater/internal/render"
)

const checkUsage = `stillwater check holds a configuration against this machine: whether its lines are there and free,
what may go wrong with them, and whether this user may have what it needs. It changes nothing and switches nothing;
inputs that are free are asked for once and let go. Run it as the user that will run Stillwater.

`

const checkStatus = `
Exit status: 0 nothing found, 1 something stops it, 2 called wrongly, 3 warnings only.
`

// The exit statuses of check, for scripts.
const (
	statusStops    exitStatus = 1
	statusWarnings exitStatus = 3
)

// severity says what a finding means.
type severity string

const (
	stops   severity = "stop"    // Stillwater will not run, or not as configured
	warning severity = "warning" // it will run, and something may go wrong
	note    severity = "note"    // good to know
)

// finding is one thing that check has to say.
type finding struct {
	Severity severity `json:"severity"`
	Where    string   `json:"where"`
	What     string   `json:"what"`
	Remedy   string   `json:"remedy"` // "" for some notes
}

// checked is the answer of check.
type checked struct {
	Configuration string    `json:"configuration"` // "" without one
	Board         string    `json:"board"`
	Serial        *says     `json:"serial,omitempty"` // what a board on a serial port said
	Findings      []finding `json:"findings"`
	Stops         int       `json:"stops"`
	Warnings      int       `json:"warnings"`
}

// check validates a configuration against the machine.
func (m *Main) check(ctx context.Context, args []string) error {
	flags := flag.NewFlagSet("check", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	path := flags.String("config", "", "configuration `file`; without it the one that is found")
	asJSON := flags.Bool("json", false, "one JSON object")
	if err := m.onlyFlags(flags, args, checkUsage, checkStatus, "; the file is named by --config"); err != nil {
		return err
	}
	answer := m.judge(ctx, *path)
	if *asJSON {
		if err := render.JSON(m.Stdout, answer); err != nil {
			return fmt.Errorf("check: %w", err)
		}
	} else {
		answer.print(m.Stdout)
	}
	return answer.status()
}

// judge reads the configuration and looks at the machine.
func (m *Main) judge(ctx context.Context, path string) checked {
	conf, err := config.Find(path)
	if err != nil && !errors.Is(err, config.ErrNotFound) {
		return summary(checked{Configuration: path, Findings: unreadable(err)})
	}
	s := m.survey(ctx, conf)
	answer := checked{Configuration: conf.Path, Board: string(conf.Board.Kind), Serial: s.asked.says()}
	if err != nil {
		answer.Findings = append(answer.Findings, finding{note, "configuration",
			"none was found, so Stillwater runs its simulated rig", "for a real board write one of " + places()})
	}
	for _, examine := range examinations(conf.Board.Kind) {
		answer.Findings = append(answer.Findings, examine(s)...)
	}
	return summary(answer)
}

// unreadable makes a finding of each error in a configuration.
func unreadable(err error) (all []finding) {
	var several interface{ Unwrap() []error }
	if errors.As(err, &several) {
		for _, e := range several.Unwrap() {
			all = append(all, unreadable(e)...)
		}
		return all
	}
	e := new(config.Error)
	if !errors.As(err, &e) {
		return []finding{{stops, "configuration", err.Error(), "correct the file"}}
	}
	where := e.Path
	if e.Line > 0 {
		where = fmt.Sprintf("%s:%d:%d", e.Path, e.Line, e.Column)
	}
	return []finding{{stops, where, e.What, e.Remedy}}
}

// summary counts and puts the worst first.
func summary(c checked) checked {
	order := []severity{stops, warning, note}
	slices.SortStableFunc(c.Findings, func(a, b finding) int {
		return slices.Index(order, a.Severity) - slices.Index(order, b.Severity)
	})
	for _, f := range c.Findings {
		switch f.Severity {
		case stops:
			c.Stops++
		case warning:
			c.Warnings++
		}
	}
	if c.Findings == nil {
		c.Findings = []finding{}
	}
	return c
}

func (c checked) status() error {
	switch {
	case c.Stops > 0:
		return statusStops
	case c.Warnings > 0:
		return statusWarnings
	}
	return nil
}

func (c checked) print(w io.Writer) {
	for _, f := range c.Findings {
		fmt.Fprintf(w, "%-7s  %s: %s\n", f.Severity, printable(f.Where), printable(f.What))
		if f.Remedy != "" {
			fmt.Fprintf(w, "         -> %s\n", printable(f.Remedy))
		}
	}
	if len(c.Findings) > 0 {
		fmt.Fprintln(w)
	}
	name := c.Configuration
	if name == "" {
		name = "no configuration"
	}
	fmt.Fprintf(w, "%s: %s, %s.\n", printable(name),
		count(c.Stops, "finding stops it", "findings stop it", "nothing stops it"),
		count(c.Warnings, "warning", "warnings", "no warnings"))
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
