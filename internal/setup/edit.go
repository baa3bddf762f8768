package setup

import (
	"errors"
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"stillwater/internal/config"
	"stillwater/internal/wire"
	"stillwater/internal/wiring"
)

// Blank is the configuration that setup begins with where there is none.
const Blank = `# Stillwater's configuration. Every key is explained in: man stillwater.toml
# Written by stillwater setup, which can be run again at any time and changes only what was answered.
# Low voltage only: 12 V DC or less, cameras and flashes through optocouplers, nothing here switches mains.

# Where phones find the page: on every network this machine is in, as http://stillwater.local:8737/
listen = ":8737"
name = "stillwater"

[board]
kind = "simulated"
`

// off begins the lines of what is no longer connected: they are kept, with all their settings, for when it is again.
const off = "#off "

// ErrLayout means that a file is written in a way that setup does not change.
var ErrLayout = errors.New("setup cannot edit the file the way it is written")

// Edit puts answers into a configuration's text and says what it changed, a line each. Whatever is not answered stays
// as it is, to the byte: other settings, comments, line ends. What was connected and is not any more is kept behind
// "#off". The result was read again: it is what the answers say, and the rest means what it meant. Otherwise the error
// is ErrLayout, or that of config.Parse for a text that is not understood in the first place. socket is where a board
// that is a service of its own listens, "" for none.
func Edit(path string, text []byte, want Answers, socket string) (edited []byte, changes []string, err error) {
	before, err := config.Parse(path, text)
	if err != nil {
		return nil, nil, err
	}
	if err := want.Check(); err != nil {
		return nil, nil, err
	}
	e := &editor{path: path, text: string(text), nl: "\n"}
	if strings.Contains(e.text, "\r\n") {
		e.nl = "\r\n"
	}
	e.kind(before.Board.Kind, want.Board)
	if want.Board != config.Simulated && socket != "" && before.Board.Socket == "" {
		e.addBoardKey("socket", socket, "the service that has the pins")
	}
	if want.Board == config.GPIO {
		for _, p := range Parts() {
			e.part(p, want.Pins[p.Name])
		}
	}
	if e.failed != nil {
		return nil, nil, e.failed
	}
	if err := e.verify(before, want); err != nil {
		return nil, nil, err
	}
	return []byte(e.text), e.changes, nil
}

// editor is a text being changed.
type editor struct {
	path, text, nl string
	changes        []string
	failed         error

	read  string // the text that known is of
	known []config.Passage
}

const mark = "\ufeff" // of byte order

// passages returns the passages of the text, with places in it. They are read again when the text has changed, and must
// not be changed themselves.
func (e *editor) passages() []config.Passage {
	if e.read == e.text {
		return e.known
	}
	plain := strings.TrimPrefix(e.text, mark)
	all, skipped := config.Passages([]byte(plain)), len(e.text)-len(plain)
	for i := range all {
		all[i].Start += skipped
		all[i].End += skipped
		if all[i].Value != [2]int{} {
			all[i].Value[0] += skipped
			all[i].Value[1] += skipped
		}
	}
	e.read, e.known = e.text, all
	return all
}

// find is the first passage of a name.
func (e *editor) find(name string) (config.Passage, bool) {
	all := e.passages()
	i := slices.IndexFunc(all, func(p config.Passage) bool { return p.Name == name })
	if i < 0 {
		return config.Passage{}, false
	}
	return all[i], true
}

func (e *editor) changed(format string, args ...any) {
	e.changes = append(e.changes, fmt.Sprintf(format, args...))
}

func (e *editor) fail(what string) {
	if e.failed == nil {
		e.failed = fmt.Errorf("%w: %s; write [board] as a table, its inputs and outputs as [[board.input]] and "+
			"[[board.output]] tables, or move %s away and start over", ErrLayout, what, e.path)
	}
}

// replace puts words in place of some bytes.
func (e *editor) replace(start, end int, words string) {
	e.text = e.text[:start] + words + e.text[end:]
}

// append adds a block at the end of the text, after an empty line.
func (e *editor) append(block string) {
	if e.text != "" && !strings.HasSuffix(e.text, "\n") {
		e.text += e.nl
	}
	e.text += e.nl + strings.ReplaceAll(block, "\n", e.nl)
}

// lines are the bytes of the whole lines that a passage is on.
func (e *editor) lines(start, end int) (int, int) {
	start = strings.LastIndexByte(e.text[:start], '\n') + 1
	if start == 0 && strings.HasPrefix(e.text, mark) {
		start = len(mark)
	}
	if n := strings.IndexByte(e.text[end:], '\n'); n >= 0 {
		return start, end + n + 1
	}
	return start, len(e.text)
}

