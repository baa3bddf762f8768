package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"

	"stillwater/hardware/circuit"
)

// simulator holds the inputs of the simulation: the description, and the files of hardware/sim.
type simulator struct {
	design  *circuit.Design
	models  string
	decks   map[string]string
	corners []circuit.Corner
	limits  []circuit.Limit
}

// openSimulator reads the files below the hardware folder.
func openSimulator(dir string, d *circuit.Design) (*simulator, error) {
	extra, err := readDesign(dir, "piezo.txt")
	if err != nil {
		return nil, err
	}
	all := *d
	all.Boards = slices.Concat(d.Boards, extra.Boards)
	l := &simulator{design: &all, decks: map[string]string{}}
	read := func(name string) (string, error) {
		text, err := os.ReadFile(filepath.Join(dir, "sim", name))
		return string(text), err
	}
	if l.models, err = read("models.lib"); err != nil {
		return nil, err
	}
	text, err := read("corners.txt")
	if err != nil {
		return nil, err
	}
	if l.corners, err = circuit.Corners(text); err != nil {
		return nil, fmt.Errorf("sim/corners.txt: %w", err)
	}
	if text, err = read("limits.csv"); err != nil {
		return nil, err
	}
	if l.limits, err = circuit.Limits(text); err != nil {
		return nil, fmt.Errorf("sim/limits.csv: %w", err)
	}
	names, err := filepath.Glob(filepath.Join(dir, "sim", "*.cir"))
	if err != nil {
		return nil, err
	}
	for _, n := range names {
		base := filepath.Base(n)
		if l.decks[strings.TrimSuffix(base, ".cir")], err = read(base); err != nil {
			return nil, err
		}
	}
	return l, nil
}

// run simulates decks (all when none is named) at every corner, as many at a time as there are processors.
func (l *simulator) run(ctx context.Context, only ...string) (circuit.Results, error) {
	results := circuit.Results{}
	var lock sync.Mutex
	var failed []error
	var group sync.WaitGroup
	seats := make(chan struct{}, runtime.NumCPU())
	for _, deck := range slices.Sorted(maps.Keys(l.decks)) {
		if len(only) > 0 && !slices.Contains(only, deck) {
			continue
		}
		for _, c := range l.corners {
			seats <- struct{}{}
			group.Go(func() {
				defer func() { <-seats }()
				values, err := l.runCorner(ctx, deck, c)
				lock.Lock()
				defer lock.Unlock()
				if err != nil {
					failed = append(failed, fmt.Errorf("%s, corner %s: %w", deck, c.Name, err))
				}
				for m, x := range values {
					results.Put(deck, m, c.Name, x)
				}
			})
		}
	}
	group.Wait()
	return results, errors.Join(failed...)
}

// runCorner runs one deck at one corner, each of its variants.
func (l *simulator) runCorner(ctx context.Context, deck string, c circuit.Corner) (map[string]float64, error) {
	variants, err := circuit.Variants(l.decks[deck])
	if err != nil {
		return nil, fmt.Errorf("sim/%s.cir: %w", deck, err)
	}
	all := map[string]float64{}
	for _, v := range variants {
		text, err := l.design.Deck(deck, v, l.models, c)
		if err != nil {
			return nil, err
		}
		values, err := spice(ctx, text)
		if err != nil {
			return nil, err
		}
		maps.Copy(all, values)
	}
	return all, nil
}

// spice runs ngspice on a deck.
func spice(ctx context.Context, text string) (map[string]float64, error) {
	dir, err := os.MkdirTemp("", "stillwater-deck-")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(dir)
	file := filepath.Join(dir, "deck.cir")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		return nil, err
	}
	cmd := exec.CommandContext(ctx, "ngspice", "-b", file)
	cmd.Dir = dir
	printed, err := cmd.CombinedOutput()
	if err != nil {
		return nil, fmt.Errorf("ngspice: %w\n%s", err, printed)
	}
	return circuit.Measured(text, string(printed))
}
