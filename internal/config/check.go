package config

import (
	"fmt"
	"maps"
	"net"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"stillwater/internal/hostname"
	"stillwater/internal/phys"
	"stillwater/internal/scene"
	"stillwater/internal/wire"
	"stillwater/internal/wiring"
)

// Limits. A time on the board is compared within half a wrap of its 32-bit clock, 214 s at 0.1 us.
const (
	maxOnTime      = time.Minute
	maxDelay       = time.Second
	maxLate        = 10 * time.Second
	maxHoldOff     = 10 * time.Second
	minDisarmAfter = time.Second
	maxGrace       = 10 * time.Minute
	maxArmFor      = 24 * time.Hour
	maxLineNumbers = 4096
	maxPriority    = 99 // of SCHED_FIFO on Linux
	maxCPU         = 1023
	minBaud        = 9600
	maxBaud        = 4_000_000
)

func (c *checker) config(f file) Config {
	config := Default()
	config.Name = c.pageName(f.Name)
	config.Journal = c.fileName("journal", f.Journal)
	config.Listen = c.listen(f.Listen)
	config.Board = c.board(f.Board)
	config.Control = Arming{
		Grace:  c.duration("control", "grace", f.Control.Grace, defaultGrace, minDisarmAfter, maxGrace),
		ArmFor: c.duration("control", "arm_for", f.Control.ArmFor, defaultArmFor, minDisarmAfter, maxArmFor),
	}
	config.Camera = c.camera(f.Camera)
	config.Room = c.room(f.Practice.Room, config.Board.Kind)
	return config
}

func (c *checker) camera(f fileCamera) Camera {
	camera := Camera{Folder: c.fileName("camera.folder", f.Folder), Port: c.fileName("camera.port", f.Port)}
	if f.Port != nil && f.Folder == nil {
		c.fail("camera.port is given without camera.folder, and its files need one", "add "+examples["folder"], "camera.port")
	}
	return camera
}

// room is the simulated board's.
func (c *checker) room(name *string, kind Kind) string {
	if name == nil {
		return scene.UsualPreset
	}
	if kind != Simulated {
		c.fail("practice.room is the simulated board's, and this one is "+quote(string(kind)), "remove it", "practice.room")
	}
	if _, err := scene.PresetNamed(*name); err != nil {
		c.fail("practice.room = "+quote(*name)+": "+err.Error(), "write it as "+examples["room"], "practice.room")
	}
	return *name
}

// pageName is the page's name on the local network; an empty one means none.
func (c *checker) pageName(name *string) string {
	switch {
	case name == nil:
		return defaultName
	case *name != "" && !hostname.Valid(*name):
		c.fail("name = "+quote(*name)+" is not a name for a host",
			`write 1 to 63 letters, digits and inner hyphens, without ".local", such as "stillwater", `+
				`or "" to announce none`, "name")
	}
	return *name
}

func (c *checker) listen(text *string) string {
	if text == nil {
		return localNetwork
	}
	_, port, err := net.SplitHostPort(*text)
	if err == nil {
		_, err = strconv.ParseUint(port, 10, 16)
	}
	if err != nil {
		c.fail("listen = "+quote(*text)+" is not host:port",
			`write ":8737" for the local network, "127.0.0.1:8737" for this machine only`, "listen")
	}
	return *text
}

