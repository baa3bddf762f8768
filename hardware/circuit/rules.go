package circuit

import (
	"fmt"
	"slices"
	"strings"
)

// The limits of the rules.
const (
	maxSteadyVolts  = 24.0 // V: below the 30 V DC of IEC 60364-4-41 (414.4.5, from memory) for wet hands
	maxOwnVolts     = 12.6 // V: what the project supplies itself, 12 V + 5 %
	maxPeakVolts    = 60.0 // V: short peaks stay below the 60 V DC touch limit of dry conditions in the same clause
	maxPinAmps      = 8e-3 // A: half of what pins of common single-board computers give (16 mA, from memory)
	maxPinsAmps     = 50e-3
	maxPullDownOhms = 10e3   // ohm: a pad pulled up by 50 k stays below 0.6 V at 3.3 V
	withstand       = 3750.0 // V r.m.s.: class of reinforced insulation at 230 V (IEC 60747-5-5 parts), a chosen margin
	creepage        = 6.0    // mm: chosen; functional insulation at 24 V needs less than 1 mm
	margin          = 1.25   // of a part's voltage over the highest on its nets
)

// Finding is one thing that is against a rule.
type Finding struct {
	Rule  string
	Board string
	What  string // and the remedy
}

// String is the finding in one line.
func (f Finding) String() string { return f.Rule + ": board " + f.Board + ": " + f.What }

// rule checks one board.
type rule struct {
	name  string
	check func(d *Design, b *Board) []string
}

// rules in the order of their findings.
var rules = []rule{
	{"voltage", checkVoltages}, {"barrier", checkBarrier}, {"isolator", checkIsolators}, {"clamp", checkClamps},
	{"return", checkReturns},
	{"rating", checkRatings}, {"strength", checkStrength}, {"makers", checkMakers}, {"mains", checkMains},
	{"pin current", checkPinCurrents}, {"pin level", checkPinLevels}, {"pull-down", checkPullDowns},
	{"fuse", checkFuses}, {"polarity", checkPolarity}, {"switch", checkSwitch}, {"guard", checkGuard},
	{"flyback", checkFlyback}, {"rail", checkRails}, {"current", checkCurrents}, {"note", checkNote},
	{"carrier", checkCarriers},
}

// Check lists all violations of the rules.
func (d *Design) Check() (list []Finding) {
	for _, r := range rules {
		for _, b := range d.Boards {
			for _, what := range r.check(d, b) {
				list = append(list, Finding{r.name, b.Name, what})
			}
		}
	}
	return list
}

// reach lists the nets that are reachable from one through conducting parts, given as pairs of their pins.
func (b *Board) reach(from string, through func(*Part) [][2]string) map[string]bool {
	seen, queue := map[string]bool{from: true}, []string{from}
	for len(queue) > 0 {
		net := queue[0]
		queue = queue[1:]
		for _, p := range b.On(net) {
			for _, pair := range through(p) {
				x, y := p.Pin(pair[0]), p.Pin(pair[1])
				for _, to := range []string{x, y} {
					if (x == net || y == net) && !seen[to] && to != Open {
						seen[to] = true
						queue = append(queue, to)
					}
				}
			}
		}
	}
	return seen
}

// ofKind lists the parts of a kind.
func (b *Board) ofKind(k Kind) (parts []*Part) {
	for _, p := range b.Parts {
		if p.Type.Kind == k {
			parts = append(parts, p)
		}
	}
	return parts
}

// group is the group that a pin is in.
func (b *Board) group(p *Part, pin string) string {
	if n := b.Net(p.Pin(pin)); n != nil {
		return n.Group
	}
	return ""
}

func checkVoltages(_ *Design, b *Board) (bad []string) {
	for _, g := range b.Groups {
		most := maxSteadyVolts
		if strings.HasPrefix(g.Name, "LOGIC") {
			most = maxOwnVolts
		}
		if g.Limit > most {
			bad = append(bad, fmt.Sprintf("group %s allows %g V: %g V is the most", g.Name, g.Limit, most))
		}
	}
	for _, n := range b.Nets {
		g := b.Group(n.Group)
		if n.Volts > g.Limit {
			bad = append(bad, fmt.Sprintf("net %s has %g V, its group %s allows %g V", n.Name, n.Volts, g.Name, g.Limit))
		}
		if n.Peak > maxPeakVolts {
			bad = append(bad, fmt.Sprintf("net %s peaks at %g V: clamp it below %g V", n.Name, n.Peak, maxPeakVolts))
		}
	}
	return bad
}