// switchOff puts the lines of some bytes behind "#off".
func (e *editor) switchOff(start, end int) {
	start, end = e.lines(start, end)
	var out strings.Builder
	for line := range strings.Lines(e.text[start:end]) {
		out.WriteString(off + line)
	}
	e.replace(start, end, out.String())
}

// The keys under [board] that one kind of board has, and another does not.
var ofKind = map[string][]config.Kind{"drive": {config.GPIO}, "priority": {config.GPIO}, "cpu": {config.GPIO},
	"heartbeat": {config.GPIO}, "port": {config.Serial}, "baud": {config.Serial},
	"socket": {config.GPIO, config.Serial}}

// kind changes what has the pins. What belongs to the other kind is commented out, and what belonged to this kind
// before is restored.
func (e *editor) kind(have, want config.Kind) {
	if have == want {
		return
	}
	if p, is := e.find("board.kind"); is && p.Value != [2]int{} {
		e.replace(p.Value[0], p.Value[1], strconv.Quote(string(want)))
	} else {
		e.fail("board.kind is not on a line of its own")
		return
	}
	e.changed("board: %s, before: %s", want, have)
	all := e.passages()
	for i, p := range slices.Backward(all) {
		key, isBoard := strings.CutPrefix(p.Name, "board.")
		kinds, listed := ofKind[key]
		switch {
		case !isBoard || p.Inline:
		case p.Table && pinTable.MatchString(p.Name):
			e.switchOff(p.Start, blockEnd(all, i))
		case listed && !slices.Contains(kinds, want):
			e.switchOff(p.Start, blockEnd(all, i))
		}
	}
	e.takeUp(want)
}

var pinTable = regexp.MustCompile(`^board\.(input|output)(\[\d+\])?$`)

// blockEnd is the end of a passage or, of a table's header, of its last key.
func blockEnd(all []config.Passage, i int) int {
	end := all[i].End
	for j := i + 1; all[i].Table && j < len(all) && !all[j].Table; j++ {
		end = max(end, all[j].End)
	}
	return end
}

// takeUp restores what a kind of board had before: with its tables if all of that fits, else without.
func (e *editor) takeUp(kind config.Kind) {
	for _, tables := range []bool{kind == config.GPIO, false} {
		var out strings.Builder
		within := false // a table
		for line := range strings.Lines(e.text) {
			bare, is := strings.CutPrefix(line, off)
			within = is && (within || strings.HasPrefix(bare, "["))
			if is && (within && tables || !within && fits(bare, kind)) {
				line = bare
			}
			out.WriteString(line)
		}
		if _, err := config.Parse(e.path, []byte(out.String())); err == nil {
			e.text = out.String()
			return
		}
	}
}

// fits reports whether a line is a key that a kind of board has and another does not.
func fits(line string, kind config.Kind) bool {
	key, _, is := strings.Cut(line, "=")
	return is && slices.Contains(ofKind[strings.TrimSpace(key)], kind)
}

// part puts one answer into the text: where something is connected, "" for not at all.
func (e *editor) part(p Part, pin string) {
	table, have := e.place(p)
	switch {
	case have == pin || samePin(have, pin):
	case pin == "":
		e.disconnect(p, table)
	case have == "":
		e.connect(p, pin)
	default:
		e.move(p, table, pin)
		e.changed("%s: %s, before: %s", p.Name, pin, have)
	}
}

// place finds a part in the text as it is now: the name of its table, and where it is connected.
func (e *editor) place(p Part) (table, pin string) {
	all := e.passages()
	if p.Name == Guard {
		return "board.heartbeat", e.pinOf(all, "board.heartbeat")
	}
	var b config.Board
	type named struct{ name, table string }
	var inputs, outputs []named
	for _, at := range all {
		table, is := strings.CutSuffix(at.Name, ".name")
		if !is || !pinTable.MatchString(table) {
			continue
		}
		if strings.HasPrefix(table, "board.input") {
			b.Inputs = append(b.Inputs, wiring.Input{Name: at.Text, Role: wiring.Role(textOf(all, table+".role"))})
			inputs = append(inputs, named{at.Text, table})
		} else {
			b.Outputs = append(b.Outputs, wiring.Output{Name: at.Text, Kind: kindOf(textOf(all, table+".kind"))})
			outputs = append(outputs, named{at.Text, table})
		}
	}
	at, is := placesOf(b)[p.Name]
	switch {
	case !is:
		return "", ""
	case at.input >= 0:
		table = inputs[at.input].table
	default:
		table = outputs[at.output].table
	}
	return table, e.pinOf(all, table)
}

