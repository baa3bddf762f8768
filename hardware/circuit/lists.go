package circuit

import (
	"encoding/csv"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
)

// generated heads every list.
const generated = "# Made by go run ./hardware/gen from circuits.txt. Simulated and rule-checked, not built.\n"

func writeCSV(rows [][]string) string {
	var out strings.Builder
	out.WriteString(generated)
	w := csv.NewWriter(&out)
	if err := w.WriteAll(rows); err != nil {
		panic(err) // a strings.Builder never fails
	}
	return out.String()
}

// Parts is the bill of materials: one row for each type and value of a board.
func (d *Design) Parts() string {
	rows := [][]string{{"board", "quantity", "references", "value", "part", "ratings", "equivalents", "comes with"}}
	for _, b := range d.Boards {
		refs := map[string][]string{}
		first := map[string]*Part{}
		for _, p := range b.Parts {
			key := p.Type.Name + " " + p.Value
			refs[key] = append(refs[key], p.Ref)
			first[key] = p
		}
		for _, key := range slices.Sorted(maps.Keys(refs)) {
			p := first[key]
			slices.SortFunc(refs[key], compareRefs)
			rows = append(rows, []string{b.Name, strconv.Itoa(len(refs[key])), strings.Join(refs[key], " "), p.Stated(),
				p.Type.Generic, p.Type.ratings(), strings.Join(p.Type.Makers, "; "), p.Type.With})
		}
	}
	return writeCSV(rows)
}

// priceRange is what a part costs about, in euro.
type priceRange struct {
	words       string
	least, most float64
}

var priceClasses = map[int]priceRange{0: {"not stated", 0, 0}, 1: {"below 0.50", 0, 0.5}, 2: {"0.50 to 3", 0.5, 3},
	3: {"3 to 15", 3, 15}, 4: {"15 to 60", 15, 60}}

// shoppingLine is one thing to buy, and how many for each board.
type shoppingLine struct {
	words []string // part, value, examples
	price int
	count map[*Board]int
}

// bought lists everything to buy, what no drawing shows included.
func (d *Design) bought() (lines []*shoppingLine) {
	add := func(b *Board, count, price int, words ...string) {
		i := slices.IndexFunc(lines, func(l *shoppingLine) bool { return slices.Equal(l.words, words) })
		if i < 0 {
			i, lines = len(lines), append(lines, &shoppingLine{words, price, map[*Board]int{}})
		}
		lines[i].count[b] += count
	}
	for _, b := range d.Boards {
		for _, p := range b.Parts {
			generic := p.Type.Generic
			if p.Type.With != "" {
				generic += "; with " + p.Type.With
			}
			add(b, 1, p.Type.Price, generic, p.Stated(), strings.Join(p.Type.Makers, "; "))
		}
		for _, e := range b.Extras {
			add(b, e.Count, e.Price, e.What, "", "")
		}
	}
	return lines
}

// Shopping is everything to buy: how many for each board and for those that a rig needs together, which are neither
// optional nor the unguarded ones that the others replace; and for each what it costs about.
func (d *Design) Shopping() string {
	head, needed := []string{"part", "value", "for example"}, []string(nil)
	columns := make([][]*Board, 0, len(d.Boards)+1) // whose counts each adds up
	var together []*Board
	for _, b := range d.Boards {
		head, columns = append(head, b.Name), append(columns, []*Board{b})
		if !b.Unguarded && !b.Optional {
			needed, together = append(needed, b.Name), append(together, b)
		}
	}
	columns = append(columns, together)
	rows := [][]string{append(head, strings.Join(needed, " and ")+" together", "one costs about, in euro")}
	least, most := make([]float64, len(columns)), make([]float64, len(columns))
	for _, l := range d.bought() {
		row, class := slices.Clone(l.words), priceClasses[l.price]
		for i, boards := range columns {
			n := 0
			for _, b := range boards {
				n += l.count[b]
			}
			row = append(row, strconv.Itoa(n))
			least[i], most[i] = least[i]+float64(n)*class.least, most[i]+float64(n)*class.most
		}
		rows = append(rows, append(row, class.words))
	}
	sum := []string{"all of it, in euro: the ends of the classes, added up and rounded outwards", "", ""}
	for i := range columns {
		sum = append(sum, fmt.Sprintf("%.0f to %.0f", math.Floor(least[i]), math.Ceil(most[i])))
	}
	return writeCSV(append(rows, append(sum, "")))
}

