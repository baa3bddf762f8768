// Package setup asks what is connected to a board and where, shows the wiring of exactly that, puts the answers into
// stillwater.toml without touching anything else in it, and has sensors and outputs tried.
package setup

import (
	"errors"
	"fmt"
	"maps"
	"regexp"
	"slices"
	"strings"

	"stillwater/internal/config"
	"stillwater/internal/wire"
	"stillwater/internal/wiring"
)

// Part is one thing that can be connected. Its name is that of its input or output in the configuration, and, in
// capitals, that of its signal on the boards of the hardware folder.
type Part struct {
	Name    string
	What    string // for the question and the list
	Pin     string // that of the hardware folder on the 40-pin header
	Port    string // and on the timing board
	First   bool   // the first build of the hardware folder has it
	Missing string // what it means to leave it out; "" where that is plain

	role  wiring.Role // of an input
	kind  wire.OutputKind
	block string // the comment and the keys that a new one has beside name and pin
	try   string // what to do to see whether it works
}

// noKind is the kind of a part that is not an output.
const noKind wire.OutputKind = 0xff

// Guard is the part that is neither input nor output: the hardware's guard, which wants a heartbeat.
const Guard = "heartbeat"

// Parts are all that can be connected, in the order in which they are asked for. The pins and delays are the hardware
// folder's: delays are computed, not measured.
func Parts() []Part {
	input := func(role wiring.Role, name, what, pin, port, try, block string) Part {
		return Part{Name: name, What: what, Pin: pin, Port: port, role: role, kind: noKind, try: try,
			block: "role = \"" + string(role) + "\"\n" + block}
	}
	output := func(kind wire.OutputKind, word, name, what, pin, port, longest, delay string) Part {
		return Part{Name: name, What: what, Pin: pin, Port: port, kind: kind,
			block: "kind = \"" + word + "\"\nsafe = \"low\"          # the level at which it does nothing\n" +
				"longest_on = \"" + longest + "\" # enforced by the board\n" + delay}
	}
	const broken = "active = \"low\"        # the level while the beam is broken\nbias = \"pull-up\"\n" +
		"delay = \"4 us\"         # of the electronics\n"
	beam := input(wiring.Beam, "beam", "light beam: for drops the only one, for throws the second", "GPIO27", "PB0",
		"break the beam", broken)
	kill := input(wiring.Kill, "kill", "kill switch, a contact that opens", "GPIO5", "PC1",
		"press the kill switch, and release it",
		"active = \"high\"       # a switch that opens, or a lead that falls off, stops everything\nbias = \"pull-up\"\n"+
			"debounce = \"1 ms\"\n")
	kill.Missing = "without a kill switch nothing but software can stop an output: wire one before anything fires"
	flash := output(wire.OutputFlash, "flash", "flash1", "flash, through an optocoupler", "GPIO24", "PB1", "10 ms",
		"delay = \"3 us\"\n")
	beam.First, kill.First, flash.First = true, true, true
	shutter := output(wire.OutputShutter, "shutter", "shutter", "camera's shutter, through an optocoupler", "GPIO23",
		"PB2", "5 s", "delay = \"2 us\"\n")
	shutter.Missing = "without a lead to the shutter open it yourself: on the page, in Set up, choose I do, by hand"
	return []Part{
		beam,
		input(wiring.Gate, "gate", "light beam before it, for throws", "GPIO17", "PD2", "break the first beam", broken),
		input(wiring.Microphone, "microphone", "microphone with its comparator", "GPIO16", "PC0", "clap",
			"active = \"low\"\nbias = \"pull-up\"\ndelay = \"39 us\"        # of the electronics\n"),
		flash,
		output(wire.OutputFlash, "flash", "flash2", "second flash, which fires with the first", "GPIO25", "PD6", "10 ms",
			"delay = \"2 us\"\n"),
		shutter,
		output(wire.OutputFocus, "focus", "focus", "camera's focus contact", "GPIO18", "PD3", "5 s", "delay = \"2 us\"\n"),
		input(wiring.Sync, "sync", "camera's flash contact, to measure its lag", "GPIO20", "PD4",
			"release the camera by hand", "active = \"low\"\nbias = \"pull-up\"\n"),
		output(wire.OutputValve, "valve", "valve1", "valve, for drops on command", "GPIO12", "PD5", "200 ms", ""),
		output(wire.OutputValve, "valve", "valve2", "second valve", "GPIO13", "PB3", "200 ms", ""),
		input(wiring.Button, "button", "foot switch or hand button: a press disarms", "GPIO6", "PD7", "press the button",
			"active = \"low\"\nbias = \"pull-up\"\ndebounce = \"5 ms\"\n"),
		kill,
		{Name: Guard, What: "guard that lets outputs through only while the board is healthy", Pin: "GPIO22", Port: "PC2",
			kind: noKind, Missing: "without the guard a board that hangs can leave an output on until the kill switch is " +
				"pressed: stay beside it, and connect no valve"},
	}
}

