package circuit

import (
	"fmt"
	"slices"
	"strings"
)

// checkFuses requires nothing but the terminal and the fuse on a supply that comes from outside.
func checkFuses(_ *Design, b *Board) (bad []string) {
	for _, n := range b.Nets {
		if n.Use != Supply {
			continue
		}
		fused := false
		for _, p := range b.On(n.Name) {
			fused = fused || p.Type.Kind == Fuse
			if p.Type.Kind != Fuse && p.Type.Kind != Terminal {
				bad = append(bad, fmt.Sprintf("%s is on %s before the fuse", p.Ref, n.Name))
			}
		}
		if !fused {
			bad = append(bad, n.Name+" has no fuse")
		}
	}
	return bad
}

// checkPolarity wants, behind the fuse of a supply above 5.25 V, a diode in series that conducts away from it, and
// behind that a TVS to zero, which a supply of twice the voltage does not make conduct, and a P-channel transistor in
// series, which cuts such a supply off.
func checkPolarity(_ *Design, b *Board) (bad []string) {
	for _, n := range b.Nets {
		if n.Use != Supply || n.Volts <= 5.25 {
			continue
		}
		for _, f := range b.On(n.Name) {
			if f.Type.Kind != Fuse {
				continue
			}
			behind := f.Pin("1")
			if behind == n.Name {
				behind = f.Pin("2")
			}
			diode, tvs, cut := false, false, false
			for _, p := range b.On(behind) {
				if !slices.Contains([]Kind{Fuse, Diode}, p.Type.Kind) {
					bad = append(bad, fmt.Sprintf("%s is on %s, which a supply the wrong way round makes negative", p.Ref, behind))
				}
			}
			for _, d := range b.On(behind) {
				if d.Type.Kind != Diode || d.Pin("A") != behind {
					continue
				}
				diode = true
				for _, p := range b.On(d.Pin("K")) {
					tvs = tvs || p.Type.Kind == TVS && p.Pin("K") == d.Pin("K") && p.Pin("A") == "GND" &&
						p.Type.Rating["standoff"] >= 2*min(n.Volts, maxOwnVolts)
					cut = cut || p.Type.Kind == PMOS && p.Pin("S") == d.Pin("K")
				}
			}
			if !diode {
				bad = append(bad, behind+" has no diode in series against a supply the wrong way round")
			}
			if !tvs {
				bad = append(bad, "behind the diode of "+behind+" is no TVS to GND that twice the supply does not make conduct")
			}
			if !cut {
				bad = append(bad, "behind the diode of "+behind+" is no P-channel transistor that cuts a wrong supply off")
			}
		}
	}
	return bad
}

// signalOhms is the resistance from which on a resistor feeds nothing: 12 uA at 12 V.
const signalOhms = 1e6

// power returns the pairs of pins through which a part passes supply current, none for the kinds in without.
func power(without ...Kind) func(*Part) [][2]string {
	return func(p *Part) [][2]string {
		k := p.Type.Kind
		ohms, _ := Quantity(p.Value)
		switch {
		case slices.Contains(without, k) || k == Resistor && ohms >= signalOhms:
			return nil
		case k == Switch:
			return [][2]string{{"1", "2"}, {"3", "4"}}
		case k == PMOS:
			return [][2]string{{"S", "D"}}
		case k == PNP || k == NPN:
			return [][2]string{{"E", "C"}}
		case k == Resistor || k == Diode || k == Zener || k == Fuse:
			return [][2]string{{"1", "2"}}
		}
		return nil
	}
}

// poweredNets are the nets that supply valves and the LEDs of output optocouplers.
func (b *Board) poweredNets() map[string]string {
	nets := map[string]string{}
	for _, p := range b.Parts {
		if p.Type.Kind == Opto && b.group(p, "A") == "LOGIC" {
			nets[p.Pin("A")] = p.Ref
		}
	}
	for _, p := range b.ofKind(NMOS) {
		for _, t := range b.On(p.Pin("D")) {
			if t.Type.Kind == Terminal {
				nets[t.Pin("1")] = t.Ref
			}
		}
	}
	return nets
}

