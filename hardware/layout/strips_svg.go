package layout

import (
	"fmt"
	"html"
	"math"
	"slices"
	"strings"

	"stillwater/hardware/circuit"
)

// The drawing is twice as large as the board; its measures are millimetres of the board.
const (
	enlarged  = 2
	stripLeft = 12.0
	stripTop  = 17.0
	stripWide = 110.0
	drawnLeg  = 0.45
)

const stripStyles = `text{font-family:Arial,Helvetica,sans-serif;font-size:1.5px;fill:#000;text-anchor:middle}
.title{font-size:2.6px;font-weight:bold}.grey{fill:#555}.left{text-anchor:start;font-size:1.7px}
rect,circle,line,path{fill:none;stroke:#222;stroke-width:.2}.metal{fill:#ead9b8;stroke:none}.hole{fill:#777;stroke:none}
.body{fill:#fff;fill-opacity:.92}.leg{fill:#222;stroke:none}.mark{stroke-width:.6}.wire{stroke:#00418a;stroke-width:.7}
.end{fill:#fff;stroke:#00418a;stroke-width:.3}.lead{fill:#fff;stroke:#a03000;stroke-width:.4}
.cut{stroke:#a03000;stroke-width:.5}.edge{stroke-width:.35}
.over{paint-order:stroke;stroke:#fff;stroke-width:.5;stroke-linejoin:round}`

// stripDrawing is a sheet being drawn.
type stripDrawing struct {
	*StripPlan
	out  strings.Builder
	over strings.Builder // what is written over wires
	used []point         // where the names of legs are
}

// SVG draws the plan as it looks from the parts' side: metal below, parts, wires by number and leads by letter.
func (p *StripPlan) SVG() string {
	d := &stripDrawing{StripPlan: p}
	rows := max(len(p.leads()), len(p.Strips.Links)+6)
	high := stripTop + float64(p.Strips.Rows+1)*pitch + 8 + 2.6*float64(rows) + 4
	d.f(`<svg xmlns="http://www.w3.org/2000/svg" width="%gmm" height="%smm" viewBox="0 0 %g %s" role="img">`,
		stripWide*enlarged, hundredths(high*enlarged), stripWide, hundredths(high))
	what := map[circuit.StripKind]string{circuit.Solderless: "on a solderless board, without solder",
		circuit.StripBoard: "on strip board, from the parts' side; a red cross: the strip below is cut there"}[p.Strips.Kind]
	d.f("<title>%s: %s</title>\n<style>%s</style>", html.EscapeString(p.Board.Title), what, stripStyles)
	d.f(`<rect width="100%%" height="100%%" style="fill:#fff;stroke:none"/>`)
	d.words(stripWide/2, 4, "title", p.Board.Title)
	d.words(stripWide/2, 7, "", what)
	d.words(stripWide/2, 10, "grey",
		"Twice its size: the line below is 20 mm on the board. Simulated and rule-checked, not built.")
	d.f(`<g transform="translate(%g %g)">`, stripLeft, stripTop-pitch/2)
	d.metal(func(at point) point { return at })
	for _, part := range p.parts {
		d.part(part)
	}
	for i, l := range p.Strips.Links {
		from, to := spot(hole(l.From)), spot(hole(l.To))
		d.f(`<line class="wire" x1="%s" y1="%s" x2="%s" y2="%s"/>`, hundredths(from.x), hundredths(from.y), hundredths(to.x),
			hundredths(to.y))
		d.ring("end", from, fmt.Sprint(i+1))
		d.ring("end", to, fmt.Sprint(i+1))
	}
	for i, l := range p.leads() {
		d.ring("lead", spot(l.At), letter(i))
	}
	d.cuts(spot)
	d.out.WriteString(d.over.String())
	d.f("</g>")
	d.legend(stripTop + float64(p.Strips.Rows+1)*pitch + 4)
	d.f("</svg>")
	return d.out.String()
}

