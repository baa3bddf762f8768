package circuit

import (
	"strconv"
	"strings"
)

// Kind is a kind of part: its pins, the ratings that must be stated, and its symbol.
type Kind string

// The kinds. None of them switches mains.
const (
	Resistor        Kind = "resistor"
	Trimmer         Kind = "trimmer"
	Capacitor       Kind = "capacitor"
	Electrolytic    Kind = "electrolytic"
	Diode           Kind = "diode"
	Zener           Kind = "zener"
	TVS             Kind = "tvs"
	LED             Kind = "led"
	NPN             Kind = "npn"
	PNP             Kind = "pnp"
	NMOS            Kind = "nmos"
	PMOS            Kind = "pmos"
	Thyristor       Kind = "thyristor"
	Opto            Kind = "opto"
	Comparator      Kind = "comparator"
	OpAmp           Kind = "opamp"
	Timer           Kind = "timer"
	Fuse            Kind = "fuse"
	Switch          Kind = "switch"
	Terminal        Kind = "terminal"
	Battery         Kind = "battery"
	Phototransistor Kind = "phototransistor"
	Photodiode      Kind = "photodiode"
	Electret        Kind = "electret"
	Piezo           Kind = "piezo"
	Microcontroller Kind = "microcontroller"
	Resonator       Kind = "resonator"
)

// Pin is one pin of a kind: where it is in the drawing, in units of 1.27 mm from the part's centre with y downwards,
// and the direction that leads away from the part.
type Pin struct {
	Number, Name string
	X, Y         int
	DX, DY       int
}

// kindOf describes one kind.
type kindOf struct {
	letter  string   // of its reference designators
	spice   string   // SPICE device letter; "" if not simulated
	ratings []string // that its type must state
	valued  bool     // a part states a value
	pins    []Pin
	order   []string // pin numbers in SPICE order
	shape   []stroke
}

// Pins lists the pins of a kind; a terminal has as many as its value says.
func (k Kind) Pins(value string) []Pin {
	if k == Terminal {
		return terminalPins(value)
	}
	return kinds[k].pins
}

func terminalPins(value string) (pins []Pin) {
	n, err := strconv.Atoi(strings.TrimSuffix(value, "-way"))
	if err != nil || n < 1 || n > 40 {
		return nil
	}
	for i := range n {
		id := strconv.Itoa(i + 1)
		pins = append(pins, Pin{id, id, -4, 2*i - n + 1, -1, 0})
	}
	return pins
}

// twoPins are one above the other, pin 1 at the top.
func twoPins(first, second string) []Pin {
	return []Pin{{"1", first, 0, -3, 0, -1}, {"2", second, 0, 3, 0, 1}}
}

// across are the pins of a diode: cathode left, anode right.
func across() []Pin { return []Pin{{"1", "K", -3, 0, -1, 0}, {"2", "A", 3, 0, 1, 0}} }

// three are the pins of a transistor in the order of its legs.
func three(control, top, bottom string, legs ...string) []Pin {
	at := map[string]Pin{
		control: {"", control, -4, 0, -1, 0}, top: {"", top, 2, -4, 0, -1}, bottom: {"", bottom, 2, 4, 0, 1},
	}
	var pins []Pin
	for i, name := range legs {
		pin := at[name]
		pin.Number = strconv.Itoa(i + 1)
		pins = append(pins, pin)
	}
	return pins
}

// eight are the pins of a package with eight pins: four names left, four right, from the top.
func eight(left, right [4][2]string) (pins []Pin) {
	for i, l := range left {
		pins = append(pins, Pin{l[0], l[1], -9, 4*i - 6, -1, 0})
	}
	for i, r := range right {
		pins = append(pins, Pin{r[0], r[1], 9, 4*i - 6, 1, 0})
	}
	return pins
}

func halves() []Pin {
	return eight([4][2]string{{"3", "1+"}, {"2", "1-"}, {"5", "2+"}, {"6", "2-"}},
		[4][2]string{{"8", "V+"}, {"1", "1 out"}, {"7", "2 out"}, {"4", "0 V"}})
}

// chipNames are the pins of an ATmega328P in its DIP-28, by their numbers (Microchip's data sheet DS40002061, from
// memory).
var chipNames = [28]string{"PC6 reset", "PD0", "PD1", "PD2", "PD3", "PD4", "VCC", "0 V", "PB6", "PB7", "PD5", "PD6",
	"PD7", "PB0", "PB1", "PB2", "PB3", "PB4", "PB5", "AVCC", "AREF", "0 V", "PC0", "PC1", "PC2", "PC3", "PC4", "PC5"}

// chipPins are drawn as they are seen from above: 1 to 14 down the left, 15 to 28 up the right.
func chipPins() (pins []Pin) {
	for i, name := range chipNames {
		pin := Pin{strconv.Itoa(i + 1), name, -13, 2*i - 13, -1, 0}
		if i >= 14 {
			pin.X, pin.Y, pin.DX = 13, 2*(27-i)-13, 1
		}
		pins = append(pins, pin)
	}
	return pins
}