// checkBehind requires everything that is fed to be dead when the parts of some kinds are taken out: fed by a supply,
// or by either side of the kill switch, unless that is taken out.
func (b *Board) checkBehind(what string, without ...Kind) (bad []string) {
	for _, supply := range b.Nets {
		if supply.Use != Supply && (slices.Contains(without, Switch) || !b.contact(supply.Name)) {
			continue
		}
		live := b.reach(supply.Name, b.notGround(power(without...)))
		for net, ref := range b.poweredNets() {
			if live[net] {
				bad = append(bad, fmt.Sprintf("%s gets current from %s past the %s: feed it from an armed rail", ref,
					supply.Name, what))
			}
		}
	}
	slices.Sort(bad)
	return bad
}

// notGround keeps a search from going on through the zero or a controller's pins, which no supply current comes from.
func (b *Board) notGround(through func(*Part) [][2]string) func(*Part) [][2]string {
	return func(p *Part) (pairs [][2]string) {
		for _, pair := range through(p) {
			stop := false
			for _, id := range pair {
				n := b.Net(p.Pin(id))
				stop = stop || n == nil || n.Use == Zero || driven(n.Use)
			}
			if !stop {
				pairs = append(pairs, pair)
			}
		}
		return pairs
	}
}

func checkSwitch(_ *Design, b *Board) []string { return b.checkBehind("kill switch", Switch) }

func checkGuard(_ *Design, b *Board) (bad []string) {
	if b.Unguarded {
		return b.checkUnguarded()
	}
	bad = b.checkBehind("guard", PMOS, PNP, NPN)
	for _, n := range b.Nets {
		if n.Use == Heartbeat {
			return slices.Concat(bad, b.checkHeartbeat(n), b.checkPump(n), b.checkReferences())
		}
	}
	return bad
}

// checkUnguarded allows a board without a guard nothing but contacts behind optocouplers, which a flash unit outlasts
// when they stay closed, and wants its drawing to say what it must not be used for.
func (b *Board) checkUnguarded() (bad []string) {
	for _, p := range b.Parts {
		if p.Type.Kind == NMOS || p.Type.Kind == PMOS {
			bad = append(bad, fmt.Sprintf("%s switches power on a board without a guard: use the outputs board", p.Ref))
		}
	}
	for _, n := range b.Nets {
		leaves := slices.ContainsFunc(b.On(n.Name), func(p *Part) bool { return p.Type.Kind == Terminal })
		if n.Use == Armed && leaves || n.Use == Heartbeat {
			bad = append(bad, n.Name+" leaves a board without a guard: use the outputs board")
		}
	}
	if !slices.ContainsFunc(b.Notes, func(n Note) bool {
		return strings.Contains(n.Text, "no valve") && strings.Contains(n.Text, "never unattended")
	}) {
		bad = append(bad, "no note tells that it has no guard: write no valve, and never unattended, on the drawing")
	}
	return bad
}

// checkHeartbeat requires a capacitor in the heartbeat's way, so that a level that stands still gets nothing through.
func (b *Board) checkHeartbeat(n *Net) (bad []string) {
	direct := b.reach(n.Name, b.notSupply(func(p *Part) [][2]string {
		switch p.Type.Kind {
		case Resistor, Diode:
			return [][2]string{{"1", "2"}}
		case NPN:
			return [][2]string{{"B", "C"}}
		case NMOS:
			return [][2]string{{"G", "D"}}
		}
		return nil
	}))
	for _, p := range b.Parts {
		pumped := p.Type.Kind == Comparator && (direct[p.Pin("1-")] || direct[p.Pin("2-")])
		if pumped || (p.Type.Kind == PMOS || p.Type.Kind == PNP) && (direct[p.Pin("G")] || direct[p.Pin("B")]) {
			bad = append(bad, fmt.Sprintf("%s can be held on by a heartbeat that stands still: put a capacitor between", p.Ref))
		}
	}
	return bad
}

// checkPump requires the pump that the heartbeat works to be supplied from before the kill switch, whose contacts
// bounce when they close: each bounce would count as a heartbeat.
func (b *Board) checkPump(n *Net) (bad []string) {
	reached := b.reach(n.Name, b.notSupply(power(NPN, Switch, PMOS, PNP)))
	for _, q := range b.ofKind(NPN) {
		for _, r := range b.On(q.Pin("C")) {
			if !reached[q.Pin("B")] || r.Type.Kind != Resistor {
				continue
			}
			if b.switched(r.Pin("1")) || b.switched(r.Pin("2")) {
				bad = append(bad, fmt.Sprintf("%s lets the bounce of the kill switch pass for a heartbeat: feed it from before "+
					"the switch", r.Ref))
			}
		}
	}
	return bad
}

