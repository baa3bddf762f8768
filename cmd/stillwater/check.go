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

// check holds a configuration against the machine.
func (m *Main) check(ctx context.Context, args []string) error {
	flags := flag.NewFlagSet("check", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	path := flags.String("config", "", "configuration `file`; without it the one that is found")
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
