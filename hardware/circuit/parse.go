package circuit

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// ParseError is an error in a description: line, reason and remedy.
type ParseError struct {
	Line        int
	Why, Remedy string
}

// Error is all of it in one line.
func (e *ParseError) Error() string { return fmt.Sprintf("line %d: %s: %s", e.Line, e.Why, e.Remedy) }

// Parse reads a description. Its statements, one a line, are described at the head of hardware/circuits.txt. An error
// is a *ParseError.
func Parse(text string) (*Design, error) {
	lines, err := expand(text)
	if err != nil {
		return nil, err
	}
	r := &reader{design: &Design{Types: map[string]*Type{}}}
	for _, l := range lines {
		r.line = l.number
		if err := r.statement(l.words); err != nil {
			return nil, err
		}
	}
	for _, b := range r.design.Boards {
		if err := r.complete(b); err != nil {
			return nil, err
		}
	}
	return r.design, nil
}

// reader holds the state of parsing.
type reader struct {
	design  *Design
	board   *Board
	section *Section
	carrier *Carrier
	strips  *Strips
	line    int
}

func (r *reader) fail(remedy, why string, args ...any) error {
	return &ParseError{r.line, fmt.Sprintf(why, args...), remedy}
}

// usage is the syntax of each statement, for the remedies.
var usage = map[string]string{
	"type": `write: type NAME KIND "what to ask for" makers="part (maker); part (maker)" ` +
		`legs=0,0/4,0 body=6.3x2.4 drill=0.8 rating=number ... model=NAME`,
	"carrier": `write: carrier NAME "title" volts=3.3`,
	"wire":    `write: wire PIN LINE SIGNAL (LINE is - for supplies; - - leaves the signal open)`,
	"board":   `write: board NAME "title" 160x100, and unguarded (it has no guard) or optional, or neither`,
	"group":   `write: group NAME VOLTS "purpose"`,
	"net":     `write: net NAME GROUP VOLTS peak=VOLTS amps=AMPS use=supply|armed|in|out|heartbeat|zero|level`,
	"section": `write: section NAME "title" X,Y WxH`,
	"part":    `write: part REF TYPE VALUE at=X,Y,TURN,mirror hole=COL,ROW,TURN : PIN=NET ...`,
	"note":    `write: note X,Y "text"`,
	"buy":     `write: buy COUNT "what to ask for" price=1 to price=4`,
	"strips":  `write: strips solderless 30x18, or strips stripboard 32x19`,
	"put":     `write: put REF COL,ROW,TURN, or put REF.PIN COL,ROW for a lead`,
	"link":    `write: link NET COL,ROW COL,ROW`,
	"cut":     `write: cut COL,ROW ...`,
}

func (r *reader) statement(w []string) error {
	need := map[string]int{"type": 4, "carrier": 4, "wire": 4, "board": 4, "group": 4, "net": 4, "section": 5, "part": 4,
		"note": 3, "buy": 4, "strips": 3, "put": 3, "link": 4, "cut": 2}
	n, known := need[w[0]]
	switch {
	case !known:
		return r.fail("begin the line with type, carrier, wire, board, group, net, section, part, note, buy, strips, put, "+
			"link, cut, each or end",
			"unknown statement %q", w[0])
	case len(w) < n:
		return r.fail(usage[w[0]], "%s has too few words", w[0])
	}
	own := map[string]bool{"group": true, "net": true, "section": true, "part": true, "note": true, "buy": true,
		"strips": true}
	switch {
	case own[w[0]] && r.board == nil:
		return r.fail("put it after a board statement", "%s outside a board", w[0])
	case w[0] == "part" && r.section == nil:
		return r.fail("put it after a section statement", "part outside a section")
	case slices.Contains([]string{"put", "link", "cut"}, w[0]) && r.strips == nil:
		return r.fail("put it after a strips statement", "%s without strips", w[0])
	case w[0] == "wire" && r.carrier == nil:
		return r.fail("put it after a carrier statement", "wire outside a carrier")
	}
	return map[string]func([]string) error{"type": r.readType, "carrier": r.readCarrier, "wire": r.readWire,
		"board": r.readBoard, "group": r.readGroup, "net": r.readNet, "section": r.readSection, "part": r.readPart,
		"note": r.readNote, "buy": r.readBuy, "strips": r.readStrips, "put": r.readPut, "link": r.readLink,
		"cut": r.readCut}[w[0]](w[1:])
}

