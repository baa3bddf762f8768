package circuit

import (
	"fmt"
	"maps"
	"slices"
	"strings"
)

// Fault is one fault of one part: an open pin or two shorted pins.
type Fault struct {
	Board, Ref string
	Pins       []string // numbers: one is open, two are shorted
	Drift      string   // of an open gate: the net that its charge leaks to; else empty
}

// The resistances of an open contact, a short and the leakage of an open gate, as values are written.
const (
	openOhms  = "1000M"
	shortOhms = "10m"
	leakOhms  = "10M"
)

// firstFault is the first number of the resistors that make faults; designs do not use them.
const firstFault = 99000

// Faults lists the single faults of the parts of some sections, in the order of the parts. Two pins on the same net are
// not joined once more, nor are pins of different isolation groups: that the barrier holds is the part's rating, which
// no simulation can test. Of a terminal, neighbours are joined, and a lead to a supply or from an output of the
// controller is lost, where parts of these sections are on the nets.
func (b *Board) Faults(sections ...string) (list []Fault) {
	for _, p := range b.Parts {
		if slices.Contains(sections, p.Section) {
			list = append(list, b.opens(p, sections)...)
			list = append(list, b.shorts(p, sections)...)
		}
	}
	return list
}

func (b *Board) opens(p *Part, sections []string) (list []Fault) {
	pins := p.Type.Kind.Pins(p.Value)
	for _, pin := range pins {
		f := Fault{Board: b.Name, Ref: p.Ref, Pins: []string{pin.Number}}
		net := b.Net(p.Pins[pin.Number])
		switch {
		case net == nil: // already open
		case p.Type.Kind == Terminal:
			if b.isSupplyLead(net) && b.simulated(net.Name, p, sections) {
				list = append(list, f)
			}
		case pin.Name == "G":
			for _, to := range b.drifts(p) {
				f.Drift = to
				list = append(list, f)
			}
		default:
			list = append(list, f)
		}
	}
	if len(pins) == 2 && p.Type.Kind != Terminal { // either end of a part in a row is the same fault
		list = list[:min(1, len(list))]
	}
	return list
}

// isSupplyLead reports whether a lead feeds a net of the board.
func (b *Board) isSupplyLead(n *Net) bool {
	return slices.Contains([]Use{Supply, Level, Output, Heartbeat}, n.Use)
}

// drifts are the nets to which an open gate may drift: the transistor blocks at one and conducts at the other.
func (b *Board) drifts(p *Part) []string {
	on := "GND"
	if level := find(b.Nets, func(n *Net) bool { return n.Use == Level }); p.Type.Kind == NMOS && level != nil {
		on = level.Name
	}
	return []string{p.Pin("S"), on}
}

// simulated reports whether a part of the sections, other than a terminal, is on a net.
func (b *Board) simulated(net string, except *Part, sections []string) bool {
	return slices.ContainsFunc(b.On(net), func(q *Part) bool {
		return q != except && q.Type.Kind != Terminal && slices.Contains(sections, q.Section)
	})
}

func (b *Board) shorts(p *Part, sections []string) (list []Fault) {
	pins := p.Type.Kind.Pins(p.Value)
	for i, first := range pins {
		for j, second := range pins[i+1:] {
			one, other := b.Net(p.Pins[first.Number]), b.Net(p.Pins[second.Number])
			if one == nil || other == nil || one == other || one.Group != other.Group {
				continue
			}
			if p.Type.Kind == Terminal && (j > 0 || !b.bothSimulated(one, other, p, sections)) {
				continue
			}
			list = append(list, Fault{Board: b.Name, Ref: p.Ref, Pins: []string{first.Number, second.Number}})
		}
	}
	return list
}

func (b *Board) bothSimulated(one, other *Net, p *Part, sections []string) bool {
	return b.simulated(one.Name, p, sections) && b.simulated(other.Name, p, sections)
}

// Describe describes a fault, without its part: "open", "G open, drifts to GND", "D-S joined".
func (d *Design) Describe(f Fault) string {
	p := d.Board(f.Board).Part(f.Ref)
	var names []string
	for _, pin := range p.Type.Kind.Pins(p.Value) {
		if slices.Contains(f.Pins, pin.Number) {
			name := pin.Name
			if name == "" {
				name = pin.Number
			}
			names = append(names, strings.ReplaceAll(name, " ", ""))
		}
	}
	two := len(p.Type.Kind.Pins(p.Value)) == 2 && p.Type.Kind != Terminal
	switch {
	case two && len(names) == 1:
		return "open"
	case two:
		return "shorted"
	case f.Drift != "":
		return names[0] + " open, drifts to " + f.Drift
	case len(names) == 1:
		return names[0] + " open"
	}
	return names[0] + " to " + names[1] + " shorted"
}

// With returns a copy of a design with a fault in it.
func (d *Design) With(f Fault) (*Design, error) {
	b := d.Board(f.Board)
	if b == nil || b.Part(f.Ref) == nil || len(f.Pins) < 1 || len(f.Pins) > 2 {
		return nil, fmt.Errorf("fault of part %s, pins %v: take it from the list that Faults gives", f.Ref, f.Pins)
	}
	faulty := *b
	faulty.Parts = make([]*Part, len(b.Parts))
	for i, p := range b.Parts {
		q := *p
		q.Pins = maps.Clone(p.Pins)
		faulty.Parts[i] = &q
	}
	p := faulty.Part(f.Ref)
	number := firstFault + len(b.Parts)
	bridge := &Part{Ref: fmt.Sprintf("R%d", number), Type: &Type{Kind: Resistor}, Value: shortOhms, Section: p.Section}
	nets := []string{p.Pins[f.Pins[0]], p.Pins[f.Pins[len(f.Pins)-1]]}
	if len(f.Pins) == 1 {
		nets[1] = fmt.Sprintf("LOST%d", number)
		faulty.detachPin(p, f.Pins[0], nets[1])
		bridge.Value = openOhms
	}
	if f.Drift != "" {
		nets[0], bridge.Value = f.Drift, leakOhms
	}
	slices.Sort(nets) // the same two nets joined are the same circuit, whichever part did it
	bridge.Pins = map[string]string{"1": nets[0], "2": nets[1]}
	faulty.Parts = append(faulty.Parts, bridge)
	copied := *d
	copied.Boards = slices.Clone(d.Boards)
	copied.Boards[slices.Index(d.Boards, b)] = &faulty
	return &copied, nil
}

// detachPin moves a pin to a net of its own. For a terminal everything else on the net moves, so that its lead stays.
func (b *Board) detachPin(p *Part, pin, to string) {
	net := p.Pins[pin]
	if p.Type.Kind != Terminal {
		p.Pins[pin] = to
		return
	}
	for _, q := range b.Parts {
		for number, on := range q.Pins {
			if q != p && on == net {
				q.Pins[number] = to
			}
		}
	}
}
