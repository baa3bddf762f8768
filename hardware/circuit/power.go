package circuit

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// volts is the highest voltage of a part's pin against its group's zero.
func (b *Board) volts(p *Part, pin string) float64 {
	if n := b.Net(p.Pin(pin)); n != nil {
		return n.MaxVolts()
	}
	return 0
}

const zenerTolerance = 0.05

// gateSwing is the highest voltage between the gate and the source of a P-channel transistor that is pulled to GND: all
// of the source's, what a zener between the two lets be, or what a resistor to the source and one away from it leave.
func (b *Board) gateSwing(p *Part) float64 {
	up, down := math.Inf(1), 0.0
	for _, r := range b.On(p.Pin("G")) {
		ohms, err := Quantity(r.Value)
		switch {
		case r.Type.Kind == Zener && r.Pin("K") == p.Pin("S") && r.Pin("A") == p.Pin("G"):
			return r.Type.Rating["vz"] * (1 + zenerTolerance)
		case r.Type.Kind != Resistor || err != nil:
		case r.Pin("1") == p.Pin("S") || r.Pin("2") == p.Pin("S"):
			up = ohms
		default:
			down = ohms
		}
	}
	return b.volts(p, "S") / (1 + down/up)
}

// maxVolts is the highest voltage on any pin.
func (b *Board) maxVolts(p *Part) (v float64) {
	for _, pin := range p.Type.Kind.Pins(p.Value) {
		v = max(v, b.volts(p, pin.Number))
	}
	return v
}

// checkStrength compares the parts' voltage ratings, and the dissipation of resistors, with the nets they are on.
func checkStrength(_ *Design, b *Board) (bad []string) {
	for _, p := range b.Parts {
		stands, meets := p.Type.Rating["v"], b.maxVolts(p)
		switch p.Type.Kind {
		case Opto:
			meets = b.volts(p, "C")
		case Zener, TVS, LED, Fuse, Switch, Terminal, Battery, Trimmer:
			continue
		case Electret:
			meets /= margin // a capsule has no peaks
		}
		if slices.Contains([]Kind{Comparator, OpAmp, Timer, Microcontroller}, p.Type.Kind) {
			if stands < meets {
				bad = append(bad, fmt.Sprintf("%s stands %g V and meets %g V", p.Ref, stands, meets))
			}
			continue
		}
		if p.Type.Kind == NMOS || p.Type.Kind == PMOS {
			if g := b.volts(p, "G"); p.Type.Kind == NMOS && p.Type.Rating["vgs"] < g*margin {
				bad = append(bad, fmt.Sprintf("%s: gate stands %g V and meets %g V", p.Ref, p.Type.Rating["vgs"], g))
			}
		}
		if swing := b.gateSwing(p); p.Type.Kind == PMOS && p.Type.Rating["vgs"] < swing {
			bad = append(bad, fmt.Sprintf("%s: gate stands %g V against its source and meets %.1f V", p.Ref,
				p.Type.Rating["vgs"], swing))
		}
		if stands > 0 && stands < meets*margin {
			bad = append(bad, fmt.Sprintf("%s stands %g V and meets %g V: want a quarter more", p.Ref, stands, meets))
		}
		if p.Type.Kind == Resistor && p.Type.Rating["fusible"] == 0 {
			if dissipation := b.dissipation(p); dissipation > 0.7*p.Type.Rating["p"] {
				bad = append(bad, fmt.Sprintf("%s may have to take %.2f W of its %g W: 70 %% is the most", p.Ref, dissipation,
					p.Type.Rating["p"]))
			}
		}
	}
	return bad
}

// dissipation is a resistor's power with its highest steady voltage on one side and 0 V on the other, less the forward
// voltage of a diode that alone is on the other side.
func (b *Board) dissipation(p *Part) float64 {
	ohms, err := Quantity(p.Value)
	if err != nil {
		return math.Inf(1)
	}
	if b.gateOnly(p.Pin("1"), p) || b.gateOnly(p.Pin("2"), p) {
		return 0
	}
	steady := func(pin string) float64 { return b.Net(p.Pin(pin)).Volts }
	drop := 0.0
	for _, pin := range []string{"1", "2"} {
		for _, q := range b.On(p.Pin(pin)) {
			if q.Type.Kind == LED && q.Pin("A") == p.Pin(pin) {
				drop = 1.1 // an infrared LED's, the lowest of all
			}
		}
	}
	v := max(steady("1"), steady("2")) - drop
	return v * v / ohms
}

