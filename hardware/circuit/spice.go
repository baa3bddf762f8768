package circuit

import (
	"fmt"
	"hash/fnv"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// Corner is one set of parameters of the simulation.
type Corner struct {
	Name   string
	Params []string // "CTR=0.5"
}

// Value is a parameter of the corner as a number.
func (c Corner) Value(name string) (float64, error) {
	for _, p := range c.Params {
		if key, value, _ := strings.Cut(p, "="); key == name {
			return strconv.ParseFloat(value, 64)
		}
	}
	return 0, fmt.Errorf("corner %s has no %s: write %s=VALUE", c.Name, name, name)
}

// Corners parses the corners, one a line: a name, then NAME=VALUE for each parameter; # begins a comment. All corners
// have the parameters of the first.
func Corners(text string) (list []Corner, err error) {
	names := func(c Corner) (names []string) {
		for _, p := range c.Params {
			name, _, _ := strings.Cut(p, "=")
			names = append(names, name)
		}
		return names
	}
	for i, l := range strings.Split(text, "\n") {
		w, closed := cut(l)
		switch {
		case !closed:
			return nil, &ParseError{i + 1, "a quote is not closed", `end the text with "`}
		case len(w) == 0:
			continue
		case !cornerName.MatchString(w[0]):
			return nil, &ParseError{i + 1, fmt.Sprintf("%q is not a name of a corner", w[0]), "use letters and digits"}
		case slices.ContainsFunc(list, func(c Corner) bool { return c.Name == w[0] }):
			return nil, &ParseError{i + 1, fmt.Sprintf("corner %s is there twice", w[0]), "give each a name of its own"}
		}
		c, err := readCorner(i+1, w)
		if err != nil {
			return nil, err
		}
		if len(list) > 0 && !slices.Equal(names(c), names(list[0])) {
			return nil, &ParseError{i + 1, "corner " + c.Name + " has other parameters than " + list[0].Name,
				"give every corner the same ones in the same order"}
		}
		list = append(list, c)
	}
	if len(list) == 0 {
		return nil, &ParseError{1, "no corner", "write one: typical TEMP=25 ..."}
	}
	return list, nil
}

// The tokens of a corner: a number, a name, and a parameter with its value.
var (
	number     = regexp.MustCompile(`^[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d{1,2})?[munpk]?$`)
	cornerName = regexp.MustCompile(`^[A-Za-z]\w*$`)
	parameter  = regexp.MustCompile(`^([A-Za-z]\w*)=(\S+)$`)
)

// readCorner reads the words of one corner.
func readCorner(line int, words []string) (Corner, error) {
	c := Corner{words[0], words[1:]}
	seen := map[string]bool{}
	for _, p := range c.Params {
		m := parameter.FindStringSubmatch(p)
		if m == nil || !number.MatchString(m[2]) && m[1] != "SPREAD" {
			return c, &ParseError{line, fmt.Sprintf("%q of corner %s is not a parameter", p, c.Name), "write NAME=VALUE"}
		}
		if seen[m[1]] {
			return c, &ParseError{line, fmt.Sprintf("corner %s has %s twice", c.Name, m[1]), "keep one of the two"}
		}
		seen[m[1]] = true
	}
	return c, nil
}

// Deck makes the text for one run: the deck with the netlist of the sections that its line "*use BOARD SECTION..."
// names, the models, and the corner's parameters. A line "*copper" adds the resistance of the copper that was laid,
// and "*without REF..." takes parts out.
func (d *Design) Deck(name, text, models string, c Corner) (string, error) {
	var out strings.Builder
	fmt.Fprintf(&out, "%s, corner %s\n", name, c.Name)
	spread := "nominal"
	for _, p := range c.Params {
		if s, is := strings.CutPrefix(p, "SPREAD="); is {
			spread = s
			continue
		}
		if t, is := strings.CutPrefix(p, "TEMP="); is {
			fmt.Fprintf(&out, ".temp %s\n", t)
			continue
		}
		fmt.Fprintf(&out, ".param %s\n", p)
	}
	out.WriteString(models)
	used := false
	for i, l := range strings.Split(text, "\n") {
		w := strings.Fields(l)
		if len(w) == 0 || w[0] != "*use" {
			out.WriteString(l + "\n")
			continue
		}
		used = true
		if len(w) < 3 || d.Board(w[1]) == nil {
			return "", &ParseError{i + 1, name + ": no such board", "write: *use BOARD SECTION ..."}
		}
		b := d.Board(w[1])
		for _, s := range w[2:] {
			if b.Section(s) == nil {
				return "", &ParseError{i + 1, fmt.Sprintf("%s: board %s has no section %q", name, b.Name, s),
					"name a section of the description"}
			}
		}
		out.WriteString(b.without(text).spice(w[2:], spread, strings.Contains(text, "\n*copper\n")))
	}
	if !used {
		return "", &ParseError{1, name + ": nothing of the description is used", "write: *use BOARD SECTION ..."}
	}
	return out.String(), nil
}

// without is the board without the parts that the deck's lines "*without REF..." name.
func (b *Board) without(deck string) *Board {
	var out []string
	for l := range strings.Lines(deck) {
		if w := strings.Fields(l); len(w) > 0 && w[0] == "*without" {
			out = append(out, w[1:]...)
		}
	}
	less := *b
	less.Parts = slices.DeleteFunc(slices.Clone(b.Parts), func(p *Part) bool { return slices.Contains(out, p.Ref) })
	return &less
}

// spice is the netlist of some sections. The zeros of isolated groups are connected by a gigaohm each, like real
// insulation.
func (b *Board) spice(sections []string, spread string, copper bool) string {
	var out strings.Builder
	if !copper {
		bare := *b
		bare.copper = nil
		b = &bare
	}
	for _, n := range b.Nets {
		if n.Use == Zero && n.Name != "GND" {
			fmt.Fprintf(&out, "R_barrier_%s %s 0 1g\n", node(n.Name), node(n.Name))
		}
	}
	used := func(p *Part) bool { return slices.Contains(sections, p.Section) }
	for _, p := range b.Parts {
		if used(p) {
			out.WriteString(b.spicePart(p, spread))
		}
	}
	return out.String() + b.spiceCopper(used)
}

// node is a net's name in a simulation.
func node(net string) string {
	if net == "GND" {
		return "0"
	}
	return strings.ToLower(net)
}

func (b *Board) spicePart(p *Part, spread string) string {
	k := kinds[p.Type.Kind]
	if k.spice == "" {
		return ""
	}
	words := []string{k.spice + "_" + p.Ref}
	for _, pin := range k.order {
		words = append(words, b.pinNode(p, pin))
	}
	value, _ := Quantity(p.Value) // checked by Parse where there is one
	ref := strings.ToLower(p.Ref)
	param := ""
	switch p.Type.Kind {
	case Resistor, Capacitor, Electrolytic, Trimmer:
		param = fmt.Sprintf(".param val_%s=%.6g\n", ref, value*(1+p.Type.Rating["tol"]*side(spread, p.Ref)))
		words = append(words, "{val_"+ref+"}")
	case Fuse:
		words = append(words, strconv.FormatFloat(p.Type.Rating["ohm"], 'g', -1, 64))
	case Battery:
		words = append(words, "{VBAT}")
	case Switch:
		words = append(words, "lever", p.Type.Model)
	case Phototransistor, Photodiode:
		words = append(words, "light_"+ref, p.Type.Model)
	case Electret, Piezo:
		words = append(words, "sound_"+ref, p.Type.Model)
	default:
		words = append(words, p.Type.Model)
	}
	if p.Type.Kind == Trimmer {
		words = append(words[:len(words)-1], p.Type.Model, "R={val_"+ref+"}", "POS={POS_"+p.Ref+"}")
	}
	return param + strings.Join(words, " ") + "\n" + b.spiceLeak(p)
}

// spiceLeak is what a capacitor leaks at most, times LEAK. An electrolytic one: leak of its capacitance times its rated
// voltage, or 3 uA, whichever is more, at any voltage. Another one: through insulation over its capacitance, in ohms.
func (b *Board) spiceLeak(p *Part) string {
	const minAmps = 3e-6
	farads, _ := Quantity(p.Value)
	one, other := b.pinNode(p, "1"), b.pinNode(p, "2")
	switch k, r := p.Type.Kind, p.Type.Rating; {
	case k == Electrolytic && r["leak"] > 0:
		return fmt.Sprintf("B_leak_%s %s %s I = {LEAK*%.4g}*tanh(10*v(%s,%s))\n", p.Ref, one, other,
			max(minAmps, r["leak"]*farads*r["v"]), one, other)
	case k == Capacitor && r["insulation"] > 0:
		return fmt.Sprintf("G_leak_%s %s %s %s %s {LEAK*%.4g}\n", p.Ref, one, other, one, other, farads/r["insulation"])
	}
	return ""
}

// side is where in its tolerance a part is, -1 to 1.
func side(spread, ref string) float64 {
	switch spread {
	case "nominal":
		return 0
	case "high":
		return 1
	case "low":
		return -1
	}
	h := fnv.New32a()
	h.Write([]byte(spread + " " + ref)) // never an error
	if h.Sum32()>>16&1 == 0 {
		return -1
	}
	return 1
}
