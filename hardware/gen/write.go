package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"

	"stillwater/hardware/circuit"
)

// files are the generated files: text by name in hardware/generated.
type files map[string]string

// measure runs all decks and checks their limits.
func (l *simulator) measure(ctx context.Context) ([]circuit.Row, error) {
	results, err := l.run(ctx)
	if err != nil {
		return nil, err
	}
	rows, err := results.Rows(l.limits, l.corners)
	if err != nil {
		return nil, err
	}
	var bad []error
	for _, r := range rows {
		if !r.Within() {
			bad = append(bad, fmt.Errorf("%s %s is %.3g to %.3g %s, allowed %.3g to %.3g: %s", r.Deck, r.Measure, r.Least,
				r.Most, r.Unit, r.Low, r.High, r.Reason))
		}
	}
	return rows, errors.Join(bad...)
}

// generate makes all files from the description and the measured values.
func generate(d *circuit.Design, rows []circuit.Row) (files, error) {
	delays, err := circuit.Delays(rows)
	if err != nil {
		return nil, err
	}
	out, err := layouts(d)
	if err != nil {
		return nil, err
	}
	maps.Copy(out, files{"measured.csv": circuit.Table(rows), "delays.csv": delays, "parts.csv": d.Parts(),
		"wiring.csv": d.Wiring(), "carriers.csv": d.Headers()})
	for _, b := range d.Boards {
		out[b.Name+".svg"] = b.SVG()
		out[b.Name+".kicad_sch"] = b.KiCad()
	}
	return out, nil
}

// guide fills the generated parts of the build guide in.
func guide(page string, rows []circuit.Row) (string, error) {
	page, err := circuit.Fill(page, "cautions", circuit.Cautions())
	if err != nil {
		return "", err
	}
	table, err := circuit.Expected(rows)
	if err != nil {
		return "", err
	}
	return circuit.Fill(page, "expected", table)
}

// writeGuide does so in the file.
func writeGuide(dir string, rows []circuit.Row) error {
	name := filepath.Join(dir, "README.md")
	page, err := os.ReadFile(name)
	if err != nil {
		return err
	}
	filled, err := guide(string(page), rows)
	if err != nil {
		return err
	}
	return os.WriteFile(name, []byte(filled), 0o644)
}

// write writes the files and removes those that are no longer generated.
func (f files) write(dir string) error {
	old, err := os.ReadDir(dir)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	for _, o := range old {
		if _, still := f[o.Name()]; !still {
			if err := os.Remove(filepath.Join(dir, o.Name())); err != nil {
				return err
			}
		}
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	for _, name := range slices.Sorted(maps.Keys(f)) {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(f[name]), 0o644); err != nil {
			return err
		}
	}
	return nil
}