// CopperSide draws strip board turned over, as it lies while its strips are cut: copper, holes and a cross at each cut.
func (p *StripPlan) CopperSide() string {
	d := &stripDrawing{StripPlan: p}
	wide, tall := p.size()
	high := stripTop + tall + 12
	what := "strip board from the copper side, for cutting"
	d.f(`<svg xmlns="http://www.w3.org/2000/svg" width="%gmm" height="%smm" viewBox="0 0 %g %s" role="img">`,
		stripWide*enlarged, hundredths(high*enlarged), stripWide, hundredths(high))
	d.f("<title>%s: %s</title>\n<style>%s</style>", html.EscapeString(p.Board.Title), what, stripStyles)
	d.f(`<rect width="100%%" height="100%%" style="fill:#fff;stroke:none"/>`)
	d.words(stripWide/2, 4, "title", p.Board.Title)
	d.words(stripWide/2, 7, "", what+": turned over from left to right, so column 1 is at the right")
	d.words(stripWide/2, 10, "grey",
		"A red cross: cut the strip there. Twice its size: the line below is 20 mm on the board.")
	d.f(`<g transform="translate(%g %g)">`, stripLeft, stripTop-pitch/2)
	over := func(at point) point { return point{wide - at.x, at.y} }
	d.metal(over)
	d.cuts(func(h Hole) point { return over(spot(h)) })
	d.f("</g>")
	d.ruler(stripTop + tall + 4)
	d.f("</svg>")
	return d.out.String()
}

// size is how wide and how high the board is drawn.
func (p *StripPlan) size() (wide, high float64) {
	return float64(p.Strips.Cols+1) * pitch, float64(p.Strips.Rows+1) * pitch
}

func (d *stripDrawing) f(format string, args ...any) { fmt.Fprintf(&d.out, format+"\n", args...) }

func (d *stripDrawing) words(x, y float64, class, words string) {
	d.f(`<text x="%s" y="%s" class="%s">%s</text>`, hundredths(x), hundredths(y), class, html.EscapeString(words))
}

func (d *stripDrawing) ring(class string, at point, words string) {
	d.f(`<circle class="%s" cx="%s" cy="%s" r="1"/>`, class, hundredths(at.x), hundredths(at.y))
	d.words(at.x, at.y+0.52, "", words)
}

// metal draws the board: its edge, its metal, its holes with their numbers; to says where a place is drawn.
func (d *stripDrawing) metal(to func(point) point) {
	wide, high := d.size()
	d.f(`<rect class="edge" x="0" y="0" width="%s" height="%s"/>`, hundredths(wide), hundredths(high))
	for _, r := range d.pieces {
		a, b := to(r.low), to(r.high)
		d.f(`<rect class="metal" x="%s" y="%s" width="%s" height="%s"/>`, hundredths(min(a.x, b.x)), hundredths(a.y),
			hundredths(math.Abs(b.x-a.x)), hundredths(b.y-a.y))
	}
	for col := 1; col <= d.Strips.Cols; col++ {
		x := to(spot(Hole{col, 1})).x
		if col == 1 || col%5 == 0 {
			d.words(x, -0.8, "grey", fmt.Sprint(col))
			d.words(x, high+2, "grey", fmt.Sprint(col))
		}
		for row := 1; row <= d.Strips.Rows; row++ {
			if _, is := d.at[Hole{col, row}]; is {
				d.f(`<circle class="hole" cx="%s" cy="%s" r="0.3"/>`, hundredths(x), hundredths(float64(row)*pitch))
			}
		}
	}
	for row := 1; row <= d.Strips.Rows; row++ {
		if name := d.rowName(row); name != "" {
			d.words(-2, float64(row)*pitch+0.5, "grey", name)
			d.words(wide+2, float64(row)*pitch+0.5, "grey", name)
		}
	}
}

// crossArm is how far a cross that stands for a cut reaches from its hole, each way.
const crossArm = 0.9