func (c *checker) board(f fileBoard) Board {
	b := Board{
		Kind:     c.kind(f),
		Socket:   c.socket(f.Socket),
		Drive:    Kernel,
		Priority: c.number("priority", f.Priority, DefaultPriority, 0, maxPriority),
		CPU:      c.number("cpu", f.CPU, AnyCPU, 0, maxCPU),
		Port:     c.fileName("board.port", f.Port),
		Baud:     c.number("baud", f.Baud, DefaultBaud, minBaud, maxBaud),
		Pins: wiring.Pins{
			Late:    c.duration("board", "late", f.Late, defaultLate, time.Microsecond, maxLate),
			HoldOff: c.duration("board", "hold_off", f.HoldOff, defaultHold, 0, maxHoldOff),
		},
	}
	if f.Drive != nil {
		b.Drive = choice(c, "board", "drive", f.Drive, []Drive{Kernel, Mapped})
	}
	if f.Heartbeat != nil {
		line := c.line("board.heartbeat", *f.Heartbeat)
		b.Heartbeat = &line
	}
	c.checkKeysApply(b.Kind, f)
	c.checkCounts(b.Kind, f)
	if b.Kind == Simulated {
		return b
	}
	for i, in := range f.Inputs[:min(len(f.Inputs), wire.MaxPins)] {
		b.Inputs = append(b.Inputs, c.input(b.Kind, i, in))
	}
	for i, out := range f.Outputs[:min(len(f.Outputs), wire.MaxPins)] {
		b.Outputs = append(b.Outputs, c.output(b.Kind, i, out))
	}
	c.checkUnique(b)
	return b
}

// kind is "" if it is not known which: then nothing is failed that depends on it.
func (c *checker) kind(f fileBoard) Kind {
	switch kind := Kind(deref(f.Kind)); kind {
	case GPIO, Serial, Simulated:
		return kind
	}
	if f.Kind == nil {
		c.fail("board.kind is missing", `write kind = "gpio", kind = "serial" or kind = "simulated" under [board]`, "board")
	} else {
		c.fail("board.kind = "+quote(*f.Kind)+" is not a kind of board", `write "gpio", "serial" or "simulated"`,
			"board.kind")
	}
	return ""
}

// fileName is the name of a file or device; left out it is "".
func (c *checker) fileName(key string, name *string) string {
	remedy := "write it as " + exampleOf(key) + ", or leave it out"
	switch {
	case name == nil:
		return ""
	case *name == "":
		c.fail(key+" is empty", remedy, key)
	case strings.ContainsFunc(*name, unicode.IsControl):
		c.fail(key+" = "+quote(*name)+" has control characters in it", remedy, key)
	}
	return *name
}

// maxSocketPath is the longest path of a unix socket that the kernel takes (sockaddr_un, less the closing zero).
const maxSocketPath = 107

func (c *checker) socket(path *string) string {
	if path != nil && (!filepath.IsAbs(*path) || strings.ContainsRune(*path, 0) || len(*path) > maxSocketPath) {
		c.fail("board.socket = "+quote(*path)+" is not a path for a socket",
			fmt.Sprintf("write a whole path of at most %d letters: %s", maxSocketPath, examples["socket"]), "board.socket")
	}
	return deref(path)
}

// checkKeysApply checks that the keys of one kind of board are not written for another.
func (c *checker) checkKeysApply(kind Kind, f fileBoard) {
	for _, k := range []struct {
		key     string
		kinds   []Kind
		written bool
	}{
		{"socket", []Kind{GPIO, Serial}, f.Socket != nil}, {"drive", []Kind{GPIO}, f.Drive != nil},
		{"priority", []Kind{GPIO}, f.Priority != nil}, {"cpu", []Kind{GPIO}, f.CPU != nil},
		{"heartbeat", []Kind{GPIO}, f.Heartbeat != nil},
		{"port", []Kind{Serial}, f.Port != nil}, {"baud", []Kind{Serial}, f.Baud != nil},
	} {
		if k.written && kind != "" && !slices.Contains(k.kinds, kind) {
			c.fail(fmt.Sprintf("board.%s belongs to a board of kind %q, and this one is %q", k.key, k.kinds[0], kind),
				fmt.Sprintf("remove it, or write kind = %q", k.kinds[0]), "board."+k.key)
		}
	}
}

