package gpiochip

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
)

// Machine is a machine's GPIO chips and lines at one time.
type Machine struct {
	Host  Host
	Chips []Chip
	Lines map[string][]LineInfo // by the chip's path
	Err   error                 // of the chips that did not answer
}

// Inspect describes this machine. It changes nothing and requests no line.
func Inspect() Machine {
	m := Machine{Host: FindHost(), Lines: map[string][]LineInfo{}}
	var chips []Chip
	chips, m.Err = Chips()
	for _, c := range chips {
		lines, err := Lines(c)
		if err != nil {
			m.Err = errors.Join(m.Err, err)
			continue
		}
		m.Chips = append(m.Chips, c)
		m.Lines[c.Path] = lines
	}
	return m
}

// FindChip finds a chip by path, name ("gpiochip0") or label.
func (m Machine) FindChip(name string) (Chip, error) {
	var found []Chip
	for _, c := range m.Chips {
		if c.Path == name || c.Name == name {
			return c, nil
		}
		if c.Label == name {
			found = append(found, c)
		}
	}
	if len(found) == 0 {
		found = m.chipByLink(name)
	}
	switch {
	case len(found) == 1:
		return found[0], nil
	case len(found) > 1:
		return Chip{}, &Error{Where: "chip " + name, What: "is the label of several chips",
			Remedy: "name one by its path: " + listChips(found)}
	case m.Err != nil:
		return Chip{}, m.Err
	}
	return Chip{}, &Error{Where: "chip " + name, What: "is not here", Remedy: "chips here: " + listChips(m.Chips)}
}

// chipByLink finds the chip that another name in /dev, or another path, leads to.
func (m Machine) chipByLink(name string) []Chip {
	path := name
	if !strings.Contains(path, "/") {
		path = "/dev/" + path
	}
	path, err := filepath.EvalSymlinks(path)
	if i := slices.IndexFunc(m.Chips, func(c Chip) bool { return c.Path == path }); i >= 0 && err == nil {
		return m.Chips[i : i+1]
	}
	return nil
}

func listChips(chips []Chip) string {
	if len(chips) == 0 {
		return "none"
	}
	var names []string
	for _, c := range chips {
		names = append(names, fmt.Sprintf("%s (%s, %d lines)", c.Path, c.Label, c.Lines))
	}
	return strings.Join(names, ", ")
}

// FindLine finds line number of a chip given by path, name or label.
func (m Machine) FindLine(chip string, number int) (LineInfo, error) {
	c, err := m.FindChip(chip)
	if err != nil {
		return LineInfo{}, err
	}
	lines := m.Lines[c.Path]
	if number < 0 || number >= len(lines) {
		return LineInfo{}, &Error{Where: fmt.Sprintf("%s line %d", c.Name, number), What: "does not exist",
			Remedy: fmt.Sprintf("%s (%s) has lines 0 to %d", c.Path, c.Label, len(lines)-1)}
	}
	return lines[number], nil
}

// FindPin finds a line by its position on the host's header ("P1_11"), by the header's name for it ("GPIO17"), or by
// the kernel's name. The header comes first: kernels name the lines of one header differently.
func (m Machine) FindPin(pin string) (LineInfo, error) {
	if at, ok := m.Host.FindPosition(pin); ok {
		return m.onHeader(pin, at)
	}
	found := m.linesNamed(pin)
	switch {
	case len(found) == 1:
		return found[0], nil
	case len(found) > 1:
		return LineInfo{}, &Error{Where: "pin " + pin, What: "is on several chips",
			Remedy: fmt.Sprintf("name one by chip and line: %v", found)}
	case m.Err != nil:
		return LineInfo{}, m.Err
	}
	return LineInfo{}, &Error{Where: "pin " + pin, What: "no line is called that",
		Remedy: "give chip and line instead of pin; stillwater pins lists them"}
}

func (m Machine) onHeader(pin string, at HeaderPin) (LineInfo, error) {
	if at.Number < 0 {
		return LineInfo{}, &Error{Where: "pin " + pin, What: "is a supply (" + at.Name + "), no line",
			Remedy: "stillwater pins shows the header"}
	}
	for _, c := range m.Chips {
		if slices.Contains(at.chips, c.Label) && at.Number < len(m.Lines[c.Path]) {
			return m.Lines[c.Path][at.Number], nil
		}
	}
	if m.Err != nil {
		return LineInfo{}, m.Err
	}
	return LineInfo{}, &Error{Where: "pin " + pin, What: "is on the header, but the header's chip is not here",
		Remedy: "give chip and line instead of pin; chips here: " + listChips(m.Chips)}
}

func (m Machine) linesNamed(name string) (found []LineInfo) {
	for _, c := range m.Chips {
		for _, l := range m.Lines[c.Path] {
			if l.Name == name {
				found = append(found, l)
			}
		}
	}
	return found
}