// draw is the current that a pin of the controller may have to source or sink at a net's highest voltage: through every
// resistor on it that does not lead to gates only.
func (b *Board) draw(n *Net) (amps float64, bare []string) {
	for _, p := range b.On(n.Name) {
		switch p.Type.Kind {
		case Resistor:
			ohms, err := Quantity(p.Value)
			if err != nil {
				continue // Parse refused it
			}
			far := p.Pin("1")
			if far == n.Name {
				far = p.Pin("2")
			}
			if !b.gateOnly(far, p) {
				amps += n.Volts / ohms
			}
		case Terminal, Capacitor, Comparator, OpAmp:
		case NPN:
			if p.Pin("C") != n.Name {
				bare = append(bare, p.Ref)
			}
		case Opto:
			if p.Pin("C") != n.Name {
				bare = append(bare, p.Ref)
			}
		default:
			bare = append(bare, p.Ref)
		}
	}
	return amps, bare
}

// gateOnly reports whether a net leads, apart from one resistor, into gates only.
func (b *Board) gateOnly(net string, except *Part) bool {
	for _, q := range b.On(net) {
		if q != except && !((q.Type.Kind == NMOS || q.Type.Kind == PMOS) && q.Pin("G") == net) {
			return false
		}
	}
	return true
}

func driven(u Use) bool { return u == Output || u == Heartbeat || u == Input }

func checkPinCurrents(_ *Design, b *Board) (bad []string) {
	total := 0.0
	for _, n := range b.Nets {
		if !driven(n.Use) {
			continue
		}
		amps, bare := b.draw(n)
		total += amps
		if amps > maxPinAmps {
			bad = append(bad, fmt.Sprintf("%s takes %.1f mA from its pin: %g mA is the most", n.Name, amps*1e3, maxPinAmps*1e3))
		}
		for _, ref := range bare {
			bad = append(bad, fmt.Sprintf("%s sits on %s without a resistor", ref, n.Name))
		}
	}
	if total > maxPinsAmps {
		bad = append(bad, fmt.Sprintf("all pins together %.1f mA: %g mA is the most", total*1e3, maxPinsAmps*1e3))
	}
	return bad
}

// checkPinLevels requires inputs to be pulled up to the controller's own supply only, which may be 3.3 V.
func checkPinLevels(_ *Design, b *Board) (bad []string) {
	for _, n := range b.Nets {
		if n.Use != Input {
			continue
		}
		for _, p := range b.On(n.Name) {
			if p.Type.Kind != Resistor {
				continue
			}
			far := b.Net(p.Pin("1"))
			if far == n {
				far = b.Net(p.Pin("2"))
			}
			if far.Use == Supply || strings.HasPrefix(far.Name, "V5") || strings.HasPrefix(far.Name, "V12") {
				bad = append(bad, fmt.Sprintf("%s pulls input %s up to %s: use the controller's own supply", p.Ref, n.Name,
					far.Name))
			}
		}
	}
	return bad
}

// checkPullDowns requires each output and the heartbeat low while nobody drives it: through resistors to GND alone.
func checkPullDowns(_ *Design, b *Board) (bad []string) {
	for _, n := range b.Nets {
		if n.Use != Output && n.Use != Heartbeat {
			continue
		}
		if ohms := b.pullDownOhms(n.Name, nil); ohms > maxPullDownOhms {
			bad = append(bad, fmt.Sprintf("%s is not pulled down by %g ohm or less", n.Name, maxPullDownOhms))
		}
	}
	return bad
}

// pullDownOhms is the smallest resistance from a net to GND through one resistor or two in series.
func (b *Board) pullDownOhms(net string, except *Part) float64 {
	best := math.Inf(1)
	for _, p := range b.On(net) {
		if p.Type.Kind != Resistor || p == except {
			continue
		}
		ohms, err := Quantity(p.Value)
		if err != nil {
			continue // Parse refused it
		}
		far := p.Pin("1")
		if far == net {
			far = p.Pin("2")
		}
		if far != "GND" && except == nil {
			ohms += b.pullDownOhms(far, p)
		} else if far != "GND" {
			continue
		}
		best = min(best, ohms)
	}
	return best
}

// checkCurrents requires each net that a fuse feeds without a resistor between to state that it carries what the fuse
// lets pass, and the zero through which all comes back that it carries the sum.
func checkCurrents(_ *Design, b *Board) (bad []string) {
	back := map[string]float64{} // by group
	for _, f := range b.ofKind(Fuse) {
		hold := f.Type.Rating["hold"]
		back[b.group(f, "1")] += hold
		through := func(p *Part) [][2]string {
			small := p.Type.Kind == PNP && p.Type.Rating["i"] < hold // it drives a gate, not a load
			if p.Type.Kind == Resistor || p.Type.Kind == Zener || small {
				return nil
			}
			return power()(p)
		}
		for _, n := range b.Nets {
			if b.reach(f.Pin("1"), b.notGround(through))[n.Name] && n.Amps < hold {
				bad = append(bad, fmt.Sprintf("net %s carries what %s lets pass: write amps=%g or more", n.Name, f.Ref, hold))
			}
		}
	}
	for _, n := range b.Nets {
		if n.Use == Zero && n.Amps < back[n.Group] {
			bad = append(bad, fmt.Sprintf("net %s carries back what all fuses let pass: write amps=%g or more", n.Name,
				back[n.Group]))
		}
	}
	return bad
}