// number reads a whole number under [board] inside [low, high]; without one it is otherwise.
func (c *checker) number(key string, n *int64, otherwise, low, high int) int {
	switch {
	case n == nil:
		return otherwise
	case *n < int64(low) || *n > int64(high):
		c.fail(fmt.Sprintf("board.%s = %d is out of range", key, *n),
			fmt.Sprintf("write a number from %d to %d, for instance %s", low, high, examples[key]), "board."+key)
		return otherwise
	}
	return int(*n)
}

// builtIn refuses settings for what a serial board has built in.
func (c *checker) builtIn(table string, keys map[string]bool) {
	for _, key := range slices.Sorted(maps.Keys(keys)) {
		if keys[key] {
			c.fail(fmt.Sprintf("%s: %s is built into a serial board", table, key), "remove it", table+"."+key, table)
		}
	}
}

func (c *checker) input(kind Kind, i int, f fileInput) wiring.Input {
	table := fmt.Sprintf("board.input[%d]", i)
	roles := []wiring.Role{wiring.Beam, wiring.Gate, wiring.Microphone, wiring.Sync, wiring.Kill, wiring.Button}
	in := wiring.Input{
		Name:     c.name(table, f.Name),
		Role:     choice(c, table, "role", f.Role, roles),
		Debounce: c.duration(table, "debounce", f.Debounce, 0, 0, maxDelay),
		Delay:    c.duration(table, "delay", f.Delay, 0, 0, maxDelay),
	}
	in.Go = c.gesture(table, in.Role, f.Go)
	if in.ActiveGiven = f.Active != nil || kind == GPIO; in.ActiveGiven {
		in.ActiveHigh = choice(c, table, "active", f.Active, []string{"high", "low"}) == "high"
	}
	if kind == Serial {
		c.builtIn(table, map[string]bool{"pin": f.Pin != nil, "chip": f.Chip != nil, "line": f.Line != nil,
			"bias": f.Bias != nil, "debounce": f.Debounce != nil})
		return in
	}
	if kind == GPIO || f.fileLine != (fileLine{}) {
		in.Line = c.line(table, f.fileLine)
	}
	if f.Bias != nil {
		in.Bias = choice(c, table, "bias", f.Bias, []wiring.Bias{wiring.PullUp, wiring.PullDown, wiring.NoBias})
	}
	if in.Debounce > 0 && in.Role != wiring.Kill && in.Role != wiring.Button && in.Role != "" {
		c.fail(fmt.Sprintf("%s: debounce would move the time stamp of a %s", table, in.Role),
			"remove it; hold_off under [board] keeps bounce from firing twice and leaves the first edge's stamp alone",
			table+".debounce", table)
	}
	return in
}

// gesture is what gives Go at a button; without one a press only disarms.
func (c *checker) gesture(table string, role wiring.Role, text *string) wiring.Gesture {
	switch {
	case text == nil:
		return wiring.NoGesture
	case role != wiring.Button && role != "":
		c.fail(fmt.Sprintf("%s: go belongs to a button, and this is a %s", table, role), "remove it", table+".go")
		return wiring.NoGesture
	}
	return choice(c, table, "go", text, []wiring.Gesture{wiring.TwoPresses, wiring.Hold})
}

// outputKinds are the kinds by name, each with a longest on-time to begin from: common practice, no source.
var outputKinds = []struct {
	name    string
	kind    wire.OutputKind
	longest string
}{
	{"shutter", wire.OutputShutter, "5 s"},
	{"focus", wire.OutputFocus, "5 s"},
	{"flash", wire.OutputFlash, "10 ms"},
	{"valve", wire.OutputValve, "200 ms"},
	{"lamp", wire.OutputLamp, "5 s"},
}

// noKind stands in for a kind of output that is missing or unknown.
const noKind wire.OutputKind = 0xff