// cuts draws a cross where strips are cut, over the parts: what is missed under one joins what must not be joined.
func (d *stripDrawing) cuts(to func(Hole) point) {
	for _, c := range d.Strips.Cuts {
		at := to(hole(c))
		x0, x1 := hundredths(at.x-crossArm), hundredths(at.x+crossArm)
		y0, y1 := hundredths(at.y-crossArm), hundredths(at.y+crossArm)
		d.f(`<path class="cut" d="M%s %s L%s %s M%s %s L%s %s"/>`, x0, y0, x1, y1, x0, y1, x1, y0)
	}
}

// rowName is what a row is called: letters and rails on a solderless board, numbers on strip board. With column 1 at
// the left a solderless board has row a at the bottom (common practice, no source): named the other way round, a part
// that is put in by the names of its holes would be a mirror image.
func (p *StripPlan) rowName(row int) string {
	rows := p.Strips.Rows
	switch {
	case p.Strips.Kind != circuit.Solderless:
		return fmt.Sprint(row)
	case row == 1 || row == rows-1:
		return "+"
	case row == railRows || row == rows:
		return "-"
	case row >= upperTop && row < upperTop+fiveHoles:
		return string(rune('j' - (row - upperTop)))
	case row >= midTop && row < midTop+fiveHoles:
		return string(rune('e' - (row - midTop)))
	}
	return ""
}

// holeName is what a hole is called.
func (p *StripPlan) holeName(h Hole) string {
	switch name := p.rowName(h.Row); {
	case p.Strips.Kind != circuit.Solderless:
		return fmt.Sprintf("%d,%d", h.Col, h.Row)
	case name == "+" || name == "-":
		return fmt.Sprintf("upper rail %s, near %d", name, h.Col)
	default:
		return fmt.Sprint(name, h.Col)
	}
}

// part draws a part: legs, body, what it is, and what tells its ends apart.
func (d *stripDrawing) part(part *circuit.Part) {
	r := d.body(part)
	pins, holes := part.Legs()
	var legs []point
	for _, h := range holes {
		legs = append(legs, spot(hole(h)))
	}
	if len(legs) == 2 {
		d.f(`<line x1="%s" y1="%s" x2="%s" y2="%s"/>`, hundredths(legs[0].x), hundredths(legs[0].y), hundredths(legs[1].x),
			hundredths(legs[1].y))
	}
	d.f(`<rect class="body" x="%s" y="%s" width="%s" height="%s"/>`, hundredths(r.low.x), hundredths(r.low.y),
		hundredths(r.high.x-r.low.x), hundredths(r.high.y-r.low.y))
	middle := point{(r.low.x + r.high.x) / 2, (r.low.y + r.high.y) / 2}
	for i, at := range legs {
		d.f(`<circle class="leg" cx="%s" cy="%s" r="0.45"/>`, hundredths(at.x), hundredths(at.y))
		if name := part.PinName(pins[i]); name != pins[i] && len(name) == 1 {
			d.name(part, at, middle, name)
		}
	}
	var mark rect
	switch part.Type.Kind {
	case circuit.Diode, circuit.TVS, circuit.Zener:
		x := middle.x + sideOf(legs[0].x-middle.x)*((r.high.x-r.low.x)/2-0.9)
		mark = rect{point{x, r.low.y}, point{x, r.high.y}}
	case circuit.NPN:
		mark.low, mark.high = r.side(thickSide(part))
	}
	if part.Type.Kind == circuit.Opto { // the dot is beside the first leg
		const inside = 0.9
		at := point{min(max(legs[0].x, r.low.x+inside), r.high.x-inside),
			min(max(legs[0].y, r.low.y+inside), r.high.y-inside)}
		d.f(`<circle cx="%s" cy="%s" r="0.5"/>`, hundredths(at.x), hundredths(at.y))
	}
	if mark != (rect{}) {
		d.f(`<line class="mark" x1="%s" y1="%s" x2="%s" y2="%s"/>`, hundredths(mark.low.x), hundredths(mark.low.y),
			hundredths(mark.high.x), hundredths(mark.high.y))
	}
	d.caption(part)
}