func textOf(all []config.Passage, name string) string {
	for _, p := range all {
		if p.Name == name {
			return p.Text
		}
	}
	return ""
}

// kindOf is the kind of output that a word means.
func kindOf(word string) wire.OutputKind {
	kinds := map[string]wire.OutputKind{"shutter": wire.OutputShutter, "focus": wire.OutputFocus,
		"flash": wire.OutputFlash, "valve": wire.OutputValve}
	if kind, is := kinds[word]; is {
		return kind
	}
	return noKind
}

// pinOf is where a table's part is connected, as the text has it.
func (e *editor) pinOf(all []config.Passage, table string) string {
	if pin := textOf(all, table+".pin"); pin != "" {
		return pin
	}
	chip := textOf(all, table+".chip")
	for _, p := range all {
		if p.Name == table+".line" && chip != "" {
			return chip + ":" + e.text[p.Value[0]:p.Value[1]]
		}
	}
	return ""
}

// disconnect switches a part's table off.
func (e *editor) disconnect(p Part, table string) {
	all := e.passages()
	i := slices.IndexFunc(all, func(at config.Passage) bool { return at.Name == table })
	if i < 0 || all[i].Inline {
		e.fail(p.Name + " is not a table of its own")
		return
	}
	e.switchOff(all[i].Start, blockEnd(all, i))
	e.changed("%s: not connected", p.Name)
}

// move connects a part elsewhere.
func (e *editor) move(p Part, table, pin string) {
	if at, is := e.find(table + ".pin"); is {
		if m := lineName.FindStringSubmatch(pin); m != nil {
			e.replace(at.Start, at.End, "chip = "+strconv.Quote(m[1])+e.nl+"line = "+m[2])
			return
		}
		e.replace(at.Value[0], at.Value[1], strconv.Quote(pin))
		return
	}
	line, is := e.find(table + ".line")
	chip, both := e.find(table + ".chip")
	switch m := lineName.FindStringSubmatch(pin); {
	case !is || !both || line.Inline:
		e.fail(p.Name + " has no line for its pin")
	case m != nil:
		e.replace(line.Value[0], line.Value[1], m[2])
		chip, _ = e.find(table + ".chip")
		e.replace(chip.Value[0], chip.Value[1], strconv.Quote(m[1]))
	default:
		e.switchOff(line.Start, line.End)
		chip, _ = e.find(table + ".chip")
		e.replace(chip.Start, chip.End, "pin = "+strconv.Quote(pin))
	}
}

// connect takes a part up again if it was there before, or adds it.
func (e *editor) connect(p Part, pin string) {
	if e.reconnect(p, pin) {
		e.changed("%s: %s, with its settings from before", p.Name, pin)
		return
	}
	at := "pin = " + strconv.Quote(pin) + "\n"
	if m := lineName.FindStringSubmatch(pin); m != nil {
		at = "chip = " + strconv.Quote(m[1]) + "\nline = " + m[2] + "\n"
	}
	if p.Name == Guard {
		e.append("# A square wave while the board is healthy: the guard lets outputs through only while it is there.\n" +
			"[board.heartbeat]\n" + at)
	} else {
		list := "input"
		if p.kind != noKind {
			list = "output"
		}
		e.add(p, "# "+p.What+"\n[[board."+list+"]]\nname = "+strconv.Quote(p.Name)+"\n"+at+p.block)
	}
	e.changed("%s: %s", p.Name, pin)
}

// add adds a part's table: the first valve before the second, as their order says which is which, others at the end.
func (e *editor) add(p Part, block string) {
	for _, other := range Parts() {
		if p.Name != "valve1" || other.Name != "valve2" {
			continue
		}
		if table, pin := e.place(other); pin != "" {
			if at, is := e.find(table); is && at.Table {
				start, _ := e.lines(at.Start, at.End)
				e.replace(start, start, strings.ReplaceAll(block+"\n", "\n", e.nl))
				return
			}
		}
	}
	e.append(block)
}

// reconnect restores the lines of a part that was commented out, and connects it where it is now.
func (e *editor) reconnect(p Part, pin string) bool {
	for _, at := range offBlocks(e.text) {
		var bare strings.Builder
		for line := range strings.Lines(e.text[at[0]:at[1]]) {
			bare.WriteString(strings.TrimPrefix(line, off))
		}
		if !mayBe(p, bare.String()) {
			continue
		}
		try := &editor{path: e.path, text: e.text, nl: e.nl}
		try.replace(at[0], at[1], bare.String())
		if len(try.passages()) == 0 {
			continue
		}
		table, have := try.place(p)
		if have == "" {
			continue
		}
		if !samePin(have, pin) {
			try.move(p, table, pin)
		}
		now, _ := config.Parse(e.path, []byte(try.text))
		if try.failed == nil && samePin(AnswersOf(now.Board).Pins[p.Name], pin) {
			e.text = try.text
			return true
		}
	}
	return false
}

