package circuit

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// readPart reads the words after "part".
func (r *reader) readPart(w []string) error {
	p := &Part{Ref: w[0], Type: r.design.Types[w[1]], Section: r.section.Name, Pins: map[string]string{}, Line: r.line}
	switch {
	case p.Type == nil:
		return r.fail("declare it with a type statement first", "part %s is of unknown type %q", w[0], w[1])
	case r.used(p.Ref):
		return r.fail("number the parts of all boards through", "part %s is there twice", p.Ref)
	case strings.TrimRight(p.Ref, "0123456789") != kinds[p.Type.Kind].letter:
		return r.fail("begin it with "+kinds[p.Type.Kind].letter, "part %s is a %s", p.Ref, p.Type.Kind)
	}
	w = w[2:]
	if kinds[p.Type.Kind].valued {
		p.Value, w = w[0], w[1:]
		if err := r.checkValue(p); err != nil {
			return err
		}
	}
	colon := slices.Index(w, ":")
	if colon < 0 {
		return r.fail(usage["part"], "part %s has no ':' before its pins", p.Ref)
	}
	if err := r.readPlace(p, w[:colon]); err != nil {
		return err
	}
	if err := r.readPins(p, w[colon+1:]); err != nil {
		return err
	}
	r.board.Parts = append(r.board.Parts, p)
	return nil
}

func (r *reader) used(ref string) bool {
	return slices.ContainsFunc(r.design.Boards, func(b *Board) bool { return b.Part(ref) != nil })
}

func (r *reader) checkValue(p *Part) error {
	if p.Type.Kind == Terminal {
		if len(terminalPins(p.Value)) == 0 {
			return r.fail("write 2-way, 3-way, ...", "terminal %s has value %q", p.Ref, p.Value)
		}
		return nil
	}
	if _, err := Quantity(p.Value); err != nil {
		return r.fail("write it like 560, 4.7k, 100n or 2.2u", "part %s: %v", p.Ref, err)
	}
	return nil
}

var quarters = []string{"0", "90", "180", "270"}

func (r *reader) readPlace(p *Part, w []string) error {
	for _, x := range w {
		key, value, _ := strings.Cut(x, "=")
		words := strings.Split(value, ",")
		rest := words[min(2, len(words)):]
		at, err := numbers(strings.Join(words[:min(2, len(words))], ","), ",", 2)
		if err != nil {
			return r.fail(usage["part"], "part %s: place %q is not two whole numbers", p.Ref, x)
		}
		switch key {
		case "at":
			p.X, p.Y = r.section.X+at[0], r.section.Y+at[1]
		case "hole":
			p.Col, p.Row = at[0], at[1]
		default:
			return r.fail(usage["part"], "part %s: %q is not understood", p.Ref, x)
		}
		for _, how := range rest {
			switch {
			case key == "at" && how == "mirror":
				p.Mirror = true
			case key == "at" && slices.Contains(quarters, how):
				p.Turn, _ = strconv.Atoi(how) // one of the four
			case key == "hole" && slices.Contains(quarters, how):
				p.Facing, _ = strconv.Atoi(how)
			default:
				return r.fail("turn by 0, 90, 180 or 270; mirror in the drawing only", "part %s: %q is not understood",
					p.Ref, how)
			}
		}
	}
	return nil
}

func (r *reader) readPins(p *Part, w []string) error {
	pins := p.Type.Kind.Pins(p.Value)
	for _, x := range w {
		id, net, ok := strings.Cut(x, "=")
		if !ok {
			return r.fail(usage["part"], "part %s: %q is not PIN=NET", p.Ref, x)
		}
		i := slices.IndexFunc(pins, func(q Pin) bool { return q.Number == id || q.Name == id })
		switch {
		case i < 0:
			return r.fail("its pins are "+pinList(pins), "part %s has no pin %q", p.Ref, id)
		case p.Pins[pins[i].Number] != "":
			return r.fail("give each pin one net", "part %s: pin %s is there twice", p.Ref, id)
		case net != Open && r.board.Net(net) == nil:
			return r.fail("declare it with a net statement first", "part %s: unknown net %q", p.Ref, net)
		}
		p.Pins[pins[i].Number] = net
	}
	if len(p.Pins) != len(pins) {
		return r.fail("its pins are "+pinList(pins), "part %s has %d pins of %d", p.Ref, len(p.Pins), len(pins))
	}
	return nil
}

func pinList(pins []Pin) string {
	var names []string
	for _, p := range pins {
		if p.Name != p.Number && p.Name != "" {
			names = append(names, p.Number+" ("+p.Name+")")
			continue
		}
		names = append(names, p.Number)
	}
	return strings.Join(names, ", ")
}

// complete checks a board as a whole: a net with fewer than two pins is a mistake.
func (r *reader) complete(b *Board) error {
	list := b.Netlist()
	for _, n := range b.Nets {
		if len(list[n.Name]) < 2 {
			r.line = n.Line
			return r.fail("join it to a second pin or take it out", "net %s of board %s has %d pin", n.Name, b.Name,
				len(list[n.Name]))
		}
	}
	return nil
}

// Quantity parses a value with a unit prefix: 560, 4.7k, 1M, 100n, 2.2u, 47p, 60m.
func Quantity(text string) (float64, error) {
	scale := map[byte]float64{'p': 1e-12, 'n': 1e-9, 'u': 1e-6, 'm': 1e-3, 'k': 1e3, 'M': 1e6}
	digits, factor := text, 1.0
	if n := len(text); n > 1 && scale[text[n-1]] > 0 {
		digits, factor = text[:n-1], scale[text[n-1]]
	}
	const least, most = 1e-15, 1e15 // no part has a value outside
	x, err := finite(digits)
	if x *= factor; err != nil || x < least || x > most {
		return 0, fmt.Errorf("%q is not a value", text)
	}
	return x, nil
}

// numbers reads n whole numbers; each may be a sum ("20+$Y" after $Y was put in).
func numbers(text, by string, n int) (list []int, err error) {
	words := strings.Split(text, by)
	if len(words) != n {
		return nil, fmt.Errorf("want %d numbers", n)
	}
	for _, w := range words {
		sum := 0
		for term := range strings.SplitSeq(w, "+") {
			x, err := strconv.Atoi(term)
			if err != nil {
				return nil, err
			}
			sum += x
		}
		list = append(list, sum)
	}
	return list, nil
}

// compareRefs orders R2 before R10.
func compareRefs(a, b string) int {
	x, y := strings.TrimRight(a, "0123456789"), strings.TrimRight(b, "0123456789")
	if x != y && !(strings.Contains(a, ".") && strings.Contains(b, ".")) {
		return strings.Compare(x, y)
	}
	if i, j := strings.Index(a, "."), strings.Index(b, "."); i >= 0 && j >= 0 {
		if c := compareRefs(a[:i], b[:j]); c != 0 {
			return c
		}
		return compareRefs("n"+a[i+1:], "n"+b[j+1:])
	}
	n, _ := strconv.Atoi(a[len(x):]) // no digits are 0
	m, _ := strconv.Atoi(b[len(y):])
	return n - m
}