// name writes the name of a leg beside it, outside of its part if that place is free, else where it covers least.
func (d *stripDrawing) name(part *circuit.Part, leg, middle point, name string) {
	const off, size = 1.45, 1.1
	var best point
	least := math.Inf(1)
	for dx := -1.0; dx <= 1; dx++ {
		for dy := -1.0; dy <= 1; dy++ {
			at := point{leg.x + off*dx, leg.y + off*dy}
			if dx == 0 && dy == 0 {
				continue
			}
			cost := d.crowd(part, at, size)
			if d.nearestLeg(at) != leg { // it would be read as the name of another one
				cost += 20
			}
			inward := dx*sideOf(middle.x-leg.x) + dy*sideOf(middle.y-leg.y)
			if cost += 0.1 * (2 + inward); cost < least {
				best, least = at, cost
			}
		}
	}
	d.used = append(d.used, best)
	fmt.Fprintf(&d.over, `<text x="%s" y="%s" class="over">%s</text>`+"\n", hundredths(best.x), hundredths(best.y+0.5),
		html.EscapeString(name))
}

// nearestLeg is the leg of a part that is nearest to a place.
func (d *stripDrawing) nearestLeg(at point) (nearest point) {
	least := math.Inf(1)
	for _, part := range d.parts {
		_, holes := part.Legs()
		for _, h := range holes {
			leg := spot(hole(h))
			if far := math.Hypot(leg.x-at.x, leg.y-at.y); far < least {
				nearest, least = leg, far
			}
		}
	}
	return nearest
}

// crowd counts what a letter of a size covers at a place: rings of wires and leads, legs, bodies, other names.
func (d *stripDrawing) crowd(part *circuit.Part, at point, size float64) (cost float64) {
	near := func(p point, within float64) bool { return math.Hypot(p.x-at.x, p.y-at.y) < within }
	for _, ring := range d.rings() {
		if near(ring, 1+size/2) {
			cost += 10
		}
	}
	for _, p := range d.used {
		if near(p, size) {
			cost += 10
		}
	}
	for _, other := range d.parts {
		r := d.body(other)
		if r.near(at, size/2) {
			cost += map[bool]float64{true: 3, false: 10}[other == part]
		}
		if d.labelOf(other).box().near(at, size/2) {
			cost += 10
		}
		_, holes := other.Legs()
		for _, h := range holes {
			if near(spot(hole(h)), drawnLeg+size/2) {
				cost += 5
			}
		}
	}
	for _, c := range d.Strips.Cuts {
		if near(spot(hole(c)), crossArm+size/2) {
			cost += 10
		}
	}
	return cost
}

// rings are where wires and leads end.
func (d *stripDrawing) rings() (all []point) {
	for _, l := range d.Strips.Links {
		all = append(all, spot(hole(l.From)), spot(hole(l.To)))
	}
	for _, l := range d.leads() {
		all = append(all, spot(l.At))
	}
	return all
}

// partLabel is where the name of a part is written: its middle, whether it is turned, and the size of its letters.
type partLabel struct {
	words  string
	middle point
	turned bool
	size   float64
}

// box is what a label covers.
func (l partLabel) box() rect {
	wide, high := circuit.TextWide(l.words, l.size)/2, l.size/2
	if l.turned {
		wide, high = high, wide
	}
	return rect{point{l.middle.x - wide, l.middle.y - high}, point{l.middle.x + wide, l.middle.y + high}}
}

// near reports whether a point is in a rectangle or as near to it.
func (r rect) near(p point, distance float64) bool {
	return p.x > r.low.x-distance && p.x < r.high.x+distance && p.y > r.low.y-distance && p.y < r.high.y+distance
}