func (r *reader) readType(w []string) error {
	t := &Type{Name: w[0], Kind: Kind(w[1]), Generic: w[2], Rating: map[string]float64{},
		Footprint: Footprint{Drill: 0.8}, Line: r.line}
	if _, known := kinds[t.Kind]; !known {
		return r.fail("use one of the kinds in hardware/circuit/kinds.go", "type %s is of unknown kind %q", w[0], w[1])
	}
	if r.design.Types[t.Name] != nil {
		return r.fail("give each type a name of its own", "type %s is there twice", t.Name)
	}
	for _, x := range w[3:] {
		key, value, ok := strings.Cut(x, "=")
		switch {
		case !ok:
			return r.fail(usage["type"], "%q is not key=value", x)
		case key == "makers":
			for m := range strings.SplitSeq(value, ";") {
				t.Makers = append(t.Makers, strings.TrimSpace(m))
			}
		case key == "model":
			t.Model = value
		case key == "with":
			t.With = value
		case key == "price":
			if t.Price = priceClass(value); t.Price == 0 {
				return r.fail("write price=1 to price=4", "price %q of type %s is not a class", value, t.Name)
			}
		case key == "legs" || key == "body" || key == "drill":
			if err := r.readFootprint(t, key, value); err != nil {
				return err
			}
		default:
			number, err := finite(value)
			if err != nil {
				return r.fail("write a number in V, A, W, ohm or mm", "rating %s=%q of type %s is not a number", key, value, t.Name)
			}
			t.Rating[key] = number
		}
	}
	r.design.Types[t.Name] = t
	return nil
}

func (r *reader) readFootprint(t *Type, key, value string) (err error) {
	if key == "body" {
		wide, high, _ := strings.Cut(value, "x")
		var err1, err2 error
		t.Footprint.Body[0], err1 = finite(wide)
		t.Footprint.Body[1], err2 = finite(high)
		if err1 != nil || err2 != nil || t.Footprint.Body[0] <= 0 || t.Footprint.Body[1] <= 0 {
			return r.fail("write the body as 6.3x2.4, in mm", "body %q of type %s is not a size", value, t.Name)
		}
		return nil
	}
	if key == "drill" {
		if t.Footprint.Drill, err = finite(value); err != nil || !(t.Footprint.Drill >= 0.5 && t.Footprint.Drill <= 3) {
			return r.fail("write a number of mm from 0.5 to 3", "drill %q of type %s is not a hole", value, t.Name)
		}
		return nil
	}
	for leg := range strings.SplitSeq(value, "/") {
		at, err := numbers(leg, ",", 2)
		if err != nil {
			return r.fail("write legs=0,0/4,0: holes counted from the first leg", "leg %q of type %s is not a hole", leg, t.Name)
		}
		t.Footprint.Legs = append(t.Footprint.Legs, [2]int(at))
	}
	if n := len(t.Kind.Pins("")); len(t.Footprint.Legs) != n {
		return r.fail("give each pin one leg, in order", "type %s has %d legs for %d pins", t.Name, len(t.Footprint.Legs), n)
	}
	return nil
}

func (r *reader) readCarrier(w []string) error {
	volts, err := finite(strings.TrimPrefix(w[2], "volts="))
	if err != nil {
		return r.fail(usage["carrier"], "carrier %s has no voltage", w[0])
	}
	r.carrier = &Carrier{Name: w[0], Title: w[1], Volts: volts}
	r.design.Carriers = append(r.design.Carriers, r.carrier)
	return nil
}

func (r *reader) readWire(w []string) error {
	wire := Wire{Pin: w[0], Line: strings.TrimPrefix(w[1], "-"), Signal: w[2]}
	for _, other := range r.carrier.Wires {
		if other.Pin == wire.Pin && wire.Pin != Open {
			return r.fail("give each signal a pin of its own", "pin %s of carrier %s is used for %s and %s", wire.Pin,
				r.carrier.Name, other.Signal, wire.Signal)
		}
	}
	r.carrier.Wires = append(r.carrier.Wires, wire)
	return nil
}

