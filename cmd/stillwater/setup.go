package main

import (
	"context"
	"flag"
	"fmt"
	"io"

	"stillwater/internal/check"
	"stillwater/internal/render"
	"stillwater/internal/setup"
)

const setupUsage = `stillwater setup asks what is connected and where, shows the wiring, puts the answers into the
configuration without touching anything else in it, checks it, and tries sensors and outputs.
It can be run again at any time. A part is given as its pin (GPIO17), its position on the header
(11), a line of a chip (gpiochip0:17), yes for the hardware folder's pin, or no. Without a terminal
nothing is asked and nothing is tried: what is given is changed, everything else stays.

`

// setup asks what is connected.
func (m *Main) setup(ctx context.Context, args []string) error {
	flags := flag.NewFlagSet("setup", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	o := setup.Flags(flags)
	asJSON := flags.Bool("json", false, "one JSON object; nothing is asked or tried")
	if err := m.onlyFlags(flags, args, setupUsage, checkStatus, "; the file is named by --config"); err != nil {
		return err
	}
	machine := setup.ThisMachine(m.Stdout, m.Stderr)
	machine.Check = func(ctx context.Context, path string) setup.Checked {
		return check.Run(ctx, check.Options{Path: path, Getenv: m.Getenv})
	}
	switch {
	case *asJSON:
		machine.Out = io.Discard
	case render.IsTerminal(m.Stdin) && render.IsTerminal(m.Stdout):
		machine.Terminal = setup.NewTerminal(m.Stdin, m.Stdout)
	}
	report, err := setup.Run(ctx, *o, machine)
	if err == nil && *asJSON {
		err = render.JSON(m.Stdout, report)
	}
	if err != nil {
		return fmt.Errorf("setup: %w", err)
	}
	if checked, is := report.Check.(check.Report); is {
		return statusOf(checked)
	}
	return nil
}
