package circuit

import (
	"slices"
	"strconv"
	"strings"
)

// Strips is a board put together on strips of metal that are there already: a solderless board, or strip board with
// some strips cut. Holes are column and row from 1 at the top left as one looks at the parts.
type Strips struct {
	Kind       StripKind
	Cols, Rows int
	Places     []StripPlace
	Links      []StripLink
	Cuts       [][2]int
}

// StripKind is how the strips run.
type StripKind string

// The kinds. On a solderless board rows 1 and 2 and the last two are rails, five holes below each other are joined on
// both sides of the gap in the middle.
const (
	Solderless StripKind = "solderless"
	StripBoard StripKind = "stripboard"
)

// StripPlace is the place of a part, or, with a pin, of the lead to that pin of what is not on the board.
type StripPlace struct {
	Ref, Pin         string
	Col, Row, Facing int
}

// StripLink is a wire from hole to hole.
type StripLink struct {
	Net      string
	From, To [2]int
}

func (r *reader) readStrips(w []string) error {
	size, err := numbers(w[1], "x", 2)
	kind := StripKind(w[0])
	const most = 100
	if err != nil || size[0] < 1 || size[1] < 1 || size[0] > most || size[1] > most ||
		!slices.Contains([]StripKind{Solderless, StripBoard}, kind) {
		return r.fail(usage["strips"], "%q, %q is not a kind of strips with its holes", w[0], w[1])
	}
	r.strips = &Strips{Kind: kind, Cols: size[0], Rows: size[1]}
	r.board.Strips = append(r.board.Strips, r.strips)
	return nil
}

func (r *reader) readPut(w []string) error {
	ref, pin, _ := strings.Cut(w[0], ".")
	p := r.board.Part(ref)
	if p == nil || pin != "" && p.Pin(pin) == "" {
		return r.fail("put parts of this board, or pins of them, after their part statement", "there is no %q", w[0])
	}
	at, facing := strings.Split(w[1], ","), "0"
	if len(at) == 3 {
		at, facing = at[:2], at[2]
	}
	hole, err := numbers(strings.Join(at, ","), ",", 2)
	if err != nil || !slices.Contains(quarters, facing) {
		return r.fail(usage["put"], "place %q of %s is not a hole", w[1], w[0])
	}
	place := StripPlace{Ref: ref, Pin: pin, Col: hole[0], Row: hole[1]}
	place.Facing, _ = strconv.Atoi(facing) // one of the four
	r.strips.Places = append(r.strips.Places, place)
	return nil
}

func (r *reader) readLink(w []string) error {
	from, err1 := numbers(w[1], ",", 2)
	to, err2 := numbers(w[2], ",", 2)
	if err1 != nil || err2 != nil || r.board.Net(w[0]) == nil {
		return r.fail(usage["link"], "link of %q from %q to %q is none", w[0], w[1], w[2])
	}
	r.strips.Links = append(r.strips.Links, StripLink{w[0], [2]int(from), [2]int(to)})
	return nil
}

func (r *reader) readCut(w []string) error {
	for _, word := range w {
		at, err := numbers(word, ",", 2)
		if err != nil {
			return r.fail(usage["cut"], "%q is not a hole", word)
		}
		r.strips.Cuts = append(r.strips.Cuts, [2]int(at))
	}
	return nil
}

// Placed is a part as it stands in a place on strips.
func (b *Board) Placed(at StripPlace) *Part {
	part := *b.Part(at.Ref)
	part.Col, part.Row, part.Facing = at.Col, at.Row, at.Facing
	return &part
}
