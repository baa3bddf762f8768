package main

import (
	"errors"
	"flag"
	"fmt"
	"io"
	"strings"

	"stillwater/internal/calc"
	"stillwater/internal/commandline"
	"stillwater/internal/elevation"
	"stillwater/internal/export"
	"stillwater/internal/phys"
	"stillwater/internal/render"
	"stillwater/internal/shot"
)

// calculator is what drop, throw and sound share: flags that set fields of a shot.Set, errors that name the flag, and
// an answer for people or as JSON.
type calculator struct {
	name, about string
	more        string // of the help, after the flags
	flags       *flag.FlagSet
	json        bool
	svg         string            // where the set is drawn to, "" nowhere
	flagOf      map[string]string // a set's field, or a model's argument, to the flag that gives it
	set         shot.Set
	interval    phys.Time // throw: between the beams
	anyKind     bool      // a set in a file may be of any
}

func newCalculator(name, about string, kind shot.Kind) *calculator {
	c := &calculator{name: name, about: about, flags: flag.NewFlagSet(name, flag.ContinueOnError),
		flagOf: map[string]string{}, set: shot.DefaultSet()}
	c.set.Kind = kind
	c.flags.SetOutput(io.Discard)
	c.flags.BoolVar(&c.json, "json", false, "one JSON object, keys with units")
	c.flags.StringVar(&c.svg, "svg", "", "draw the set from the side, to scale, into `FILE`; -: to standard output, and "+
		"nothing else there")
	c.flags.Func("set", "another `FIELD=VALUE` of the set, like light.lag=80ms; may be given again", c.put)
	c.flags.Func("set-file", "start from the set in `FILE`, as \"stillwater record again\" writes it", c.readSet)
	return c
}

// put sets one field that has no flag of its own, or one that has.
func (c *calculator) put(text string) error {
	field, value, found := strings.Cut(text, "=")
	switch {
	case !found || field == "" || value == "":
		return errors.New("give FIELD=VALUE, like light.lag=80ms")
	case field == "kind":
		return errors.New("kind: the command says it; use stillwater drop, throw, sound or drops")
	}
	return c.set.Put(field, value)
}

// readSet takes the set from a file; flags after it change it.
func (c *calculator) readSet(path string) error {
	kind := c.set.Kind
	if c.anyKind {
		kind = ""
	}
	set, err := export.ReadSetFile(path, kind)
	if err == nil {
		c.set = set
	}
	return err
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
	err := commandline.Parse(c.flags, args)
	switch {
	case errors.Is(err, flag.ErrHelp):
		c.help(m.Stdout)
		return err
	case err != nil:
		return err
	case c.flags.NArg() > 0:
		return fmt.Errorf("%w: %s: unexpected argument %q; every value is given by its flag, like --%s", errUsage, c.name,
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
	commandline.Print(w, c.flags)
	if c.more != "" {
		fmt.Fprintf(w, "\n%s", c.more)
	}
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
	if r := new(shot.Refusal); errors.As(err, &r) {
		name := r.Field
		if flag := c.flagOf[name]; flag != "" {
			name = "--" + flag
		}
		return fmt.Errorf("%s: %s: %w", c.name, name, err)
	}
	return fmt.Errorf("%s: %w", c.name, err)
}

// give writes an answer: as lines, or as one JSON object; and the drawing if there is to be one, also of what cannot
// work.
func (c *calculator) give(m *Main, a calc.Answer, err error) error {
	if c.svg != "" {
		drawing := elevation.Draw(c.set, elevation.Options{Interval: c.interval})
		own, _ := m.usualJournal() // "" if the configuration cannot be read
		if err := m.writeDrawing(c.svg, own, drawing.SVG, c.json); err != nil {
			return fmt.Errorf("%s: --svg: %w", c.name, err)
		}
	}
	switch {
	case err != nil:
		return c.explain(err)
	case c.svg == stdoutName:
		return nil
	case c.json:
		return render.JSON(m.Stdout, a.JSON())
	}
	return a.Write(m.Stdout)
}
