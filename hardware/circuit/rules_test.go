package circuit

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestTheBoardsKeepTheRules(t *testing.T) {
	for _, f := range design(t).Check() {
		t.Error(f)
	}
}

// fault is a slip that somebody could make; its rule finds it, and no other rule does.
type fault struct {
	rule, name string
	make       func(d *Design)
}

func put(board, ref, pin, net string) func(*Design) {
	return func(d *Design) { d.Board(board).Part(ref).Pins[pin] = net }
}

func swap(board, ref string) func(*Design) {
	return func(d *Design) {
		p := d.Board(board).Part(ref).Pins
		p["1"], p["2"] = p["2"], p["1"]
	}
}

func drop(board string, refs ...string) func(*Design) {
	return func(d *Design) {
		b := d.Board(board)
		b.Parts = slices.DeleteFunc(b.Parts, func(p *Part) bool { return slices.Contains(refs, p.Ref) })
	}
}

func rate(board, ref, rating string, to float64) func(*Design) {
	return func(d *Design) {
		own := *d.Board(board).Part(ref).Type // its own copy: other parts keep theirs
		own.Rating = map[string]float64{}
		for k, v := range d.Board(board).Part(ref).Type.Rating {
			own.Rating[k] = v
		}
		own.Rating[rating] = to
		d.Board(board).Part(ref).Type = &own
	}
}

func retype(board, ref string, change func(*Type)) func(*Design) {
	return func(d *Design) {
		own := *d.Board(board).Part(ref).Type
		change(&own)
		d.Board(board).Part(ref).Type = &own
	}
}

func value(board, ref, to string) func(*Design) {
	return func(d *Design) { d.Board(board).Part(ref).Value = to }
}

func all(steps ...func(*Design)) func(*Design) {
	return func(d *Design) {
		for _, s := range steps {
			s(d)
		}
	}
}

// shunt joins two nets by a new resistor.
func shunt(board, ohms, x, y string) func(*Design) {
	return func(d *Design) {
		b := d.Board(board)
		p := *b.Parts[slices.IndexFunc(b.Parts, func(p *Part) bool { return p.Type.Name == "resistor" })]
		p.Ref, p.Value, p.Pins, p.Col = "R999", ohms, map[string]string{"1": x, "2": y}, 0
		b.Parts = append(b.Parts, &p)
	}
}

func note(board, word string) func(*Design) {
	return func(d *Design) {
		b := d.Board(board)
		for i := range b.Notes {
			b.Notes[i].Text = strings.ReplaceAll(b.Notes[i].Text, word, "")
		}
	}
}

