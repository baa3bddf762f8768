// Command gen generates everything in hardware/generated from hardware/circuits.txt and hardware/sim.
package main

import (
	"context"
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
	drawings := flag.Bool("drawings", false, "simulate nothing: take the values that are there, for a change of looks")
	faults := flag.Bool("faults", false, "only simulate the single faults, which takes minutes")
	flag.Parse()
	if err := run(ctx, *dir, *only, *show, *drawings, *faults); err != nil {
		fmt.Fprintln(os.Stderr, "gen:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, dir, only, show string, drawings, faults bool) error {
	text, err := os.ReadFile(filepath.Join(dir, "circuits.txt"))
	if err != nil {
		return err
	}
	design, err := circuit.Parse(string(text))
	if err != nil {
		return fmt.Errorf("circuits.txt: %w", err)
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
	if findings := design.Check(); len(findings) > 0 {
		return fmt.Errorf("circuits.txt breaks %d rules, the first is %s", len(findings), findings[0])
	}
	rows, err := simulator.values(ctx, filepath.Join(dir, "generated", "measured.csv"), drawings)
	if err != nil {
		return err
	}
	made, err := generate(design, rows)
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

// values are the measured ones: newly simulated, or those of the existing table.
func (l *simulator) values(ctx context.Context, table string, old bool) ([]circuit.Row, error) {
	if !old {
		rows, err := l.measure(ctx)
		if err != nil {
			return nil, err
		}
		// Rounded as in the table, so that everything is made from the same values.
		return circuit.ParseTable(circuit.Table(rows))
	}
	text, err := os.ReadFile(table)
	if err != nil {
		return nil, err
	}
	return circuit.ParseTable(string(text))
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
