package main

import (
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"

	"stillwater/internal/config"
	"stillwater/internal/gpioboard"
	"stillwater/internal/gpiochip"
	"stillwater/internal/render"
)

const pinsUsage = `stillwater pins shows this machine's header, or without a known one its chips' lines; who holds
each line, and what the configuration uses it for.

`

// pins shows the host, its header and what the configuration uses.
func (m *Main) pins(_ context.Context, args []string) error {
	flags := flag.NewFlagSet("pins", flag.ContinueOnError)
	flags.SetOutput(io.Discard)
	path := flags.String("config", "", "configuration `file`; without it the one that is found")
	asJSON := flags.Bool("json", false, "one JSON object")
	if err := m.onlyFlags(flags, args, pinsUsage, "", ""); err != nil {
		return err
	}
	conf, confErr := config.Find(*path)
	if errors.Is(confErr, config.ErrNotFound) {
		confErr = nil
	}
	machine := gpiochip.Look()
	list := listPins(conf, machine)
	var err error
	if *asJSON {
		err = render.JSON(m.Stdout, list)
	} else {
		err = list.print(m.Stdout)
	}
	return errors.Join(err, confErr, machine.Err)
}

// pinList is a machine's lines for people and scripts.
type pinList struct {
	Host          string    `json:"host"`
	Configuration string    `json:"configuration"` // "" without one
	Header        bool      `json:"header"`        // the header is known, and Pins begins with its positions
	Pins          []pinRow  `json:"pins"`
	Unknown       []pinLost `json:"unknown"` // what the configuration names and the machine does not have
}

// pinRow is one position of the header or one line.
type pinRow struct {
	Position string `json:"position"` // on the header, "" if it is not there
	Name     string `json:"name"`     // the header's or the kernel's
	Chip     string `json:"chip"`     // "" for a supply
	Line     int    `json:"line"`     // -1 for a supply
	Held     string `json:"held"`     // by whom the kernel says, "" if it is free
	Use      string `json:"use"`      // what the configuration has it for
	AlsoFor  string `json:"also_for"` // what the header commonly uses it for
}

// pinLost is a use whose line was not found.
type pinLost struct {
	Use string `json:"use"`
	Why string `json:"why"`
}

// use is one thing the configuration wants a line for.
type use struct {
	what string // "output \"flash\""
	line config.Line
}

// uses lists what a configuration wants lines for: the heartbeat, the inputs, the outputs.
func uses(b config.Board) (all []use) {
	if b.Kind != config.GPIO {
		return nil
	}
	if b.Heartbeat != nil {
		all = append(all, use{"heartbeat", *b.Heartbeat})
	}
	for _, in := range b.Inputs {
		all = append(all, use{fmt.Sprintf("input %q", in.Name), in.Line})
	}
	for _, out := range b.Outputs {
		all = append(all, use{fmt.Sprintf("output %q", out.Name), out.Line})
	}
	return all
}

// spot is one line of one chip.
type spot struct {
	chip   string
	number int
}

func spotOf(l gpiochip.Line) spot { return spot{l.Chip.Path, l.Number} }

// listPins joins a configuration to a machine.
func listPins(conf config.Config, m gpiochip.Machine) pinList {
	list := pinList{Host: m.Host.Model, Configuration: conf.Path, Header: len(m.Host.Header) > 0,
		Pins: []pinRow{}, Unknown: []pinLost{}}
	wanted := map[spot]string{}
	for _, u := range uses(conf.Board) {
		l, err := gpioboard.FindLine(m, u.line)
		if err != nil {
			list.Unknown = append(list.Unknown, pinLost{u.what, err.Error()})
			continue
		}
		if before := wanted[spotOf(l)]; before != "" {
			u.what = before + ", " + u.what
		}
		wanted[spotOf(l)] = u.what
	}
	shown := map[spot]bool{}
	for _, p := range m.Host.Header {
		row := pinRow{Position: p.Position, Name: p.Name, Line: -1, AlsoFor: p.Use}
		if l, err := m.FindPin(p.Position); err == nil {
			row.Chip, row.Line, row.Held, row.Use = l.Chip.Name, l.Number, holder(l), wanted[spotOf(l)]
			shown[spotOf(l)] = true
		}
		list.Pins = append(list.Pins, row)
	}
	for _, c := range m.Chips {
		for _, l := range m.Lines[c.Path] {
			// Beside a header, the machine's many inner lines matter only if they are used.
			if use := wanted[spotOf(l)]; !shown[spotOf(l)] && (!list.Header || use != "") {
				list.Pins = append(list.Pins, pinRow{Name: l.Name, Chip: c.Name, Line: l.Number, Held: holder(l), Use: use})
			}
		}
	}
	return list
}

// holder says who holds a line, "" if it is free.
func holder(l gpiochip.Line) string {
	switch {
	case l.Consumer != "":
		return l.Consumer
	case l.Used:
		return "the kernel"
	}
	return ""
}

func (l pinList) print(w io.Writer) error {
	fmt.Fprintf(w, "Machine        %s\nConfiguration  %s\n", cmp.Or(l.Host, "it does not say what it is"),
		cmp.Or(l.Configuration, "none"))
	var err error
	switch {
	case len(l.Pins) == 0:
		fmt.Fprintln(w, "\nNo GPIO lines to be seen here.")
	case l.Header:
		fmt.Fprintln(w)
		err = l.table(w, "position", func(p pinRow) string { return p.Position })
	default:
		fmt.Fprint(w, "\nNo header of this machine is known here; these are its chips' lines.\n\n")
		err = l.table(w, "", nil)
	}
	for i, u := range l.Unknown {
		if i == 0 {
			fmt.Fprintln(w, "\nIn the configuration, but not found:")
		}
		fmt.Fprintf(w, "- %s: %s\n", u.Use, u.Why)
	}
	return err
}

// table writes the lines, with a first column of their positions if there are any.
func (l pinList) table(w io.Writer, first string, cell func(pinRow) string) error {
	header := []string{"name", "chip", "line", "held by", "Stillwater uses it for", "often used for"}
	if cell != nil {
		header = append([]string{first}, header...)
	}
	var rows [][]string
	for _, p := range l.Pins {
		line := ""
		if p.Line >= 0 {
			line = fmt.Sprint(p.Line)
		}
		row := []string{p.Name, p.Chip, line, p.Held, p.Use, p.AlsoFor}
		if cell != nil {
			row = append([]string{cell(p)}, row...)
		}
		rows = append(rows, row)
	}
	return render.Table(w, header, rows)
}
