package main

import (
	"context"
	"errors"
	"flag"
	"io"

	"stillwater/internal/config"
	"stillwater/internal/gpioboard"
	"stillwater/internal/gpiochip"
	"stillwater/internal/render"
)

const pinsUsage = `stillwater pins lists the pins of this machine's header or, if it has no known header, the
lines of its GPIO chips: which program holds each, and what the configuration uses it for.

`

// pins shows the host, its header and what the configuration uses.
func (m *Main) pins(_ context.Context, args []string) error {
	flags := flag.NewFlagSet("pins", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	path := flags.String("config", "", "configuration `FILE` (default: stillwater.toml in the usual places)")
	asJSON := flags.Bool("json", false, "one JSON object")
	if err := m.onlyFlags(flags, args, pinsUsage, "", ""); err != nil {
		return err
	}
	conf, confErr := config.Find(*path)
	if errors.Is(confErr, config.ErrNotFound) {
		confErr = nil
	}
	machine := gpiochip.Inspect()
	list := gpioboard.ListPins(conf, machine)
	var err error
	if *asJSON {
		err = render.JSON(m.Stdout, list)
	} else {
		err = list.Write(m.Stdout)
	}
	return errors.Join(err, confErr, machine.Err)
}