func (r *reader) readBoard(w []string) error {
	wide, high, ok := strings.Cut(w[2], "x")
	b := &Board{Name: w[0], Title: w[1]}
	var err1, err2 error
	b.Width, err1 = finite(wide)
	b.Height, err2 = finite(high)
	if !ok || err1 != nil || err2 != nil || b.Width < 20 || b.Height < 20 {
		return r.fail(usage["board"], "size %q of board %s is not two numbers of millimetres from 20 on", w[2], b.Name)
	}
	mark := ""
	if len(w) > 3 {
		mark = w[3]
	}
	b.Unguarded, b.Optional = mark == "unguarded", mark == "optional"
	if mark != "" && !b.Unguarded && !b.Optional {
		return r.fail(usage["board"], "%q of board %s is not understood", w[3], b.Name)
	}
	if r.design.Board(b.Name) != nil {
		return r.fail("give each board a name of its own", "board %s is there twice", b.Name)
	}
	r.board, r.section, r.strips = b, nil, nil
	r.design.Boards = append(r.design.Boards, b)
	return nil
}

func (r *reader) readGroup(w []string) error {
	limit, err := finite(w[1])
	if err != nil {
		return r.fail(usage["group"], "limit %q of group %s is not a number of volts", w[1], w[0])
	}
	r.board.Groups = append(r.board.Groups, &Group{Name: w[0], Limit: limit, Purpose: w[2]})
	return nil
}

var uses = []Use{Supply, Armed, Input, Output, Heartbeat, Zero, Level}

func (r *reader) readNet(w []string) error {
	n := &Net{Name: w[0], Group: w[1], Line: r.line}
	var err error
	if n.Volts, err = finite(w[2]); err != nil {
		return r.fail(usage["net"], "voltage %q of net %s is not a number", w[2], n.Name)
	}
	if r.board.Group(n.Group) == nil {
		return r.fail("name one of the board's groups", "net %s is in unknown group %q", n.Name, n.Group)
	}
	if r.board.Net(n.Name) != nil {
		return r.fail("declare each net once", "net %s is there twice", n.Name)
	}
	for _, x := range w[3:] {
		key, value, _ := strings.Cut(x, "=")
		switch {
		case key == "use" && slices.Contains(uses, Use(value)):
			n.Use = Use(value)
		case key == "peak":
			if n.Peak, err = finite(value); err != nil {
				return r.fail(usage["net"], "peak %q of net %s is not a number", value, n.Name)
			}
		case key == "amps":
			if n.Amps, err = finite(value); err != nil || !(n.Amps > 0) {
				return r.fail(usage["net"], "amps %q of net %s is not a current", value, n.Name)
			}
		default:
			return r.fail(usage["net"], "net %s: %q is not understood", n.Name, x)
		}
	}
	r.board.Nets = append(r.board.Nets, n)
	return nil
}

func (r *reader) readSection(w []string) error {
	at, err1 := numbers(w[2], ",", 2)
	size, err2 := numbers(w[3], "x", 2)
	if err1 != nil || err2 != nil {
		return r.fail(usage["section"], "place %q or size %q of section %s is not two whole numbers", w[2], w[3], w[0])
	}
	r.section = &Section{Name: w[0], Title: w[1], X: at[0], Y: at[1], W: size[0], H: size[1]}
	r.board.Sections = append(r.board.Sections, r.section)
	return nil
}

func (r *reader) readNote(w []string) error {
	at, err := numbers(w[0], ",", 2)
	if err != nil {
		return r.fail(usage["note"], "place %q of the note is not two whole numbers", w[0])
	}
	r.board.Notes = append(r.board.Notes, Note{at[0], at[1], w[1]})
	return nil
}

func (r *reader) readBuy(w []string) error {
	e := Extra{What: w[1], Price: priceClass(strings.TrimPrefix(w[2], "price="))}
	var err error
	if e.Count, err = strconv.Atoi(w[0]); err != nil || e.Count < 1 || e.Price == 0 {
		return r.fail(usage["buy"], "buy %s %q %s is not understood", w[0], w[1], w[2])
	}
	r.board.Extras = append(r.board.Extras, e)
	return nil
}

// priceClass is a class of price, 1 to 4, or 0 for anything else.
func priceClass(text string) int {
	if n, err := strconv.Atoi(text); err == nil && n >= 1 && n <= 4 {
		return n
	}
	return 0
}