func (c *checker) output(kind Kind, i int, f fileOutput) wiring.Output {
	table := fmt.Sprintf("board.output[%d]", i)
	var names []string
	for _, k := range outputKinds {
		names = append(names, k.name)
	}
	out := wiring.Output{Name: c.name(table, f.Name), Delay: c.duration(table, "delay", f.Delay, 0, 0, maxDelay)}
	out.Kind = noKind
	known := slices.Index(names, choice(c, table, "kind", f.Kind, names))
	example := outputKinds[max(known, 0)].longest
	if known >= 0 {
		out.Kind = outputKinds[known].kind
	}
	if kind == Serial {
		c.builtIn(table, map[string]bool{"pin": f.Pin != nil, "chip": f.Chip != nil, "line": f.Line != nil,
			"safe": f.Safe != nil, "longest_on": f.LongestOn != nil})
		return out
	}
	if kind == GPIO || f.fileLine != (fileLine{}) {
		out.Line = c.line(table, f.fileLine)
	}
	if kind == GPIO || f.Safe != nil {
		out.SafeHigh = choice(c, table, "safe", f.Safe, []string{"low", "high"}) == "high"
	}
	if kind == GPIO && f.LongestOn == nil {
		c.fail(fmt.Sprintf("%s (%s): longest_on is missing: an output without a limit could stay on", table, out.Name),
			fmt.Sprintf("write the longest time it may be on, for instance longest_on = %q", example), table)
	} else {
		out.LongestOn = c.duration(table, "longest_on", f.LongestOn, 0, time.Microsecond, maxOnTime)
	}
	return out
}

func (c *checker) name(table string, text *string) string {
	name := deref(text)
	bad := name == "" || len(name) > wire.MaxName || strings.TrimSpace(name) != name
	for _, r := range name {
		bad = bad || r < ' ' || r > '~'
	}
	switch {
	case text == nil:
		c.fail(table+": name is missing", `write a short name, for instance name = "beam"`, table)
	case bad:
		c.fail(fmt.Sprintf("%s: name = %s cannot be used", table, quote(name)),
			fmt.Sprintf("write 1 to %d plain letters, digits and signs", wire.MaxName), table+".name")
		return ""
	}
	return name
}

func (c *checker) line(table string, f fileLine) wiring.Line {
	const remedy = `write pin = "GPIO17", or chip = "gpiochip0" and line = 17`
	switch {
	case f.Pin != nil && (f.Chip != nil || f.Line != nil):
		c.fail(table+": both pin and chip or line are given", "keep one of the two: "+remedy, table+".pin", table)
	case f.Pin != nil && *f.Pin != "":
		return wiring.Line{Pin: *f.Pin}
	case deref(f.Chip) == "" || f.Line == nil:
		c.fail(table+": no GPIO line is named", remedy, table)
	case *f.Line < 0 || *f.Line >= maxLineNumbers:
		c.fail(fmt.Sprintf("%s: line = %d is not a line number", table, *f.Line),
			fmt.Sprintf("write 0 to %d, as printed by the chip's documentation", maxLineNumbers-1), table+".line")
	default:
		return wiring.Line{Chip: *f.Chip, Number: int(*f.Line)}
	}
	return wiring.Line{}
}

// lineKey is the same for two spellings of one line, as far as the text can tell.
func lineKey(l wiring.Line) string {
	if l.Pin != "" {
		return l.Pin
	}
	return filepath.Base(l.Chip) + " line " + strconv.Itoa(l.Number)
}

// checkCounts checks how many pins there are.
func (c *checker) checkCounts(kind Kind, f fileBoard) {
	if kind == Simulated && len(f.Inputs)+len(f.Outputs) > 0 {
		c.fail("the simulated board has its own inputs and outputs",
			`remove [[board.input]] and [[board.output]], or write kind = "gpio"`, "board.kind")
		return
	}
	if kind == GPIO && len(f.Outputs) == 0 {
		c.fail("the board has no output: nothing could fire", "add a [[board.output]]", "board")
	}
	c.atMost("input", len(f.Inputs))
	c.atMost("output", len(f.Outputs))
}

