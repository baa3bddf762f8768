package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"time"

	"stillwater/internal/phys"
	"stillwater/internal/render"
	"stillwater/internal/shot"
)

// calcTick is the resolution these commands compute with, having no board to ask: that of the Linux board.
const calcTick = 100 * time.Nanosecond

// calculator is what drop, throw and sound share: flags that set fields of a shot.Set, errors that name the flag, and
// an answer for people or as JSON.
type calculator struct {
	name, about string
	flags       *flag.FlagSet
	json        bool
	flagOf      map[string]string // a set's field, or a model's argument, to the flag that gives it
	set         shot.Set
}

func newCalculator(name, about string, kind shot.Kind) *calculator {
	c := &calculator{name: name, about: about, flags: flag.NewFlagSet(name, flag.ContinueOnError),
		flagOf: map[string]string{}, set: shot.DefaultSet()}
	c.set.Kind = kind
	c.flags.SetOutput(io.Discard)
	c.flags.BoolVar(&c.json, "json", false, "one JSON object, keys with units")
	return c
}

// text adds a flag for a quantity that is a field of the set.
func (c *calculator) text(p interface {
	UnmarshalText([]byte) error
}, name, field, usage string, now interface{ MarshalText() ([]byte, error) }) {
	c.flags.TextVar(p, name, now, usage)
	c.flagOf[field] = name
}

// parse reads the words after the command's name. A word left over is an error.
func (c *calculator) parse(m *Main, args []string) error {
	err := parseFlags(c.flags, args)
	switch {
	case errors.Is(err, flag.ErrHelp):
		c.help(m.Stdout)
		return err
	case err != nil:
		return err
	case c.flags.NArg() > 0:
		return fmt.Errorf("%w: %s: %q is too much; every value is given by its flag, like --%s", errUsage, c.name,
			c.flags.Arg(0), c.example())
	}
	return nil
}

// example is the first flag with its default.
func (c *calculator) example() (example string) {
	c.flags.VisitAll(func(f *flag.Flag) {
		if example == "" && f.DefValue != "" && f.DefValue != "false" {
			example = fmt.Sprintf("%s %q", f.Name, f.DefValue)
		}
	})
	return example
}

func (c *calculator) help(w io.Writer) {
	fmt.Fprintf(w, "stillwater %s %s\n\n", c.name, c.about)
	printFlags(w, c.flags)
	fmt.Fprintln(w, "\nEvery quantity is written with its unit: 40cm, \"0.4 m\", 20deg, 25ms, 20C.")
}

// explain turns an error about a field into one about the flag; a plan that cannot work is no misuse.
func (c *calculator) explain(err error) error {
	if f := new(shot.FieldError); errors.As(err, &f) {
		name, known := c.flagOf[f.Field]
		if !known {
			return fmt.Errorf("%w: %s: %w", errUsage, c.name, err)
		}
		return fmt.Errorf("%w: %s: --%s: %s; %s", errUsage, c.name, name, f.Why, f.Remedy)
	}
	return fmt.Errorf("%s: %w", c.name, err)
}

// answer writes an estimate with its error budget and advice: as lines, or as one JSON object with the keys given.
func (c *calculator) answer(m *Main, e shot.Estimate, lines []string, keys map[string]any) error {
	budget, err := shot.Errors(c.set, e, shot.DefaultSpread(), calcTick)
	if err != nil {
		return c.explain(err)
	}
	advice, err := shot.Advice(c.set, e, shot.DefaultSpread(), calcTick)
	if err != nil {
		return c.explain(err)
	}
	if c.json {
		keys["summary"], keys["advice"] = e.Summary, advice
		keys["error_budget"], keys["error_total"] = termsJSON(budget.Terms), termsJSON([]shot.Term{budget.Total})[0]
		keys["error_after_trim"] = termsJSON([]shot.Term{budget.Repeat})[0]
		return render.JSON(m.Stdout, keys)
	}
	for _, l := range lines {
		fmt.Fprintln(m.Stdout, l)
	}
	fmt.Fprintln(m.Stdout)
	if err := budgetTable(m.Stdout, budget); err != nil {
		return err
	}
	for _, a := range advice {
		fmt.Fprintf(m.Stdout, "\n- %s", a)
	}
	_, err = fmt.Fprintln(m.Stdout)
	return err
}

// termJSON is one contribution of the error budget, one standard deviation.
type termJSON struct {
	Name        string  `json:"name"`
	SdMs        float64 `json:"sd_ms"`
	SdMm        float64 `json:"sd_mm"`
	Steady      bool    `json:"steady"`
	Compensated bool    `json:"compensated"`
	WithoutMs   float64 `json:"without_ms"`
}

func termsJSON(terms []shot.Term) []termJSON {
	all := []termJSON{}
	for _, t := range terms {
		all = append(all, termJSON{t.Name, millis(t.Mistiming), millimetres(t.Displaced), t.Systematic, t.Compensated,
			millis(max(t.Uncompensated, t.Mistiming))})
	}
	return all
}

func budgetTable(w io.Writer, b shot.Budget) error {
	var rows [][]string
	for _, t := range append(b.Terms, b.Total, b.Repeat) {
		note := ""
		switch {
		case t.Compensated:
			note = fmt.Sprintf("taken out; it would be %.2f ms", millis(t.Uncompensated))
		case t.Systematic:
			note = "the same each time: the trim takes it out"
		}
		moved := "-"
		if b.Total.Displaced > 0 {
			moved = fmt.Sprintf("%.2f", millimetres(t.Displaced))
		}
		rows = append(rows, []string{t.Name, fmt.Sprintf("%.3f", millis(t.Mistiming)), moved, note})
	}
	return render.Table(w, []string{"error (one standard deviation)", "ms", "mm", ""}, rows)
}

func millis(t phys.Time) float64         { return float64(t) * 1e3 }
func millimetres(l phys.Length) float64  { return float64(l) * 1e3 }
func metresPerSec(v phys.Speed) float64  { return float64(v) }
func degreesOf(a phys.Angle) float64     { return float64(a) * degreesPerRadian }
func celsius(t phys.Temperature) float64 { return float64(t) }

const degreesPerRadian = 57.29577951308232
