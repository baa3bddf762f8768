package layout

import (
	"cmp"
	"fmt"
	"html"
	"strings"

	"stillwater/hardware/circuit"
)

// The drawing is twice as large as the board; its measures are millimetres of the board.
const (
	enlarged  = 2
	stripLeft = 12.0
	stripTop  = 17.0
	stripWide = 110.0
)

const stripStyles = `text{font-family:Arial,Helvetica,sans-serif;font-size:1.5px;fill:#000;text-anchor:middle}
.title{font-size:2.6px;font-weight:bold}.grey{fill:#555}.left{text-anchor:start;font-size:1.7px}
rect,circle,line{fill:none;stroke:#222;stroke-width:.2}.metal{fill:#ead9b8;stroke:none}.hole{fill:#777;stroke:none}
.body{fill:#fff;fill-opacity:.92}.leg{fill:#222;stroke:none}.mark{stroke-width:.6}.wire{stroke:#00418a;stroke-width:.7}
.end{fill:#fff;stroke:#00418a;stroke-width:.3}.lead{fill:#fff;stroke:#a03000;stroke-width:.4}
.cut{stroke:#a03000;stroke-width:.5}.edge{stroke-width:.35}`

// stripDrawing is a sheet being drawn.
type stripDrawing struct {
	*StripPlan
	out strings.Builder
}

// SVG draws the plan as it looks from the parts' side: metal below, parts, wires by number and leads by letter.
func (p *StripPlan) SVG() string {
	d := &stripDrawing{StripPlan: p}
	rows := max(len(p.leads()), len(p.Strips.Links)+6)
	high := stripTop + float64(p.Strips.Rows+1)*pitch + 8 + 2.6*float64(rows) + 4
	d.f(`<svg xmlns="http://www.w3.org/2000/svg" width="%gmm" height="%smm" viewBox="0 0 %g %s" role="img">`,
		stripWide*enlarged, hundredths(high*enlarged), stripWide, hundredths(high))
	what := map[circuit.StripKind]string{circuit.Solderless: "on a solderless board, without solder",
		circuit.StripBoard: "on strip board, seen from the parts' side; the strips are below"}[p.Strips.Kind]
	d.f("<title>%s: %s</title>\n<style>%s</style>", html.EscapeString(p.Board.Title), what, stripStyles)
	d.f(`<rect width="100%%" height="100%%" style="fill:#fff;stroke:none"/>`)
	d.words(stripWide/2, 4, "title", p.Board.Title)
	d.words(stripWide/2, 7, "", what)
	d.words(stripWide/2, 10, "grey",
		"Twice its size: the line below is 20 mm on the board. Simulated and rule-checked, not built.")
	d.f(`<g transform="translate(%g %g)">`, stripLeft, stripTop-pitch/2)
	d.board()
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
	d.f("</g>")
	d.legend(stripTop + float64(p.Strips.Rows+1)*pitch + 4)
	d.f("</svg>")
	return d.out.String()
}

func (d *stripDrawing) f(format string, args ...any) { fmt.Fprintf(&d.out, format+"\n", args...) }

func (d *stripDrawing) words(x, y float64, class, words string) {
	d.f(`<text x="%s" y="%s" class="%s">%s</text>`, hundredths(x), hundredths(y), class, html.EscapeString(words))
}

func (d *stripDrawing) ring(class string, at point, words string) {
	d.f(`<circle class="%s" cx="%s" cy="%s" r="1"/>`, class, hundredths(at.x), hundredths(at.y))
	d.words(at.x, at.y+0.52, "", words)
}

// board draws the board: its edge, its metal, its holes with their numbers, its cuts.
func (d *stripDrawing) board() {
	wide, high := float64(d.Strips.Cols+1)*pitch, float64(d.Strips.Rows+1)*pitch
	d.f(`<rect class="edge" x="0" y="0" width="%s" height="%s"/>`, hundredths(wide), hundredths(high))
	for _, r := range d.pieces {
		d.f(`<rect class="metal" x="%s" y="%s" width="%s" height="%s"/>`, hundredths(r.low.x), hundredths(r.low.y),
			hundredths(r.high.x-r.low.x), hundredths(r.high.y-r.low.y))
	}
	for col := 1; col <= d.Strips.Cols; col++ {
		x := float64(col) * pitch
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
	for _, c := range d.Strips.Cuts {
		at := spot(hole(c))
		const arm = 0.8
		d.f(`<circle class="cut" cx="%s" cy="%s" r="%g"/>`, hundredths(at.x), hundredths(at.y), cutRadius/2)
		d.f(`<line class="cut" x1="%s" y1="%s" x2="%s" y2="%s"/>`, hundredths(at.x-arm), hundredths(at.y-arm),
			hundredths(at.x+arm), hundredths(at.y+arm))
	}
}

// rowName is what a row is called: letters and rails on a solderless board, numbers on strip board.
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
		return string(rune('a' + row - upperTop))
	case row >= midTop && row < midTop+fiveHoles:
		return string(rune('f' + row - midTop))
	}
	return ""
}