func (c *checker) atMost(list string, n int) {
	if n > wire.MaxPins {
		c.fail(fmt.Sprintf("%d %ss are too many", n, list), fmt.Sprintf("keep at most %d", wire.MaxPins),
			fmt.Sprintf("board.%s[%d]", list, wire.MaxPins))
	}
}

// checkUnique checks that no line, name or part in the plan is taken twice.
func (c *checker) checkUnique(b Board) {
	seen := map[string]string{}
	once := func(table, key, what, value, remedy string) {
		if value == "" {
			return
		}
		if first, ok := seen[what+value]; ok {
			c.fail(fmt.Sprintf("%s: %s %s is already taken by %s", table, what, quote(value), first), remedy,
				table+"."+key, table)
			return
		}
		seen[what+value] = table
	}
	pin := func(table string, l wiring.Line, name string) {
		once(table, "name", "name", name, "give each input and output a name of its own")
		if l != (wiring.Line{}) {
			key := "pin"
			if l.Pin == "" {
				key = "line"
			}
			once(table, key, "line", lineKey(l), "give each input and output a line of its own")
		}
	}
	if b.Heartbeat != nil {
		pin("board.heartbeat", *b.Heartbeat, "")
	}
	for i, in := range b.Inputs {
		table := fmt.Sprintf("board.input[%d]", i)
		pin(table, in.Line, in.Name)
		if in.Role != wiring.Kill && in.Role != wiring.Button {
			once(table, "role", "role", string(in.Role), "a plan uses one input in each role: remove one or change its role")
		}
	}
	for i, out := range b.Outputs {
		table := fmt.Sprintf("board.output[%d]", i)
		pin(table, out.Line, out.Name)
		if out.Kind == wire.OutputShutter {
			once(table, "kind", "kind", "shutter",
				"a plan uses one shutter: remove one, or wire both cameras to one line, each through its own optocoupler")
		}
	}
}

// choice reads a word out of a list; without a word, or with another one, it is an error.
func choice[T ~string](c *checker, table, key string, text *string, words []T) T {
	quoted := make([]string, len(words))
	for i, w := range words {
		quoted[i] = strconv.Quote(string(w))
	}
	remedy := "write " + key + " = " + strings.Join(quoted, " or ") + meaning[key]
	if text == nil {
		c.fail(fmt.Sprintf("%s: %s is missing", table, key), remedy, table)
		return ""
	}
	if i := slices.Index(words, T(*text)); i >= 0 {
		return words[i]
	}
	c.fail(fmt.Sprintf("%s: %s = %s is not known", table, key, quote(*text)), remedy, table+"."+key)
	return ""
}

// meaning explains the words whose meaning is not plain.
var meaning = map[string]string{
	"active": ": the level while the beam is broken, the sound is heard, or the switch is pressed",
	"safe":   ": the level at which the output does nothing",
	"go":     ": what opens the shutter or starts the delay; any other press disarms",
}

// duration reads a time with its unit inside [low, high]; without a text it is otherwise.
func (c *checker) duration(table, key string, text *string, otherwise, low, high time.Duration) time.Duration {
	if text == nil {
		return otherwise
	}
	t, err := phys.ParseTime(*text)
	switch {
	case err != nil:
		c.fail(fmt.Sprintf("%s.%s = %s is not a time", table, key, quote(*text)), "write it with its unit: "+examples[key],
			table+"."+key)
		return otherwise
	case !(t >= phys.Seconds(low) && t <= phys.Seconds(high)):
		c.fail(fmt.Sprintf("%s.%s = %s is out of range", table, key, quote(*text)),
			fmt.Sprintf("write a time from %v to %v, for instance %s", phys.Seconds(low), phys.Seconds(high),
				examples[key]), table+"."+key)
		return otherwise
	}
	return t.Duration()
}

func deref(s *string) string {
	if s == nil {
		return ""
	}
	return *s
}