func checkBarrier(_ *Design, b *Board) (bad []string) {
	for _, p := range b.Parts {
		groups := map[string]bool{}
		for _, pin := range p.Type.Kind.Pins(p.Value) {
			if g := b.group(p, pin.Number); g != "" {
				groups[g] = true
			}
		}
		if p.Type.Kind != Opto && len(groups) > 1 {
			bad = append(bad, fmt.Sprintf("%s (%s) joins isolated groups: only an optocoupler may", p.Ref, p.Type.Kind))
		}
		if p.Type.Kind != Opto {
			continue
		}
		lamp, out := b.group(p, "A"), b.group(p, "C")
		if lamp != b.group(p, "K") || out != b.group(p, "E") || lamp == out {
			bad = append(bad, p.Ref+" does not keep its two sides apart: pins 1, 2 in one group and 3, 4 in another")
		}
	}
	return bad
}

func checkIsolators(_ *Design, b *Board) (bad []string) {
	for _, p := range b.ofKind(Opto) {
		if v := p.Type.Rating["withstand"]; v < withstand {
			bad = append(bad, fmt.Sprintf("%s withstands %g V r.m.s.: take one for %g V or more", p.Ref, v, withstand))
		}
		if mm := p.Type.Rating["creepage"]; mm < creepage {
			bad = append(bad, fmt.Sprintf("%s has %g mm of creepage: take one with %g mm or more", p.Ref, mm, creepage))
		}
	}
	return bad
}

// checkClamps wants, in each group that a flash unit drives, a TVS across the contact the right way round and a fusible
// resistor in series with the terminal.
func checkClamps(_ *Design, b *Board) (bad []string) {
	for _, g := range b.Groups {
		if !strings.HasPrefix(g.Name, "FLASH") {
			continue
		}
		for _, p := range b.Parts {
			if p.Type.Kind != Opto || b.group(p, "C") != g.Name {
				continue
			}
			hot, com := p.Pin("C"), b.zero(g)
			clamped := slices.ContainsFunc(b.On(hot), func(t *Part) bool {
				return t.Type.Kind == TVS && t.Pin("K") == hot && t.Pin("A") == com &&
					t.Type.Rating["standoff"] >= min(g.Limit, maxSteadyVolts) && t.Type.Rating["clamp"] <= b.Net(hot).Peak
			})
			if !clamped {
				bad = append(bad, fmt.Sprintf("%s: no TVS from %s to %s that stands %g V and clamps at the net's peak",
					p.Ref, com, hot, g.Limit))
			}
			for _, q := range b.On(hot) {
				if q.Type.Kind == Terminal {
					bad = append(bad, q.Ref+" comes to the contact without a fusible resistor")
				}
				if q.Type.Kind == Resistor && q.Type.Rating["fusible"] == 0 {
					bad = append(bad, q.Ref+" is not fusible: it must open when a high voltage stays on the contact")
				}
			}
		}
	}
	return bad
}

// checkReturns requires a diode between an optocoupler's lamp and a terminal outside the first group: what is connected
// there may bring a voltage of its own, which must not come to the lamp backwards.
func checkReturns(_ *Design, b *Board) (bad []string) {
	for _, p := range b.ofKind(Opto) {
		if b.group(p, "A") == b.Groups[0].Name {
			continue
		}
		for _, pin := range []string{"A", "K"} {
			for _, q := range b.On(p.Pin(pin)) {
				if q.Type.Kind == Terminal {
					bad = append(bad, fmt.Sprintf("%s's lamp is joined to %s: put a diode of 400 V or more between", p.Ref, q.Ref))
				}
			}
		}
		guarded := slices.ContainsFunc(b.On(p.Pin("K")), func(q *Part) bool {
			return q.Type.Kind == Diode && q.Pin("A") == p.Pin("K") && q.Type.Rating["v"] >= 400
		})
		if !guarded {
			bad = append(bad, fmt.Sprintf("%s has no diode of 400 V or more that leads away from its lamp's cathode", p.Ref))
		}
	}
	return bad
}