// holeName is what a hole is called.
func (p *StripPlan) holeName(h Hole) string {
	switch name := p.rowName(h.Row); {
	case p.Strips.Kind != circuit.Solderless:
		return fmt.Sprintf("%d,%d", h.Col, h.Row)
	case name == "+" || name == "-":
		return fmt.Sprintf("upper rail %s, at %d", name, h.Col)
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
			out := point{at.x + 1.3*sideOf(at.x-middle.x), at.y + 1.3*sideOf(at.y-middle.y)}
			if part.Type.Kind == circuit.Opto {
				out.y = at.y
			}
			d.words(out.x, out.y+0.5, "", name)
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
	if part.Type.Kind == circuit.Opto { // the notch is between the first leg and the last
		first, last := legs[0], legs[len(legs)-1]
		at := point{(first.x + last.x) / 2, (first.y + last.y) / 2}
		at.x = middle.x + sideOf(at.x-middle.x)*((r.high.x-r.low.x)/2-0.9)
		at.y = middle.y + sideOf(at.y-middle.y)*((r.high.y-r.low.y)/2-0.9)
		d.f(`<circle cx="%s" cy="%s" r="0.5"/>`, hundredths(at.x), hundredths(at.y))
	}
	if mark != (rect{}) {
		d.f(`<line class="mark" x1="%s" y1="%s" x2="%s" y2="%s"/>`, hundredths(mark.low.x), hundredths(mark.low.y),
			hundredths(mark.high.x), hundredths(mark.high.y))
	}
	d.caption(part, r, middle)
}

// caption writes what a part is into its body, along its longer side, as large as it fits, and beside legs that come
// out of it.
func (d *stripDrawing) caption(part *circuit.Part, r rect, middle point) {
	words := strings.TrimSpace(part.Ref + " " + part.Value)
	wide, high := r.high.x-r.low.x, r.high.y-r.low.y
	upright := high > wide+0.5
	const largest, filled = 1.5, 0.94
	size := min(largest, filled*largest*max(wide, high)/circuit.TextWide(words, largest))
	switch part.Type.Kind {
	case circuit.NPN: // on the side that is not flat
		from, to := r.side(thickSide(part))
		middle.x -= 0.6 * ((from.x+to.x)/2 - middle.x)
		middle.y -= 0.6 * ((from.y+to.y)/2 - middle.y)
	case circuit.Trimmer:
		middle.y += 2.6
	}
	turn := ""
	if upright {
		turn = fmt.Sprintf(` transform="rotate(-90 %s %s)"`, hundredths(middle.x), hundredths(middle.y))
	}
	d.f(`<text x="%s" y="%s" style="font-size:%spx"%s>%s</text>`, hundredths(middle.x), hundredths(middle.y+0.35*size),
		hundredths(size), turn, html.EscapeString(words))
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
		return fmt.Sprintf("kill switch, contact %s (%s)", name, l.Net)
	case part.Type.Kind == circuit.LED:
		return fmt.Sprintf("emitter, %s (%s)", name, l.Net)
	case part.Type.Kind == circuit.Phototransistor:
		return fmt.Sprintf("receiver, %s (%s)", name, l.Net)
	case part.Type.Name == "header":
		return "controller, " + l.Net
	}
	return "flash unit, " + l.Net
}

// legend lists leads and wires, and has a ruler.
func (d *stripDrawing) legend(y float64) {
	d.f(`<line class="edge" x1="80" y1="%s" x2="100" y2="%s"/>`, hundredths(y), hundredths(y))
	d.words(90, y+2, "grey", "20 mm on the board")
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

// StripList lists, for each way, where each leg, lead and wire goes, as a table for the guide.
func StripList(p *StripPlan) string {
	var out strings.Builder
	out.WriteString("| what | value | holes |\n|---|---|---|\n")
	for _, part := range p.parts {
		pins, holes := part.Legs()
		var words []string
		for i, pin := range pins {
			name := part.PinName(pin)
			words = append(words, strings.TrimSpace(name+" "+p.holeName(hole(holes[i]))))
		}
		fmt.Fprintf(&out, "| %s | %s | %s |\n", part.Ref, cmp.Or(part.Value, strings.ReplaceAll(part.Type.Name, "_", " ")),
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