// mayBe reports whether a table by itself could be a part's, so that the whole text is tried with few of them.
func mayBe(p Part, table string) bool {
	return slices.ContainsFunc(config.Passages([]byte(table)), func(at config.Passage) bool {
		switch {
		case p.Name == Guard:
			return strings.HasPrefix(at.Name, "board.heartbeat")
		case p.role != "":
			return strings.HasSuffix(at.Name, ".role") && at.Text == string(p.role)
		}
		return strings.HasSuffix(at.Name, ".kind") && kindOf(at.Text) == p.kind
	})
}

// offBlocks are the bytes of the tables that are switched off.
func offBlocks(text string) (blocks [][2]int) {
	at, open := 0, false
	for line := range strings.Lines(text) {
		bare, is := strings.CutPrefix(line, off)
		switch {
		case is && strings.HasPrefix(strings.TrimLeft(bare, " \t"), "["):
			blocks, open = append(blocks, [2]int{at, at + len(line)}), true
		case is && open:
			blocks[len(blocks)-1][1] = at + len(line)
		default:
			open = false
		}
		at += len(line)
	}
	return blocks
}

// addBoardKey adds a key below board.kind.
func (e *editor) addBoardKey(key, value, why string) {
	p, is := e.find("board.kind")
	if already, _ := e.find("board." + key); !is || p.Inline || already.Name != "" {
		if p.Inline {
			e.fail("[board] is written in one line")
		}
		return
	}
	before, _, _ := strings.Cut(e.text[p.Start:p.Value[0]], "kind") // of a dotted key
	_, end := e.lines(p.Start, p.End)
	if !strings.HasSuffix(e.text, "\n") {
		e.text += e.nl
		end = len(e.text)
	}
	e.replace(end, end, fmt.Sprintf("%s%s = %q  # %s%s", before, key, value, why, e.nl))
	e.changed("board.%s: %s", key, value)
}

// verify reads the text again: it must say what was answered, and mean the same in everything else.
func (e *editor) verify(before config.Config, want Answers) error {
	after, err := config.Parse(e.path, []byte(e.text))
	if err != nil {
		e.fail("with the answers in it, it would read: " + strings.ReplaceAll(err.Error(), "\n", "; "))
		return e.failed
	}
	got := AnswersOf(after.Board)
	if got.Board != want.Board {
		e.fail("its kind of board would be " + string(got.Board))
	}
	for _, p := range Parts() {
		if want.Board == config.GPIO && !samePin(got.Pins[p.Name], want.Pins[p.Name]) {
			e.fail(fmt.Sprintf("%s would be at %q", p.Name, got.Pins[p.Name]))
		}
	}
	if !reflect.DeepEqual(rest(before, after.Board), rest(after, before.Board)) {
		e.fail("another setting would change")
	}
	return e.failed
}

// rest is what a change may not touch: everything, less where parts are connected, those that are not before and after,
// and the socket that is added. Of another kind of board only what all kinds share is left.
func rest(c config.Config, other config.Board) config.Config {
	c.Path, c.Sum = "", ""
	b := &c.Board
	if b.Socket == "" || other.Socket == "" {
		b.Socket = ""
	}
	if b.Kind != other.Kind {
		*b = config.Board{Pins: wiring.Pins{Late: b.Late, HoldOff: b.HoldOff}}
		return c
	}
	b.Heartbeat = nil
	mine, theirs := placesOf(*b), placesOf(other)
	var inputs []wiring.Input
	var outputs []wiring.Output
	part := func(input, output int) string {
		for name, at := range mine {
			if at.input == input && input >= 0 || at.output == output && output >= 0 {
				return name
			}
		}
		return ""
	}
	for i, in := range b.Inputs {
		name := part(i, -1)
		if name != "" && !has(theirs, name) {
			continue
		}
		if name != "" {
			in.Line = wiring.Line{}
		}
		inputs = append(inputs, in)
	}
	for i, out := range b.Outputs {
		name := part(-1, i)
		if name != "" && !has(theirs, name) {
			continue
		}
		if name != "" {
			out.Line = wiring.Line{}
		}
		outputs = append(outputs, out)
	}
	slices.SortFunc(inputs, func(a, b wiring.Input) int { return strings.Compare(a.Name, b.Name) })
	slices.SortFunc(outputs, func(a, b wiring.Output) int { return strings.Compare(a.Name, b.Name) })
	b.Inputs, b.Outputs = inputs, outputs
	return c
}