// PartsOf is the list of a board's parts for a guide. What no board of strips has, nor hangs on a lead from it, is for
// the board with a place for it.
func (d *Design) PartsOf(board string) string {
	b := d.Board(board)
	var out strings.Builder
	out.WriteString("| part | value | ask for | for example |\n|---|---|---|---|\n")
	for _, p := range b.Parts {
		what := p.Type.Generic
		if b.replacedByLeads(p) {
			what += "; for hole board and printed board only"
		}
		fmt.Fprintf(&out, "| %s | %s | %s | %s |\n", p.Ref, p.Stated(), what, strings.Join(p.Type.Makers, "; "))
	}
	return out.String()
}

// replacedByLeads reports whether on strips bare leads stand for a part: a connector that nothing is plugged into.
func (b *Board) replacedByLeads(p *Part) bool {
	return p.Type.Kind == Terminal && len(b.Strips) > 0 && !slices.ContainsFunc(b.Strips, func(s *Strips) bool {
		return slices.ContainsFunc(s.Places, func(at StripPlace) bool { return at.Ref == p.Ref && at.Pin == "" })
	})
}

func (t *Type) ratings() string {
	var list []string
	for _, name := range slices.Sorted(maps.Keys(t.Rating)) {
		list = append(list, fmt.Sprintf("%s=%g", name, t.Rating[name]))
	}
	return strings.Join(list, " ")
}

// Wiring is the netlist: each net of each board with its pins, by number and name.
func (d *Design) Wiring() string {
	rows := [][]string{{"board", "net", "group", "highest V DC", "pins"}}
	for _, b := range d.Boards {
		list := b.Netlist()
		for _, n := range b.Nets {
			var pins []string
			for _, at := range list[n.Name] {
				pins = append(pins, at.Ref+"."+at.Pin+b.pinName(at))
			}
			rows = append(rows, []string{b.Name, n.Name, n.Group, fmt.Sprintf("%g", n.Volts), strings.Join(pins, " ")})
		}
	}
	return writeCSV(rows)
}

func (b *Board) pinName(at Node) string {
	name := b.Part(at.Ref).PinName(at.Pin)
	if name == at.Pin {
		return ""
	}
	return "(" + strings.ReplaceAll(name, " ", "_") + ")"
}

// Headers lists the leads between each carrier and the headers of the boards.
func (d *Design) Headers() string {
	rows := [][]string{{"carrier", "pin", "line", "label", "signal", "to"}}
	for _, c := range d.Carriers {
		for _, w := range c.Wires {
			var to []string
			for _, b := range d.Boards {
				for _, at := range b.Netlist()[w.Signal] {
					if b.Part(at.Ref).Type.Name == "header" {
						to = append(to, b.Name+" "+at.Ref+"."+at.Pin)
					}
				}
			}
			rows = append(rows, []string{c.Name, w.Pin, w.Line, w.Label(), w.Signal, strings.Join(to, ", ")})
		}
	}
	return writeCSV(rows)
}

// delays are the measures that a plan compensates: the signal of the configuration and the measure.
var delays = [][3]string{
	{"gate", "beam", "delay_gate"}, {"beam", "beam", "delay_gate"}, {"gate (modulated)", "modulated", "delay"},
	{"beam (modulated)", "modulated", "delay"}, {"microphone", "microphone", "delay"}, {"sync", "sync", "delay"},
	{"focus", "camera", "on_focus"}, {"shutter", "camera", "on_shutter"}, {"flash1", "flash_five", "on_first"},
	{"flash2", "flash_five", "on_second"}, {"beam (first build)", "first_beam", "delay_usual"},
	{"flash1 (first build)", "first_flash", "on"}, {"microphone (piezo plate)", "piezo", "delay"},
}

// Delays is the table of the electronics' delays, in microseconds.
func Delays(rows []Row) (string, error) {
	list := [][]string{{"signal", "least us", "typical us", "most us", "deck", "measure"}}
	for _, d := range delays {
		i := slices.IndexFunc(rows, func(r Row) bool { return r.Deck == d[1] && r.Measure == d[2] })
		if i < 0 {
			return "", fmt.Errorf("delay of %s: deck %s has no measure %s", d[0], d[1], d[2])
		}
		us := func(s float64) string { return strconv.FormatFloat(s*1e6, 'f', 1, 64) }
		list = append(list, []string{d[0], us(rows[i].Least), us(rows[i].Typical), us(rows[i].Most), d[1], d[2]})
	}
	return writeCSV(list), nil
}