// labelOf is a part's label: along its longer side, as large as it fits, and beside legs that come out of its body.
func (p *StripPlan) labelOf(part *circuit.Part) partLabel {
	r := p.body(part)
	wide, high := r.high.x-r.low.x, r.high.y-r.low.y
	l := partLabel{words: strings.TrimSpace(part.Ref + " " + part.Value), turned: high > wide+0.5,
		middle: point{(r.low.x + r.high.x) / 2, (r.low.y + r.high.y) / 2}}
	const largest, filled = 1.5, 0.94
	l.size = min(largest, filled*largest*max(wide, high)/circuit.TextWide(l.words, largest))
	if clear, is := p.offCuts(l, r); is {
		return clear
	}
	switch part.Type.Kind {
	case circuit.NPN: // on the side that is not flat
		from, to := r.side(thickSide(part))
		l.middle.x -= 0.6 * ((from.x+to.x)/2 - l.middle.x)
		l.middle.y -= 0.6 * ((from.y+to.y)/2 - l.middle.y)
	case circuit.Trimmer: // where it covers no leg
		const aside = 2.6
		_, holes := part.Legs()
		for _, by := range []point{{0, aside}, {0, -aside}, {-aside, 0}, {aside, 0}} {
			at := partLabel{l.words, point{l.middle.x + by.x, l.middle.y + by.y}, by.y == 0, l.size}
			covers := func(h [2]int) bool { return at.box().near(spot(hole(h)), drawnLeg) }
			if !slices.ContainsFunc(holes, covers) {
				return at
			}
		}
	}
	return l
}

// offCuts moves, turns or shrinks the label of a part that stands over cuts until it covers no cross.
func (p *StripPlan) offCuts(l partLabel, body rect) (partLabel, bool) {
	covers := func(l partLabel) bool {
		return slices.ContainsFunc(p.Strips.Cuts, func(c [2]int) bool { return l.box().near(spot(hole(c)), crossArm+0.2) })
	}
	if !covers(l) {
		return l, false
	}
	const smallest, step = 1.0, 0.1
	for size := l.size; size >= smallest; size -= step {
		for by := 0.0; by < (body.high.x-body.low.x)/2; by += step {
			for _, at := range []partLabel{
				{l.words, point{l.middle.x + by, l.middle.y}, l.turned, size},
				{l.words, point{l.middle.x - by, l.middle.y}, l.turned, size},
				{l.words, l.middle, !l.turned, size},
			} {
				if box := at.box(); !covers(at) && box.low.x > body.low.x && box.high.x < body.high.x {
					return at, true
				}
			}
		}
	}
	return l, false
}

// caption writes what a part is into its body.
func (d *stripDrawing) caption(part *circuit.Part) {
	l := d.labelOf(part)
	turn := ""
	if l.turned {
		turn = fmt.Sprintf(` transform="rotate(-90 %s %s)"`, hundredths(l.middle.x), hundredths(l.middle.y))
	}
	fmt.Fprintf(&d.over, `<text x="%s" y="%s" class="over" style="font-size:%spx"%s>%s</text>`+"\n",
		hundredths(l.middle.x), hundredths(l.middle.y+0.35*l.size), hundredths(l.size), turn, html.EscapeString(l.words))
}

func sideOf(x float64) float64 {
	switch {
	case x > epsilon:
		return 1
	case x < -epsilon:
		return -1
	}
	return 0
}

// leads are the legs of what is not on the board.
func (p *StripPlan) leads() (all []Leg) {
	for _, place := range p.Strips.Places {
		if place.Pin == "" {
			continue
		}
		part := p.Board.Part(place.Ref)
		number := find(part, place.Pin)
		all = append(all, Leg{place.Ref, number, part.Pins[number], Hole{place.Col, place.Row}})
	}
	return all
}

func letter(i int) string { return string(rune('A' + i)) }

// leadWords says what a lead is.
func (p *StripPlan) leadWords(l Leg) string {
	part := p.Board.Part(l.Ref)
	name := part.PinName(l.Pin)
	switch {
	case part.Type.Kind == circuit.Switch:
		pair := map[string]string{"1": "first pair", "2": "first pair", "3": "second pair", "4": "second pair"}[name]
		return fmt.Sprintf("kill switch, %s (%s)", pair, l.Net)
	case part.Type.Kind == circuit.LED:
		return fmt.Sprintf("emitter, %s (%s)", name, l.Net)
	case part.Type.Kind == circuit.Phototransistor:
		return fmt.Sprintf("receiver, %s (%s)", name, l.Net)
	case part.Type.Name == "header":
		return "controller, " + l.Net
	}
	return "flash unit, " + l.Net
}