// Answers say which kind of board there is, and to which pin each part is connected: by its name, "" for not at all.
// Only a board of GPIO lines has pins to name.
type Answers struct {
	Board config.Kind
	Pins  map[string]string
}

// AnswersOf returns the answers that lead to a configuration.
func AnswersOf(b config.Board) Answers {
	a := Answers{Board: b.Kind, Pins: map[string]string{}}
	if b.Kind != config.GPIO {
		return a
	}
	for part, line := range linesOf(b) {
		a.Pins[part] = written(line)
	}
	return a
}

// connection is the place of a part in a configuration.
type connection struct{ input, output int }

// placesOf finds the parts in a configuration: by their names, what is left by role and kind in their order.
func placesOf(b config.Board) map[string]connection {
	found, parts := map[string]connection{}, Parts()
	taken := map[string]bool{}
	for _, exact := range []bool{true, false} {
		for _, p := range parts {
			if _, is := found[p.Name]; is {
				continue
			}
			for i, in := range b.Inputs {
				fits := p.role != "" && p.role == in.Role && (!exact || in.Name == p.Name)
				if fits && !taken[in.Name] && !has(found, p.Name) {
					found[p.Name], taken[in.Name] = connection{i, -1}, true
				}
			}
			for i, out := range b.Outputs {
				fits := p.kind != noKind && p.kind == out.Kind && (!exact || out.Name == p.Name)
				if fits && !taken[out.Name] && !has(found, p.Name) {
					found[p.Name], taken[out.Name] = connection{-1, i}, true
				}
			}
		}
	}
	return found
}

func has[V any](m map[string]V, key string) bool { _, is := m[key]; return is }

// linesOf are the lines of the parts that a configuration has.
func linesOf(b config.Board) map[string]wiring.Line {
	lines := map[string]wiring.Line{}
	for part, at := range placesOf(b) {
		if at.input >= 0 {
			lines[part] = b.Inputs[at.input].Line
		} else {
			lines[part] = b.Outputs[at.output].Line
		}
	}
	if b.Heartbeat != nil {
		lines[Guard] = *b.Heartbeat
	}
	return lines
}

// written is a line as an answer.
func written(l wiring.Line) string {
	if l.Pin != "" {
		return l.Pin
	}
	return fmt.Sprintf("%s:%d", l.Chip, l.Number)
}

// No is the answer for what is not connected, Yes that for the hardware folder's own pin.
const (
	No  = "no"
	Yes = "yes"
)

// The ways to name a pin.
var (
	position = regexp.MustCompile(`^(?i:p1_)?([1-9]\d?)$`)
	gpioName = regexp.MustCompile(`^(?i:gpio)(\d{1,2})$`)
	lineName = regexp.MustCompile(`^([\w/.@-]{1,64}):(\d{1,4})$`)
	pinName  = regexp.MustCompile(`^[A-Za-z][\w.-]{0,31}$`)
)