// zero is a group's net of 0 V.
func (b *Board) zero(g *Group) string {
	i := slices.IndexFunc(b.Nets, func(n *Net) bool { return n.Group == g.Name && n.Use == Zero })
	if i < 0 {
		return ""
	}
	return b.Nets[i].Name
}

func checkRatings(_ *Design, b *Board) (bad []string) {
	for _, p := range b.Parts {
		wanted := kinds[p.Type.Kind].ratings
		if p.Type.Kind == Terminal {
			wanted = []string{"v", "i"}
		}
		for _, r := range wanted {
			if p.Type.Rating[r] <= 0 {
				bad = append(bad, fmt.Sprintf("%s: type %s does not state its rating %s", p.Ref, p.Type.Name, r))
			}
		}
	}
	return bad
}

func checkMakers(_ *Design, b *Board) (bad []string) {
	for _, p := range b.Parts {
		named := map[string]bool{}
		for _, m := range p.Type.Makers {
			part, maker, ok := strings.Cut(strings.TrimSuffix(m, ")"), " (")
			if ok && part != "" {
				named[maker] = true
			}
		}
		if len(named) < 2 {
			bad = append(bad, fmt.Sprintf("%s: type %s names %d makers: two at least, as part (maker)", p.Ref, p.Type.Name,
				len(named)))
		}
	}
	return bad
}

// mainsWords must not appear on a low-voltage board, except to say that it has no mains.
var mainsWords = []string{"mains", "230 V", "120 V", "115 V", "240 V", "110 V", "triac", "thyristor", "relay", "V AC",
	"line voltage"}

func checkMains(_ *Design, b *Board) (bad []string) {
	latches := func(p *Part) bool { // a thyristor in a flash unit's isolated group switches no more than its 24 V
		return p.Type.Kind == Thyristor && strings.HasPrefix(b.group(p, "A"), "FLASH") &&
			b.group(p, "A") == b.group(p, "K") && b.group(p, "A") == b.group(p, "G")
	}
	look := func(where, text string) {
		for _, w := range mainsWords {
			if p := b.Part(where); w == "thyristor" && p != nil && latches(p) {
				continue
			}
			if strings.Contains(strings.ToLower(text), strings.ToLower(w)) {
				bad = append(bad, fmt.Sprintf("%s says %q: nothing here is for mains", where, w))
			}
		}
	}
	for _, p := range b.Parts {
		look(p.Ref, p.Type.Generic+" "+p.Value+" "+p.Type.With+" "+p.Type.Name)
	}
	for _, s := range b.Sections {
		look("section "+s.Name, s.Title)
	}
	for _, n := range b.Nets {
		look("net "+n.Name, n.Name)
	}
	return bad
}

func checkNote(_ *Design, b *Board) (bad []string) {
	says := func(word string) bool {
		return slices.ContainsFunc(b.Notes, func(n Note) bool { return strings.Contains(n.Text, word) })
	}
	if len(b.Groups) > 1 && !says("creepage") {
		bad = append(bad, "no note tells the creepage at the barrier: write it on the drawing")
	}
	if !says("not built") {
		bad = append(bad, "no note tells that the board was simulated and not built: write it on the drawing")
	}
	return bad
}

// checkCarriers requires every signal of a board's header on every carrier, and the carrier's supply within its nets.
func checkCarriers(d *Design, b *Board) (bad []string) {
	for _, c := range d.Carriers {
		for _, n := range b.Nets {
			if slices.Contains([]Use{Input, Output, Heartbeat, Level}, n.Use) &&
				!slices.ContainsFunc(c.Wires, func(w Wire) bool { return w.Signal == n.Name }) {
				bad = append(bad, fmt.Sprintf("carrier %s has no pin for %s: give it one, or leave it open by wire - -", c.Name,
					n.Name))
			}
			if n.Use == Level && c.Volts*1.05 > n.Volts {
				bad = append(bad, fmt.Sprintf("carrier %s drives %g V, net %s takes %g V", c.Name, c.Volts, n.Name, n.Volts))
			}
		}
	}
	return bad
}
