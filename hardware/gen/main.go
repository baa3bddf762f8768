// Command gen generates everything in hardware/generated from hardware/circuits.txt and hardware/sim.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"maps"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"

	"stillwater/hardware/circuit"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	dir := flag.String("dir", "hardware", "the hardware folder")
	only := flag.String("simulate", "", "only run this deck and print its values at each corner")
	show := flag.String("show", "", "only print this deck, DECK,CORNER, as the simulator gets it")
	again := flag.String("again", "",
		"only simulate these decks, DECK,DECK, and take the values that are there of the others")
	drawings := flag.Bool("drawings", false, "simulate nothing: take the values that are there, for a change of looks")
	faults := flag.Bool("faults", false, "only simulate the single faults, which takes minutes")
	flag.Parse()
	if err := run(ctx, *dir, *only, *show, *again, *drawings, *faults); err != nil {
		fmt.Fprintln(os.Stderr, "gen:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, dir, only, show, again string, drawings, faults bool) error {
	design, err := readDesign(dir, "circuits.txt")
	if err != nil {
		return err
	}
	drawn, err := readDrawn(dir)
	if err != nil {
		return err
	}
	if !drawings {
		if err := lay(design); err != nil {
			return err
		}
	}
	simulator, err := openSimulator(dir, design)
	if err != nil {
		return err
	}
	switch {
	case show != "":
		return simulator.show(show)
	case only != "":
		return simulator.print(ctx, only)
	case faults:
		return simulator.writeFaults(ctx, dir, progressWriter())
	}
	if findings := append(design.Check(), drawn.Check()...); len(findings) > 0 {
		return fmt.Errorf("the circuits break %d rules, the first is %s", len(findings), findings[0])
	}
	table := filepath.Join(dir, "generated", "measured.csv")
	rows, err := simulator.values(ctx, table, again, drawings)
	if err != nil {
		return errors.Join(err, writeTable(table, rows))
	}
	made, err := generate(design, drawn, rows)
	if err != nil {
		return err
	}
	if err := made.keep(dir); err != nil {
		return err
	}
	if err := made.write(filepath.Join(dir, "generated")); err != nil {
		return err
	}
	return writeGuides(dir, design, rows)
}

// readDesign reads a description.
func readDesign(dir, name string) (*circuit.Design, error) {
	text, err := os.ReadFile(filepath.Join(dir, name))
	if err != nil {
		return nil, err
	}
	d, err := circuit.Parse(string(text))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return d, nil
}

// readDrawn reads the boards of which there are drawings only.
func readDrawn(dir string) (*circuit.Design, error) {
	timing, err := readDesign(dir, "timing.txt")
	if err != nil {
		return nil, err
	}
	piezo, err := readDesign(dir, "piezo.txt")
	if err != nil {
		return nil, err
	}
	return &circuit.Design{Boards: slices.Concat(timing.Boards, piezo.Boards)}, nil
}

// writeTable writes the values that there are although a limit failed: nothing else is made then, but a run takes
// minutes.
func writeTable(file string, rows []circuit.Row) error {
	if len(rows) == 0 {
		return nil
	}
	return os.WriteFile(file, []byte(circuit.Table(rows)), 0o644)
}

// values are the measured ones: newly simulated, of all decks or of some, or those of the existing table. With an error
// about a limit come the values, too.
func (l *simulator) values(ctx context.Context, table, again string, old bool) ([]circuit.Row, error) {
	var there []circuit.Row
	if old || again != "" {
		text, err := os.ReadFile(table)
		if err != nil {
			return nil, err
		}
		if there, err = circuit.ParseTable(string(text)); err != nil || old {
			return there, err
		}
	}
	kept, err := l.keepOnly(again, there)
	if err != nil {
		return nil, err
	}
	rows, broken := l.measure(ctx)
	if len(rows) == 0 {
		return nil, broken
	}
	// Rounded as in the table, so that everything is made from the same values.
	if rows, err = circuit.ParseTable(circuit.Table(rows)); err != nil {
		return nil, errors.Join(broken, err)
	}
	return kept(rows), broken
}

// keepOnly leaves the simulator some decks, DECK,DECK, and says how their rows join those that are there, in the order
// of the limits. Without any named all decks stay.
func (l *simulator) keepOnly(decks string, there []circuit.Row) (func([]circuit.Row) []circuit.Row, error) {
	if decks == "" {
		return func(rows []circuit.Row) []circuit.Row { return rows }, nil
	}
	names, limits := strings.Split(decks, ","), slices.Clone(l.limits)
	for _, n := range names {
		if l.decks[n] == "" {
			return nil, fmt.Errorf("-again: no deck %q in sim/", n)
		}
	}
	other := func(deck string) bool { return !slices.Contains(names, deck) }
	maps.DeleteFunc(l.decks, func(deck, _ string) bool { return other(deck) })
	l.limits = slices.DeleteFunc(l.limits, func(lim circuit.Limit) bool { return other(lim.Deck) })
	return func(rows []circuit.Row) (all []circuit.Row) {
		for _, lim := range limits {
			same := func(r circuit.Row) bool { return r.Deck == lim.Deck && r.Measure == lim.Measure }
			from := there
			if !other(lim.Deck) {
				from = rows
			}
			if i := slices.IndexFunc(from, same); i >= 0 {
				all = append(all, from[i])
			}
		}
		return all
	}, nil
}

// print shows the results of one deck.
func (l *simulator) print(ctx context.Context, deck string) error {
	results, err := l.run(ctx, deck)
	for _, m := range slices.Sorted(maps.Keys(results[deck])) {
		fmt.Printf("%-16s", m)
		for _, c := range l.corners {
			fmt.Printf(" %s %.4g", c.Name, results[deck][m][c.Name])
		}
		fmt.Println()
	}
	return err
}

// show prints one deck at one corner.
func (l *simulator) show(which string) error {
	deck, corner, _ := strings.Cut(which, ",")
	for _, c := range l.corners {
		if c.Name != corner || l.decks[deck] == "" {
			continue
		}
		text, err := l.design.Deck(deck, l.decks[deck], l.models, c)
		fmt.Print(text)
		return err
	}
	return fmt.Errorf("no deck and corner %q: write DECK,CORNER", which)
}