// ruler draws a line to measure.
func (d *stripDrawing) ruler(y float64) {
	d.f(`<line class="edge" x1="80" y1="%s" x2="100" y2="%s"/>`, hundredths(y), hundredths(y))
	d.words(90, y+2, "grey", "20 mm on the board")
}

// legend lists leads and wires, and has a ruler.
func (d *stripDrawing) legend(y float64) {
	d.ruler(y)
	d.words(stripLeft, y, "left", "Leads, by letter:")
	for i, l := range d.leads() {
		d.words(stripLeft, y+2.6*float64(i+1), "left", fmt.Sprintf("%s  %s: %s", letter(i), d.holeName(l.At), d.leadWords(l)))
	}
	d.words(62, y+5, "left", "Wires, by number:")
	for i, l := range d.Strips.Links {
		d.words(62, y+5+2.6*float64(i+1), "left", fmt.Sprintf("%d  %s to %s (%s)", i+1, d.holeName(hole(l.From)),
			d.holeName(hole(l.To)), l.Net))
	}
}

// cutWords are the cuts: those of whole columns together, and each other by its hole.
func (p *StripPlan) cutWords() (words []string) {
	inColumn := map[int]int{}
	for _, c := range p.Strips.Cuts {
		inColumn[c[0]]++
	}
	for _, c := range p.Strips.Cuts {
		switch whole := inColumn[c[0]] == p.Strips.Rows; {
		case !whole:
			words = append(words, p.holeName(hole(c)))
		case c[1] == 1:
			words = append(words, fmt.Sprintf("column %d, every row", c[0]))
		}
	}
	return words
}

// StripList lists, for each way, where each leg, lead and wire goes, as a table for the guide.
func StripList(p *StripPlan) string {
	var out strings.Builder
	out.WriteString("| what | value | holes |\n|---|---|---|\n")
	for _, words := range p.cutWords() {
		fmt.Fprintf(&out, "| cut | the strip | %s |\n", words)
	}
	for _, part := range p.parts {
		pins, holes := part.Legs()
		var words []string
		for i, pin := range pins {
			name := part.PinName(pin)
			words = append(words, strings.TrimSpace(name+" "+p.holeName(hole(holes[i]))))
		}
		fmt.Fprintf(&out, "| %s | %s | %s |\n", part.Ref, part.Printed(),
			strings.Join(words, "; "))
	}
	for i, l := range p.Strips.Links {
		fmt.Fprintf(&out, "| wire %d | %s | %s; %s |\n", i+1, l.Net, p.holeName(hole(l.From)), p.holeName(hole(l.To)))
	}
	for i, l := range p.leads() {
		fmt.Fprintf(&out, "| lead %s | %s | %s |\n", letter(i), p.leadWords(l), p.holeName(l.At))
	}
	return out.String()
}

// JointList lists what is joined by each net, leads by their letters, as a table for the guide: it holds for each way.
func JointList(p *StripPlan) string {
	var out strings.Builder
	out.WriteString("| net | all of it is joined |\n|---|---|\n")
	for _, n := range p.Board.Nets {
		var words []string
		for _, part := range p.parts {
			pins, _ := part.Legs()
			for _, pin := range pins {
				if part.Pins[pin] == n.Name {
					words = append(words, part.Ref+" "+part.PinName(pin))
				}
			}
		}
		for _, l := range p.Leads() {
			if l.Net == n.Name {
				words = append(words, "lead "+l.Letter)
			}
		}
		fmt.Fprintf(&out, "| %s | %s |\n", n.Name, strings.Join(words, ", "))
	}
	return out.String()
}
