package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"time"

	"stillwater/internal/check"
	"stillwater/internal/render"
)

const checkUsage = `stillwater check compares a configuration with this machine: whether its lines exist and are free,
what may go wrong with them, and whether this user has the permissions it needs. It changes nothing and switches
nothing; free inputs are requested once and released. Run it as the user that will run Stillwater.

`

const checkStatus = `
Exit status: 0 nothing found, 1 it cannot run, 2 wrong usage, 3 warnings only.
`

// The exit statuses of check, for scripts.
const (
	statusStops    exitStatus = 1
	statusWarnings exitStatus = 3
)

// check compares a configuration with the machine.
func (m *Main) check(ctx context.Context, args []string) error {
	flags := flag.NewFlagSet("check", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	path := flags.String("config", "", "configuration `FILE` (default: stillwater.toml in the usual places)")
	asJSON := flags.Bool("json", false, "one JSON object")
	if err := m.onlyFlags(flags, args, checkUsage, checkStatus, "; the file is named by --config"); err != nil {
		return err
	}
	report := check.Run(ctx, check.Options{Path: *path, Getenv: m.Getenv, Listening: func(d time.Duration) {
		if render.IsTerminal(m.Stderr) {
			fmt.Fprintf(m.Stderr, "asking the board, and listening to its clock for %v\n", d)
		}
	}})
	write := report.Write
	if *asJSON {
		write = func(w io.Writer) error { return render.JSON(w, report) }
	}
	if err := write(m.Stdout); err != nil {
		return fmt.Errorf("check: %w", err)
	}
	return statusOf(report)
}

func statusOf(r check.Report) error {
	switch {
	case r.Stops > 0:
		return statusStops
	case r.Warnings > 0:
		return statusWarnings
	}
	return nil
}