// checkReferences requires a capacitor to ground at each input of a guard's comparators, straight or behind a resistor:
// what a supply or a lead picks up must not pass for a pump that is full or empty.
func (b *Board) checkReferences() (bad []string) {
	const most = 100e3 // ohm: hysteresis by more is no way to a capacitor; chosen
	near := b.notSupply(func(p *Part) [][2]string {
		if ohms, err := Quantity(p.Value); p.Type.Kind != Resistor || err != nil || ohms > most {
			return nil
		}
		return [][2]string{{"1", "2"}}
	})
	for _, p := range b.ofKind(Comparator) {
		for _, pin := range []string{"1+", "1-", "2+", "2-"} {
			if p.Pin(pin) == "GND" || p.Pin(pin) == Open {
				continue
			}
			nets := b.reach(p.Pin(pin), near)
			held := slices.ContainsFunc(b.ofKind(Capacitor), func(c *Part) bool {
				return nets[c.Pin("1")] && c.Pin("2") == "GND" || nets[c.Pin("2")] && c.Pin("1") == "GND"
			})
			if !held {
				bad = append(bad, fmt.Sprintf("%s %s has no capacitor to GND: noise on %s would switch the rail", p.Ref, pin,
					p.Pin(pin)))
			}
		}
	}
	return bad
}

// notSupply keeps a search off supplies and zero.
func (b *Board) notSupply(through func(*Part) [][2]string) func(*Part) [][2]string {
	return func(p *Part) (pairs [][2]string) {
		for _, pair := range through(p) {
			x, y := p.Pin(pair[0]), p.Pin(pair[1])
			if x != "GND" && y != "GND" && !b.contact(x) && !b.contact(y) {
				pairs = append(pairs, pair)
			}
		}
		return pairs
	}
}

// contact reports whether a net is a supply at either side of the kill switch.
func (b *Board) contact(net string) bool {
	return slices.ContainsFunc(b.On(net), func(p *Part) bool { return p.Type.Kind == Switch })
}

// switched reports whether a net is a supply behind a contact of the kill switch.
func (b *Board) switched(net string) bool {
	return slices.ContainsFunc(b.On(net), func(p *Part) bool {
		return p.Type.Kind == Switch && (p.Pin("2") == net || p.Pin("4") == net)
	})
}

// checkFlyback wants, from the drain of each valve's transistor, a diode and a zener to the valve's supply, each the
// right way round.
func checkFlyback(_ *Design, b *Board) (bad []string) {
	for _, q := range b.ofKind(NMOS) {
		drain := q.Pin("D")
		for _, t := range b.On(drain) {
			if t.Type.Kind != Terminal {
				continue
			}
			rail := t.Pin("1")
			if !b.freewheels(drain, rail) {
				bad = append(bad, fmt.Sprintf("%s has no way for its current from %s to %s: a diode with its anode on %s, "+
					"then a zener with its anode on %s", t.Ref, drain, rail, drain, rail))
			}
		}
	}
	return bad
}

func (b *Board) freewheels(drain, rail string) bool {
	for _, d := range b.On(drain) {
		if d.Type.Kind != Diode || d.Pin("A") != drain {
			continue
		}
		for _, z := range b.On(d.Pin("K")) {
			if z.Type.Kind == Zener && z.Pin("K") == d.Pin("K") && z.Pin("A") == rail {
				return true
			}
		}
	}
	return false
}

// checkRails requires a diode from GND up to each armed rail that feeds a coil: with the kill switch open the coil
// pulls the rail far below zero otherwise.
func checkRails(_ *Design, b *Board) (bad []string) {
	for _, n := range b.Nets {
		coil := n.Use == Armed && slices.ContainsFunc(b.On(n.Name), func(p *Part) bool { return p.Type.Kind == Terminal })
		held := slices.ContainsFunc(b.On(n.Name), func(p *Part) bool {
			return p.Type.Kind == Diode && p.Pin("K") == n.Name && p.Pin("A") == "GND"
		})
		if coil && !held {
			bad = append(bad, n.Name+" has no diode from GND: a coil would pull it below zero when the kill switch opens")
		}
	}
	return bad
}