// ParsePin reads where a part is connected, as people write it: GPIO17, a position of the 40-pin header (11 or P1_11),
// a line of a chip (gpiochip0:17), another name of a pin; yes for the hardware folder's own; no for not at all, which
// is "".
func (p Part) ParsePin(text string) (string, error) {
	text = strings.TrimSpace(text)
	switch word := strings.ToLower(text); {
	case slices.Contains([]string{No, "n", "none", "-"}, word):
		return "", nil
	case slices.Contains([]string{Yes, "y"}, word):
		return p.Pin, nil
	}
	if m := position.FindStringSubmatch(text); m != nil {
		at := "P1_" + m[1]
		name, known := header40[at]
		switch {
		case !known:
			return "", fmt.Errorf("%s: the header has no position %s; give one from 1 to 40", p.Name, m[1])
		case !gpioName.MatchString(name):
			return "", fmt.Errorf("%s: position %s of the header is %s, not a pin; give another", p.Name, m[1], name)
		}
		return at, nil
	}
	if m := gpioName.FindStringSubmatch(text); m != nil {
		return "GPIO" + strings.TrimLeft(m[1][:len(m[1])-1], "0") + m[1][len(m[1])-1:], nil
	}
	if lineName.MatchString(text) || pinName.MatchString(text) {
		return text, nil
	}
	return "", fmt.Errorf("%s: %q is not a pin; give one like GPIO17, its position on the header like 11, a line of a "+
		"chip "+
		"like gpiochip0:17, %s for %s, or %s", p.Name, short(text), Yes, p.Pin, No)
}

// find reads where a part is connected, as ParsePin does, and refuses a pin that neither the header nor known has:
// probably a slip. known may be nil.
func (p Part) find(text string, known func(pin string) bool) (string, error) {
	pin, err := p.ParsePin(text)
	if err != nil || pin == "" || has(header40, pin) || lineName.MatchString(pin) {
		return pin, err
	}
	if gpioName.MatchString(pin) && onHeader(pin) || known != nil && known(pin) {
		return pin, nil
	}
	return "", fmt.Errorf("%s: there is no pin %s on the header or on this machine; give one like GPIO17, its position "+
		"on the header like 11, a line of a chip like gpiochip0:17 (stillwater pins lists them), %s for %s, or %s", p.Name,
		short(pin), Yes, p.Pin, No)
}

// onHeader reports whether the header has a pin of that name.
func onHeader(name string) bool { return slices.Contains(slices.Collect(maps.Values(header40)), name) }

// short is the beginning of what somebody typed, for an error.
func short(text string) string {
	const most = 40
	if runes := []rune(text); len(runes) > most {
		return string(runes[:most]) + "..."
	}
	return text
}

// ParseBoard reads what has the pins.
func ParseBoard(text string) (config.Kind, error) {
	switch kind := config.Kind(strings.ToLower(strings.TrimSpace(text))); kind {
	case config.GPIO, config.Serial, config.Simulated:
		return kind, nil
	}
	return "", fmt.Errorf("board: %q is not a kind of board; give gpio, serial or simulated", short(text))
}

// samePin reports whether two answers mean the same line of the 40-pin header, or are the same.
func samePin(a, b string) bool { return canonical(a) == canonical(b) }

func canonical(pin string) string {
	if name, is := header40[pin]; is {
		return name
	}
	return pin
}

// errNoOutput means that nothing is connected that could fire.
var errNoOutput = errors.New("no output is connected: nothing could fire; give a flash, a shutter or a valve its " +
	"pin, or choose the simulated board")

// Check says what cannot be so: one line for two parts, or nothing that could fire.
func (a Answers) Check() error {
	if a.Board != config.GPIO {
		return nil
	}
	fires, before := false, map[string]string{}
	for _, p := range Parts() {
		pin := a.Pins[p.Name]
		if err := p.free(pin, before); err != nil {
			return err
		}
		before[p.Name] = pin
		fires = fires || pin != "" && p.kind != noKind
	}
	if !fires {
		return errNoOutput
	}
	return nil
}

// free says whether another part has a pin already.
func (p Part) free(pin string, pins map[string]string) error {
	for _, other := range Parts() {
		if pin != "" && other.Name != p.Name && samePin(pin, pins[other.Name]) {
			return fmt.Errorf("%s: %s is already taken by %s; give each a pin of its own", p.Name, pin, other.Name)
		}
	}
	return nil
}