func faults() []fault {
	net := func(board, name string, change func(*Net)) func(*Design) {
		return func(d *Design) { change(d.Board(board).Net(name)) }
	}
	return []fault{
		{"voltage", "24 V on the board", net("outputs", "V12_IN", func(n *Net) { n.Volts = 24 })},
		{"voltage", "a flash contact of 60 V", net("outputs", "FL1_HOT", func(n *Net) { n.Volts = 60 })},
		{"voltage", "a group of 48 V", func(d *Design) { d.Board("outputs").Group("FLASH2").Limit = 48 }},
		{"barrier", "the camera's common on GND", put("outputs", "U20", "3", "GND")},
		{"barrier", "a resistor across", shunt("outputs", "100k", "CAM_COM", "GND")},
		{"barrier", "one common for two flash units", put("outputs", "J31", "2", "FL2_COM")},
		{"isolator", "a weak optocoupler", rate("outputs", "U21", "withstand", 1500)},
		{"isolator", "a short optocoupler", rate("outputs", "U50", "creepage", 4)},
		{"clamp", "no TVS", drop("outputs", "D31")},
		{"clamp", "the TVS the wrong way round", swap("outputs", "D32")},
		{"clamp", "a TVS that conducts at 15 V", rate("outputs", "D31", "standoff", 15)},
		{"clamp", "an ordinary resistor", all(rate("outputs", "R312", "fusible", 0), rate("outputs", "R312", "p", 50))},
		{"return", "the lamp on the terminal", put("outputs", "U50", "2", "SY_HOT")},
		{"return", "a diode that a flash unit breaks through", rate("outputs", "D50", "v", 40)},
		{"return", "the diode the wrong way round", swap("outputs", "D50")},
		{"rating", "a capacitor without a voltage", rate("sensors", "C703", "v", 0)},
		{"rating", "a fuse without its current", rate("outputs", "F1", "hold", 0)},
		{"strength", "a 35 V optocoupler at the flash", rate("outputs", "U31", "v", 35)},
		{"strength", "a 30 V valve transistor", rate("outputs", "Q41", "v", 30)},
		{"strength", "a 16 V capacitor on 12 V", rate("outputs", "C1", "v", 16)},
		{"strength", "an emitter's resistor that burns", value("sensors", "R710", "47")},
		{"makers", "one maker", retype("outputs", "Q1", func(t *Type) { t.Makers = t.Makers[:1] })},
		{"makers", "one maker twice", retype("outputs", "Q1", func(t *Type) { t.Makers = []string{"A (X)", "B (X)"} })},
		{"mains", "a thyristor that is not isolated", retype("outputs", "Q1", func(t *Type) { t.Generic = "thyristor" })},
		{"mains", "a relay", retype("outputs", "J41", func(t *Type) { t.Generic = "mains relay 230 V" })},
		{"mains", "a section for it", func(d *Design) { d.Board("sensors").Sections[0].Title = "Mains lamp" }},
		{"pin current", "an optocoupler on the pin", put("outputs", "U20", "1", "FOCUS")},
		{"pin current", "a small resistor", value("outputs", "R41", "220")},
		{"pin current", "all pins together", func(d *Design) {
			for _, ref := range []string{"R41", "R42", "R600", "R610", "R620", "R5", "R20", "R21", "R31", "R32"} {
				if p := d.Board("outputs").Part(ref); p != nil {
					p.Value = "680"
				}
			}
		}},
		{"pin level", "an input pulled up to 5 V", put("outputs", "R52", "1", "V5_F")},
		{"pin level", "a sensor pulled up to 5 V", put("sensors", "R717", "2", "V5_F")},
		{"pull-down", "none", drop("outputs", "R200")},
		{"pull-down", "a weak one", value("outputs", "R42", "100k")},
		{"pull-down", "none at the heartbeat", drop("outputs", "R6")},
		{"fuse", "none", drop("outputs", "F2")},
		{"fuse", "past it", put("outputs", "R1", "1", "V12_IN")},
		{"polarity", "the diode the wrong way round", swap("outputs", "D2")},
		{"polarity", "no TVS", drop("outputs", "D1")},
		{"polarity", "a TVS that conducts at 24 V", rate("outputs", "D1", "standoff", 15.3)},
		{"polarity", "no cut-off", put("outputs", "Q3", "2", "V12_FU")},
		{"polarity", "a lamp before the diode", put("outputs", "R1", "1", "V12_FU")},
		{"switch", "the rail fed past it", all(put("outputs", "Q4", "3", "V12_F"), put("outputs", "R10", "1", "V12_F"))},
		{"switch", "the 5 V rail fed past it", put("outputs", "Q6", "1", "V5_F")},
		{"current", "a thin rail", net("outputs", "V12_ARM", func(n *Net) { n.Amps = 0.1 })},
		{"current", "a way back for one supply only", net("outputs", "GND", func(n *Net) { n.Amps = 1.35 })},
		{"current", "a thin way back", net("sensors", "GND", func(n *Net) { n.Amps = 0 })},
		{"guard", "an optocoupler before it", put("outputs", "R201", "1", "V5_K")},
		{"guard", "a valve before it", put("outputs", "R11", "2", "V12_K")},
		{"guard", "a pump that bounces with the kill switch", put("outputs", "R7", "1", "V5_K")},
		{"strength", "a gate that gets all of a wrong supply", all(value("outputs", "R9", "1k"),
			rate("outputs", "Q4", "vgs", 18))},
		{"guard", "both references without their capacitors", drop("outputs", "C9", "C89")},
		{"guard", "a reference without its capacitor", drop("outputs", "C9")},
		{"guard", "a pump without its capacitor", put("outputs", "D5", "2", "HB_C")},
		{"guard", "a valve without one", func(d *Design) { d.Board("first").Part("Q903").Type = d.Types["fet_valve"] }},
		{"guard", "not told that there is none", note("first", "no valve, ")},
		{"guard", "a heartbeat to nothing", net("first", "FLASH1", func(n *Net) { n.Use = Heartbeat })},
		{"switch", "a flash fed past the kill switch", put("first", "R908", "1", "V5_F")},
		{"barrier", "the flash's common on GND", shunt("first", "100k", "FL1_COM", "GND")},
		{"clamp", "a first build without its TVS", drop("first", "D902")},
		{"pull-down", "a first build without it", drop("first", "R907")},
		{"flyback", "no diode", drop("outputs", "D41")},
		{"flyback", "the diode the wrong way round", swap("outputs", "D42")},
		{"flyback", "the zener the wrong way round", swap("outputs", "D410")},
		{"rail", "no diode", drop("outputs", "D6")},
		{"rail", "the wrong way round", swap("outputs", "D6")},
		{"note", "no creepage told", note("outputs", "creepage")},
		{"note", "not told that it was not built", note("sensors", "not built")},
		{"carrier", "a signal without a pin", func(d *Design) {
			c := d.Carriers[0]
			c.Wires = slices.DeleteFunc(c.Wires, func(w Wire) bool { return w.Signal == "KILL" })
		}},
		{"carrier", "a controller of 6 V", func(d *Design) { d.Carriers[0].Volts = 6 }},
	}
}

// Each rule finds its own faults, and only those.
func TestEachRuleFindsItsOwn(t *testing.T) {
	caught := map[string]bool{}
	for _, f := range faults() {
		t.Run(f.rule+"/"+f.name, func(t *testing.T) {
			d := design(t)
			f.make(d)
			found := d.Check()
			require.NotEmpty(t, found, "nothing was found")
			for _, x := range found {
				assert.Equal(t, f.rule, x.Rule, x.String())
				assert.Contains(t, x.String(), "board ")
			}
		})
		caught[f.rule] = true
	}
	for _, r := range rules {
		assert.True(t, caught[r.name], "rule %s has no fault that shows it can fail", r.name)
	}
}
