package gpioboard

import (
	"cmp"
	"fmt"
	"io"

	"stillwater/internal/config"
	"stillwater/internal/gpiochip"
	"stillwater/internal/render"
	"stillwater/internal/wiring"
)

// Use is one thing that a configuration wants a line for.
type Use struct {
	What string // "output \"flash\""
	Line wiring.Line
}

// Uses lists what a configuration wants lines for: the heartbeat, the inputs, the outputs.
func Uses(b config.Board) (all []Use) {
	if b.Kind != config.GPIO {
		return nil
	}
	if b.Heartbeat != nil {
		all = append(all, Use{"heartbeat", *b.Heartbeat})
	}
	for _, in := range b.Inputs {
		all = append(all, Use{fmt.Sprintf("input %q", in.Name), in.Line})
	}
	for _, out := range b.Outputs {
		all = append(all, Use{fmt.Sprintf("output %q", out.Name), out.Line})
	}
	return all
}

// Holder says who holds a line, "" if it is free.
func Holder(l gpiochip.LineInfo) string {
	switch {
	case l.Consumer != "":
		return l.Consumer
	case l.Used:
		return "the kernel"
	}
	return ""
}

// PinList is a machine's lines for people and scripts.
type PinList struct {
	Host          string       `json:"host"`
	Configuration string       `json:"configuration"` // "" without one
	Header        bool         `json:"header"`        // the header is known, and Pins begins with its positions
	Pins          []Pin        `json:"pins"`
	Unknown       []UnknownUse `json:"unknown"` // what the configuration names and the machine does not have
}

// Pin is one position of the header or one line.
type Pin struct {
	Position string `json:"position"` // on the header, "" if it is not there
	Name     string `json:"name"`     // the header's or the kernel's
	Chip     string `json:"chip"`     // "" for a supply
	Line     int    `json:"line"`     // -1 for a supply
	Held     string `json:"held"`     // by whom the kernel says, "" if it is free
	Use      string `json:"use"`      // what the configuration has it for
	AlsoFor  string `json:"also_for"` // what the header commonly uses it for
}

// UnknownUse is a use whose line was not found.
type UnknownUse struct {
	Use string `json:"use"`
	Why string `json:"why"`
}

// ListPins joins a configuration to a machine.
func ListPins(conf config.Config, m gpiochip.Machine) PinList {
	list := PinList{Host: m.Host.Model, Configuration: conf.Path, Header: len(m.Host.Header) > 0,
		Pins: []Pin{}, Unknown: []UnknownUse{}}
	wanted := map[gpiochip.LineInfo]string{}
	for _, u := range Uses(conf.Board) {
		l, err := FindLine(m, u.Line)
		if err != nil {
			list.Unknown = append(list.Unknown, UnknownUse{u.What, err.Error()})
			continue
		}
		if before := wanted[l]; before != "" {
			u.What = before + ", " + u.What
		}
		wanted[l] = u.What
	}
	shown := map[gpiochip.LineInfo]bool{}
	for _, p := range m.Host.Header {
		pin := Pin{Position: p.Position, Name: p.Name, Line: -1, AlsoFor: p.Use}
		if l, err := m.FindPin(p.Position); err == nil {
			pin.Chip, pin.Line, pin.Held, pin.Use = l.Chip.Name, l.Number, Holder(l), wanted[l]
			shown[l] = true
		}
		list.Pins = append(list.Pins, pin)
	}
	for _, c := range m.Chips {
		for _, l := range m.Lines[c.Path] {
			// Beside a header, the machine's many inner lines matter only if they are used.
			if use := wanted[l]; !shown[l] && (!list.Header || use != "") {
				list.Pins = append(list.Pins, Pin{Name: l.Name, Chip: c.Name, Line: l.Number, Held: Holder(l), Use: use})
			}
		}
	}
	return list
}

// Write writes the list for people.
func (l PinList) Write(w io.Writer) error {
	fmt.Fprintf(w, "Machine        %s\nConfiguration  %s\n", cmp.Or(l.Host, "unknown (no device tree)"),
		cmp.Or(l.Configuration, "none"))
	var err error
	switch {
	case len(l.Pins) == 0:
		fmt.Fprintln(w, "\nNo GPIO lines were found.")
	case l.Header:
		fmt.Fprintln(w)
		err = l.writeTable(w)
	default:
		fmt.Fprint(w, "\nNo header of this machine is known here; these are its chips' lines.\n\n")
		err = l.writeTable(w)
	}
	for i, u := range l.Unknown {
		if i == 0 {
			fmt.Fprintln(w, "\nIn the configuration, but not found:")
		}
		fmt.Fprintf(w, "- %s: %s\n", u.Use, u.Why)
	}
	return err
}

// writeTable writes the lines, after their positions if there is a header.
func (l PinList) writeTable(w io.Writer) error {
	header := []string{"position", "name", "chip", "line", "held by", "Stillwater uses it for", "often used for"}
	first := 1
	if l.Header {
		first = 0
	}
	var rows [][]string
	for _, p := range l.Pins {
		line := ""
		if p.Line >= 0 {
			line = fmt.Sprint(p.Line)
		}
		rows = append(rows, []string{p.Position, p.Name, p.Chip, line, p.Held, p.Use, p.AlsoFor}[first:])
	}
	return render.Table(w, header[first:], rows)
}
