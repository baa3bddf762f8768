package circuit

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// PinOuts is the guide's table of the leads: for each terminal, header and part at the end of a lead what each pin
// carries, and the highest steady voltage against the zero of its isolation group.
func (d *Design) PinOuts() string {
	var out strings.Builder
	out.WriteString("| board | connector | pins | side, at most |\n|---|---|---|---|\n")
	for _, b := range d.Boards {
		for _, p := range b.Parts {
			if p.TakesLeads() {
				fmt.Fprintf(&out, "| %s | %s, %s | %s | %s |\n", b.Name, p.Ref, connector(p), b.pinOut(p), b.sides(p))
			}
		}
	}
	return out.String()
}

// connector is what a lead is put into, in few words.
func connector(p *Part) string {
	what, _, _ := strings.Cut(p.Type.Generic, ",")
	if p.Type.Kind == Terminal {
		return p.Value + " " + what
	}
	return what
}

// pinOut lists a part's pins by number, or by the name that is on them, with their nets.
func (b *Board) pinOut(p *Part) string {
	var list []string
	for _, pin := range p.Type.Kind.Pins(p.Value) {
		list = append(list, cmp.Or(pin.Name, pin.Number)+" "+p.Pins[pin.Number])
	}
	return strings.Join(list, ", ")
}

// sides are the isolation groups of a part's pins, with the highest voltage of these pins.
func (b *Board) sides(p *Part) string {
	var order, list []string
	volts := map[string]float64{}
	for _, pin := range p.Type.Kind.Pins(p.Value) {
		n := b.Net(p.Pins[pin.Number])
		if n == nil {
			continue
		}
		if !slices.Contains(order, n.Group) {
			order = append(order, n.Group)
		}
		volts[n.Group] = max(volts[n.Group], n.Volts)
	}
	for _, g := range order {
		list = append(list, fmt.Sprintf("%s %g V", g, volts[g]))
	}
	return strings.Join(list, ", ")
}
