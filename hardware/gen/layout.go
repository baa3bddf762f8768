package main

import (
	"fmt"
	"strings"

	"stillwater/hardware/circuit"
	"stillwater/hardware/layout"
)

// layouts makes the plans of the boards as they are wired by hand.
func layouts(d *circuit.Design) (files, error) {
	out := files{}
	var plans []*layout.Plan
	for _, b := range d.Boards {
		plan, err := layout.Place(b)
		if err != nil {
			return nil, fmt.Errorf("board %s: %w", b.Name, err)
		}
		if err := plan.Wire(); err != nil {
			return nil, err
		}
		if found := plan.Check(); len(found) > 0 {
			var list strings.Builder
			for _, f := range found {
				fmt.Fprintf(&list, "\n  %s", f)
			}
			return nil, fmt.Errorf("parts stand in wrong places, move them by their hole= in circuits.txt:%s", &list)
		}
		plans = append(plans, plan)
		out[b.Name+"-parts.svg"], out[b.Name+"-solder.svg"] = plan.PartsSide(), plan.SolderSide()
	}
	for _, b := range d.Boards {
		for _, s := range b.Strips {
			plan := layout.PlaceStrips(b, s)
			if found := plan.Check(); len(found) > 0 {
				return nil, fmt.Errorf("on strips parts stand in wrong places, the first: %s", found[0])
			}
			out[b.Name+"-"+string(s.Kind)+".svg"] = plan.SVG()
			if s.Kind == circuit.StripBoard {
				out[b.Name+"-"+string(s.Kind)+"-copper.svg"] = plan.CopperSide()
			}
		}
	}
	out["places.csv"], out["wires.csv"] = layout.Places(plans), layout.Wires(plans)
	return out, nil
}
