package main

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"stillwater/internal/calc"
	"stillwater/internal/commandline"
	"stillwater/internal/drawing"
	"stillwater/internal/lighting"
	"stillwater/internal/render"
	"stillwater/internal/shot"
)

// lightCalculator is the calculator of the light command.
type lightCalculator struct {
	*calculator
	usual bool   // judge common practice
	list  bool   // the liquids instead
	draw  string // which drawing
}

// light judges a set's light, focus and framing.
func (m *Main) light(_ context.Context, args []string) error {
	c := newLight()
	if err := c.parse(m, args); err != nil {
		return err
	}
	if c.usual { // with the other flags in place of what is usual
		kind := c.set.Kind
		if commandline.FirstGiven(c.flags, "set-file") != "" {
			return fmt.Errorf("%w: light: --practice replaces a set's own values: leave --set-file out", errUsage)
		}
		c = newLight()
		c.set.Kind = kind
		c.set = lighting.Practice(c.set)
		if err := c.parse(m, args); err != nil {
			return err
		}
	}
	if !slices.Contains(drawing.Names(), drawing.Name(c.draw)) {
		return fmt.Errorf("%w: light: --draw %q: give %s", errUsage, c.draw, drawing.Listed())
	}
	if c.list {
		return calc.WriteLiquids(m.Stdout, c.json)
	}
	a, err := calc.Light(c.set)
	if err != nil {
		return c.explain(err)
	}
	if c.svg != "" {
		own, _ := m.usualJournal() // "" if the configuration cannot be read
		svg := drawing.Draw(drawing.Name(c.draw), a.Report(), false).SVG
		if err := m.writeDrawing(c.svg, own, svg, c.json); err != nil {
			return fmt.Errorf("light: --svg: %w", err)
		}
	}
	switch {
	case c.svg == stdoutName:
		return nil
	case c.json:
		return render.JSON(m.Stdout, a.JSON())
	}
	return a.Write(m.Stdout)
}

func newLight() *lightCalculator {
	c := &lightCalculator{calculator: newCalculator("light", "judges light, focus and framing step by step.", shot.Drop)}
	c.anyKind = true
	c.flags.Func("kind", "what flies, its `KIND`: drop, throw, sound or drops (default drop)", func(s string) error {
		return c.set.Put("kind", s)
	})
	c.flags.BoolVar(&c.usual, "practice", false,
		"start from what is usual (common practice) instead of the usual set; other flags change it")
	c.flags.BoolVar(&c.list, "liquids", false, "list the liquids instead: their numbers, what each changes, and sources")
	c.flags.StringVar(&c.draw, "draw", string(drawing.Frame), "what --svg draws: "+drawing.Listed())
	c.flags.Lookup("svg").Usage = "draw into `FILE` what --draw says; -: to standard output, and nothing else there"
	for _, f := range calc.LightFields() {
		c.flagOf[f.Field] = f.Name
		c.flags.Func(f.Name, f.Usage, func(s string) error { return c.putField(f.Field, s) })
	}
	c.flags.Func("black", "shutter `TIME` of a frame without flash that is black", func(s string) error {
		return errors.Join(c.set.Put("room.by", "black-frame"), c.set.Put("room.frame_open", s),
			c.set.Put("room.frame_seen", "0 %"))
	})
	return c
}