var kinds = map[Kind]kindOf{
	Resistor: {letter: "R", spice: "R", ratings: []string{"p", "v"}, valued: true, pins: twoPins("1", "2"),
		order: []string{"1", "2"}, shape: boxSymbol},
	Trimmer: {letter: "RV", spice: "X", ratings: []string{"p"}, valued: true,
		pins:  []Pin{{"1", "1", 0, -3, 0, -1}, {"2", "wiper", 3, 0, 1, 0}, {"3", "3", 0, 3, 0, 1}},
		order: []string{"1", "2", "3"}, shape: trimmerSymbol},
	Capacitor: {letter: "C", spice: "C", ratings: []string{"v"}, valued: true, pins: twoPins("1", "2"),
		order: []string{"1", "2"}, shape: capacitorSymbol},
	Electrolytic: {letter: "C", spice: "C", ratings: []string{"v"}, valued: true, pins: twoPins("+", "-"),
		order: []string{"1", "2"}, shape: electrolyticSymbol},
	Diode: {letter: "D", spice: "D", ratings: []string{"v", "i"}, pins: across(), order: []string{"2", "1"},
		shape: diodeSymbol},
	Zener: {letter: "D", spice: "D", ratings: []string{"vz", "p"}, pins: across(), order: []string{"2", "1"},
		shape: zenerSymbol},
	TVS: {letter: "D", spice: "D", ratings: []string{"standoff", "clamp", "p"}, pins: across(),
		order: []string{"2", "1"}, shape: zenerSymbol},
	LED: {letter: "D", spice: "D", ratings: []string{"i", "vr"}, pins: across(), order: []string{"2", "1"},
		shape: ledSymbol},
	NPN: {letter: "Q", spice: "Q", ratings: []string{"v", "i", "p"}, pins: three("B", "C", "E", "C", "B", "E"),
		order: []string{"1", "2", "3"}, shape: npnSymbol},
	PNP: {letter: "Q", spice: "Q", ratings: []string{"v", "i", "p"}, pins: three("B", "E", "C", "C", "B", "E"),
		order: []string{"1", "2", "3"}, shape: pnpSymbol},
	NMOS: {letter: "Q", spice: "M", ratings: []string{"v", "i", "vgs"}, pins: three("G", "D", "S", "G", "D", "S"),
		order: []string{"2", "1", "3"}, shape: nmosSymbol},
	PMOS: {letter: "Q", spice: "M", ratings: []string{"v", "i", "vgs"}, pins: three("G", "S", "D", "G", "D", "S"),
		order: []string{"2", "1", "3"}, shape: pmosSymbol},
	Thyristor: {letter: "Q", spice: "X", ratings: []string{"v", "i"}, pins: three("G", "A", "K", "K", "G", "A"),
		order: []string{"3", "2", "1"}, shape: thyristorSymbol},
	Opto: {letter: "U", spice: "X", ratings: []string{"withstand", "creepage", "v", "i"},
		pins:  []Pin{{"1", "A", -7, -2, -1, 0}, {"2", "K", -7, 2, -1, 0}, {"3", "E", 7, 2, 1, 0}, {"4", "C", 7, -2, 1, 0}},
		order: []string{"1", "2", "4", "3"}, shape: optoSymbol},
	Comparator: {letter: "U", spice: "X", ratings: []string{"v", "i"}, pins: halves(),
		order: []string{"1", "2", "3", "4", "5", "6", "7", "8"}, shape: comparatorSymbol},
	OpAmp: {letter: "U", spice: "X", ratings: []string{"v", "i"}, pins: halves(),
		order: []string{"1", "2", "3", "4", "5", "6", "7", "8"}, shape: opampSymbol},
	Timer: {letter: "U", spice: "X", ratings: []string{"v", "i"},
		pins: eight([4][2]string{{"4", "reset"}, {"7", "discharge"}, {"6", "threshold"}, {"2", "trigger"}},
			[4][2]string{{"8", "V+"}, {"3", "out"}, {"5", "control"}, {"1", "0 V"}}),
		order: []string{"1", "2", "3", "4", "5", "6", "7", "8"}, shape: wideBox},
	Fuse: {letter: "F", spice: "R", ratings: []string{"v", "hold", "ohm"}, pins: twoPins("1", "2"),
		order: []string{"1", "2"}, shape: fuseSymbol},
	Switch: {letter: "SW", spice: "X", ratings: []string{"v", "i"},
		pins:  []Pin{{"1", "1", -4, -2, -1, 0}, {"2", "2", 4, -2, 1, 0}, {"3", "3", -4, 2, -1, 0}, {"4", "4", 4, 2, 1, 0}},
		order: []string{"1", "2", "3", "4"}, shape: switchSymbol},
	Terminal: {letter: "J", ratings: []string{"v", "i"}, valued: true},
	Battery: {letter: "BT", spice: "V", ratings: []string{"v"}, valued: true, pins: twoPins("+", "-"),
		order: []string{"1", "2"}, shape: batterySymbol},
	Phototransistor: {letter: "Q", spice: "X", ratings: []string{"v", "i"},
		pins:  []Pin{{"1", "C", 0, -3, 0, -1}, {"2", "E", 0, 3, 0, 1}},
		order: []string{"1", "2"}, shape: phototransistorSymbol},
	Photodiode: {letter: "D", spice: "X", ratings: []string{"v"}, pins: across(), order: []string{"1", "2"},
		shape: photodiodeSymbol},
	Microcontroller: {letter: "U", ratings: []string{"v", "i"}, pins: chipPins(), shape: chipSymbol},
	Resonator: {letter: "Y",
		pins:  []Pin{{"1", "1", -4, 0, -1, 0}, {"2", "2", 0, 4, 0, 1}, {"3", "3", 4, 0, 1, 0}},
		shape: resonatorSymbol},
	Electret: {letter: "MK", spice: "X", ratings: []string{"v", "i"}, pins: twoPins("+", "-"),
		order: []string{"1", "2"}, shape: electretSymbol},
	Piezo: {letter: "PZ", spice: "X", ratings: []string{"v"}, pins: twoPins("+", "-"), order: []string{"1", "2"},
		shape: piezoSymbol},
}
