// Command gen generates everything in hardware/generated from hardware/circuits.txt and hardware/sim, and KiCad's
// projects in hardware/boards. It begins a printed board where there is none, checks those that are there, and never
// writes them.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"maps"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"

	"stillwater/hardware/circuit"
)

// options are the command's flags.
type options struct {
	dir, only, show, again  string
	drawings, faults, check bool
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	var o options
	flag.StringVar(&o.dir, "dir", "hardware", "the hardware folder")
	flag.StringVar(&o.only, "simulate", "", "only run this deck and print its values at each corner")
	flag.StringVar(&o.show, "show", "", "only print this deck, DECK,CORNER, as the simulator gets it")
	flag.StringVar(&o.again, "again", "",
		"only simulate these decks, DECK,DECK, and take the values that are there of the others")
	flag.BoolVar(&o.drawings, "drawings", false,
		"simulate nothing: take the values that are there, for a change of looks")
	flag.BoolVar(&o.faults, "faults", false, "only simulate the single faults, which takes minutes")
	flag.BoolVar(&o.check, "check", false, "only check the printed boards, which takes seconds")
	flag.Parse()
	if err := run(ctx, o); err != nil {
		fmt.Fprintln(os.Stderr, "gen:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, o options) error {
	design, err := readDesign(o.dir, "circuits.txt")
	if err != nil {
		return err
	}
	if o.check {
		return checkBoards(ctx, o.dir, design, os.Stdout, progressWriter())
	}
	all := o.show == "" && o.only == "" && !o.faults
	if all {
		if err := prepare(o.dir, design, os.Stdout); err != nil {
			return err
		}
	}
	laid, err := readBoards(o.dir, design, progressWriter())
	if err != nil {
		return err
	}
	lay(laid)
	simulator, err := openSimulator(o.dir, design)
	switch {
	case err != nil:
		return err
	case o.show != "":
		return simulator.show(o.show)
	case o.only != "":
		return simulator.print(ctx, o.only)
	case o.faults:
		return simulator.writeFaults(ctx, o.dir, progressWriter())
	}
	return simulator.writeAll(ctx, o, design)
}

// prepare writes what a board is edited with, and boards where there are none. It comes first: a part that is new is in
// the schematic before anybody can put it on the board.
func prepare(dir string, d *circuit.Design, tell io.Writer) error {
	if findings := d.Check(); len(findings) > 0 {
		return fmt.Errorf("the circuits break %d rules, the first is %s", len(findings), findings[0])
	}
	made, err := projects(d)
	if err != nil {
		return err
	}
	if err := made.write(filepath.Join(dir, boards)); err != nil {
		return err
	}
	return begin(dir, d, tell)
}

// writeAll simulates and writes everything that is generated.
func (l *simulator) writeAll(ctx context.Context, o options, design *circuit.Design) error {
	drawn, err := readDrawn(o.dir)
	if err != nil {
		return err
	}
	if findings := drawn.Check(); len(findings) > 0 {
		return fmt.Errorf("the circuits break %d rules, the first is %s", len(findings), findings[0])
	}
	table := filepath.Join(o.dir, "generated", "measured.csv")
	rows, err := l.values(ctx, table, o.again, o.drawings)
	if err != nil {
		return errors.Join(err, writeTable(table, rows))
	}
	made, err := generate(design, drawn, rows)
	if err != nil {
		return err
	}
	if err := made.keep(o.dir); err != nil {
		return err
	}
	if err := made.replace(filepath.Join(o.dir, "generated")); err != nil {
		return err
	}
	return writeGuides(o.dir, design, rows)
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

// values are the measured ones: newly simulated, of all decks or of some, or those of the existing table, held to the
// limits as they are now. With an error about a limit come the values, too.
func (l *simulator) values(ctx context.Context, table, again string, old bool) ([]circuit.Row, error) {
	var there []circuit.Row
	if old || again != "" {
		text, err := os.ReadFile(table)
		if err != nil {
			return nil, err
		}
		if there, err = circuit.ParseTable(string(text)); err != nil {
			return nil, err
		}
	}
	if old {
		rows, err := circuit.Relimit(there, l.limits)
		if err != nil {
			return nil, err
		}
		return rows, outside(rows)
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
