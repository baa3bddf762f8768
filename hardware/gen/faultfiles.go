package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync/atomic"

	"stillwater/hardware/circuit"
)

// The files of -faults; the rest of the generator leaves them alone.
const (
	faultFile = "faults.csv"
	bandFile  = "heartbeats.csv"
)

// writeFaults simulates all faults and square waves, and writes both tables and the guide's part on them.
func (l *simulator) writeFaults(ctx context.Context, dir string, progress io.Writer) error {
	f, err := openFaultRunner(dir, l)
	if err != nil {
		return err
	}
	faults := f.faults()
	var done atomic.Int64
	tell := func() {
		fmt.Fprintf(progress, "\rfaults and square waves: %d of %d", done.Add(1), len(faults)+len(waves))
	}
	rows, err := f.rows(ctx, faults, tell)
	if err != nil {
		return err
	}
	bands, err := f.bands(ctx, waves, tell)
	fmt.Fprintln(progress)
	if err != nil {
		return err
	}
	for name, text := range (files{faultFile: circuit.FaultTable(rows), bandFile: circuit.BandTable(bands)}) {
		if err := os.WriteFile(filepath.Join(dir, "generated", name), []byte(text), 0o644); err != nil {
			return err
		}
	}
	name := filepath.Join(dir, "README.md")
	page, err := os.ReadFile(name)
	if err != nil {
		return err
	}
	filled, err := faultGuide(string(page), l.design, dir)
	if err != nil {
		return err
	}
	return os.WriteFile(name, []byte(filled), 0o644)
}

// faultGuide fills the guide's part on faults in, from the tables that are there.
func faultGuide(page string, d *circuit.Design, dir string) (string, error) {
	kept := files{}
	if err := kept.keep(dir); err != nil {
		return "", err
	}
	lines, err := circuit.ParseFaults(kept[faultFile])
	if err != nil {
		return "", err
	}
	bands, err := circuit.ParseBands(kept[bandFile])
	if err != nil {
		return "", err
	}
	band, err := circuit.BandGuide(bands)
	if err != nil {
		return "", err
	}
	if page, err = circuit.Fill(page, "faults", circuit.FaultGuide(lines)); err != nil {
		return "", err
	}
	if page, err = circuit.Fill(page, "symptoms", d.SymptomGuide(lines)); err != nil {
		return "", err
	}
	return circuit.Fill(page, "heartbeats", band)
}

// keep adds the files of -faults.
func (f files) keep(dir string) error {
	for _, name := range []string{faultFile, bandFile} {
		text, err := os.ReadFile(filepath.Join(dir, "generated", name))
		if err != nil {
			return fmt.Errorf("%w: run go run ./hardware/gen -faults", err)
		}
		f[name] = string(text)
	}
	return nil
}

// progressWriter is standard error if it is a terminal; otherwise it discards.
func progressWriter() io.Writer {
	if at, err := os.Stderr.Stat(); err == nil && at.Mode()&os.ModeCharDevice != 0 {
		return os.Stderr
	}
	return io.Discard
}
