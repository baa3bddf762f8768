package layout

import (
	"cmp"
	"fmt"
	"html"
	"math"
	"slices"
	"strings"

	"stillwater/internal/circuit"
)

// The sheets of the plans are A4, lying.
const (
	sheetWide, sheetHigh = 297.0, 210.0
	sheetTop             = 54.0 // above the board
)

// PartsSide draws the plan as one looks at the parts, at true size: SVG, millimetres.
func (p *Plan) PartsSide() string {
	d := p.drawing("parts", false)
	d.zones()
	for _, part := range p.Board.Parts {
		d.part(part)
	}
	for _, part := range p.Board.Parts {
		d.name(part)
	}
	d.leads()
	return d.svg()
}

// SolderSide draws the plan as it looks when the board is turned over left to right: legs, bare wires as thick lines,
// insulated ones as thin lines with a number at both ends.
func (p *Plan) SolderSide() string {
	d := p.drawing("solder", true)
	d.zones()
	for _, part := range p.Board.Parts {
		d.ghost(part)
	}
	for _, r := range p.Runs {
		var corners []point
		for _, h := range r.Corners {
			corners = append(corners, d.at(p.hole(h)))
		}
		d.line("run", corners...)
	}
	for _, l := range p.Links {
		d.line("link", d.at(p.hole(l.From)), d.at(p.hole(l.To)))
	}
	for _, l := range p.Legs {
		d.leg(l, l.Pin == "1")
	}
	d.numbers()
	d.leads()
	return d.svg()
}

// drawing is one sheet in the making.
type drawing struct {
	*Plan
	side   string
	turned bool // seen from the solder side
	corner point
	out    strings.Builder
	texts  []text
	busy   []rect // where no text may be
}

// text is one text: its middle, its size, whether it stands on end, how it looks.
type text struct {
	words string
	at    point
	size  float64
	turn  bool
	class string
}

func (t text) box() rect {
	wide, high := circuit.TextWide(t.words, t.size), t.size
	if t.turn {
		wide, high = high, wide
	}
	return around(t.at, wide, high)
}

const planStyles = `text{font-family:Arial,Helvetica,sans-serif;text-anchor:middle;fill:#000}.title{font-weight:bold}.grey{fill:#666}` +
	`.zone{fill:#a03000;font-style:italic}line,polyline,rect,circle,path{fill:none;stroke:#222;stroke-width:.2}` +
	`.hole{fill:#bbb;stroke:none}.leg{fill:#222;stroke:none}.body{fill:#fff;fill-opacity:.75}.ghost{stroke:#bbb}.mark{stroke-width:.6}` +
	`.edge{stroke-width:.35}.run{stroke:#444;stroke-width:.9;stroke-linejoin:round;stroke-linecap:round}` +
	`.link{stroke:#00418a;stroke-width:.3;stroke-dasharray:1.6 .7}.number{fill:#fff;stroke:#00418a}` +
	`.group{fill:#f6e3da;stroke:none}.barrier{stroke:#a03000;stroke-dasharray:2 1.2;stroke-width:.3}.pillar{stroke:#888;stroke-dasharray:.8 .8}`

func (p *Plan) drawing(side string, turned bool) *drawing {
	d := &drawing{Plan: p, side: side, turned: turned, corner: point{(sheetWide - p.Board.Width) / 2, sheetTop}}
	d.frame()
	for _, l := range p.Legs {
		d.busy = append(d.busy, around(d.at(p.hole(l.At)), 1.3, 1.3))
	}
	return d
}

// at is where a point of the board is on the sheet.
func (d *drawing) at(p point) point {
	if d.turned {
		p.x = d.Board.Width - p.x
	}
	return point{d.corner.x + p.x, d.corner.y + p.y}
}

// on is where a rectangle of the board is on the sheet.
func (d *drawing) on(r rect) rect {
	a, b := d.at(r.low), d.at(r.high)
	return rect{point{min(a.x, b.x), a.y}, point{max(a.x, b.x), b.y}}
}

func (d *drawing) f(format string, args ...any) { fmt.Fprintf(&d.out, format+"\n", args...) }

func (d *drawing) rect(class string, r rect) {
	d.f(`<rect class="%s" x="%.2f" y="%.2f" width="%.2f" height="%.2f"/>`, class, r.low.x, r.low.y, r.high.x-r.low.x,
		r.high.y-r.low.y)
}

func (d *drawing) circle(class string, at point, radius float64) {
	d.f(`<circle class="%s" cx="%.2f" cy="%.2f" r="%.2f"/>`, class, at.x, at.y, radius)
}

func (d *drawing) line(class string, points ...point) {
	var list []string
	for _, p := range points {
		list = append(list, fmt.Sprintf("%.2f,%.2f", p.x, p.y))
	}
	d.f(`<polyline class="%s" points="%s"/>`, class, strings.Join(list, " "))
}

func (d *drawing) write(t text) { d.texts = append(d.texts, t) }

// put writes a text at the first place where nothing is in its way, and tells whether there was one.
func (d *drawing) put(t text, places ...point) bool {
	for _, at := range places {
		t.at = at
		box := t.box()
		meets := func(r rect) bool { return r.gap(box) == 0 }
		if !slices.ContainsFunc(d.busy, meets) && !slices.ContainsFunc(d.texts, func(o text) bool { return meets(o.box()) }) {
			d.write(t)
			return true
		}
	}
	return false
}

// frame is what both sides share: titles, ruler, the board's edge, holes and their numbers, pillars.
func (d *drawing) frame() {
	b := d.Board
	what := map[string]string{"parts": "the parts' side", "solder": "the solder side, as it looks when the board is turned over"}
	d.write(text{b.Title + ": " + what[d.side], point{sheetWide / 2, 10}, 4, false, "title"})
	d.write(text{fmt.Sprintf("%g x %g mm, %d x %d holes, %.2f mm apart. Simulated and rule-checked, not built.", b.Width,
		b.Height, d.Cols, d.Rows, pitch), point{sheetWide / 2, 16}, 2.6, false, "grey"})
	d.write(text{map[string]string{
		"parts": "Square legs: pin 1, plus or cathode. Names beside the edge: what the leads carry. " +
			"Tinted: isolated groups; no copper and no wire within the dashed line around them but theirs.",
		"solder": "Thick: bare wire, soldered at each pad that it passes. Thin, numbered: insulated wire from pad to pad. " +
			"Square legs: pin 1.",
	}[d.side], point{sheetWide / 2, 20.5}, 2.2, false, "grey"})
	d.ruler()
	d.rect("edge", d.on(rect{point{}, point{b.Width, b.Height}}))
	for col := 1; col <= d.Cols; col++ {
		for row := 1; row <= d.Rows; row++ {
			if d.inside(Hole{col, row}) {
				d.circle("hole", d.at(d.hole(Hole{col, row})), 0.22)
			}
		}
	}
	for col := 1; col <= d.Cols; col++ {
		if at := d.at(d.hole(Hole{col, 1})); col == 1 || col%5 == 0 {
			d.write(text{fmt.Sprint(col), point{at.x, d.corner.y - 1.8}, 1.6, false, "grey"})
			d.write(text{fmt.Sprint(col), point{at.x, d.corner.y + b.Height + 1.8}, 1.6, false, "grey"})
		}
	}
	for row := 1; row <= d.Rows; row++ {
		if at := d.at(d.hole(Hole{1, row})); row == 1 || row%5 == 0 {
			d.write(text{fmt.Sprint(row), point{d.corner.x - 2.2, at.y}, 1.6, false, "grey"})
			d.write(text{fmt.Sprint(row), point{d.corner.x + b.Width + 2.2, at.y}, 1.6, false, "grey"})
		}
	}
	for _, at := range []point{{pillar, pillar}, {b.Width - pillar, pillar}, {pillar, b.Height - pillar},
		{b.Width - pillar, b.Height - pillar}} {
		d.circle("pillar", d.at(at), 1.6)
		d.circle("pillar", d.at(at), 3.5)
	}
}

// ruler is 50 mm to be measured on the print.
func (d *drawing) ruler() {
	x, y := sheetWide/2-25, d.corner.y+d.Board.Height+38
	d.line("edge", point{x, y}, point{x + 50, y})
	for mm := 0.0; mm <= 50; mm += 10 {
		d.line("edge", point{x + mm, y - 1.5}, point{x + mm, y})
	}
	d.write(text{"Measure this on the print: 50 mm, or nothing here is to scale.", point{sheetWide / 2, y + 3}, 2.4, false,
		""})
}

// zones tints the isolated groups and draws the barrier around them.
func (d *drawing) zones() {
	zones := d.Plan.zones()
	for _, g := range d.Board.Groups {
		z, isolated := zones[g.Name]
		if !isolated {
			continue
		}
		grown := func(by float64) rect {
			return d.on(rect{point{z.low.x - by, z.low.y - by}, point{min(z.high.x+by, d.Board.Width), z.high.y + by}})
		}
		d.rect("group", grown(padRadius))
		far := grown(padRadius + Barrier)
		d.rect("barrier", far)
		name := text{words: fmt.Sprintf("%s: %g mm to all else", g.Name, Barrier), size: 1.7, class: "zone"}
		middle := (far.low.x + far.high.x) / 2
		d.put(name, point{middle, far.high.y - 1.6}, point{middle, far.low.y + 1.6}, point{middle - 6, far.high.y - 1.6},
			point{middle - 6, far.low.y + 1.6}, point{middle, far.high.y - 3.6}, point{middle, far.low.y + 3.6},
			point{middle - 10, far.high.y - 3.6}, point{middle - 10, far.low.y + 3.6})
	}
}

func (d *drawing) leg(l Leg, first bool) {
	at := d.at(d.hole(l.At))
	if first {
		d.rect("leg", around(at, 1.1, 1.1))
		return
	}
	d.circle("leg", at, 0.55)
}

// ghost is a part's outline and name, faint.
func (d *drawing) ghost(part *circuit.Part) {
	r := d.on(d.body(part))
	d.rect("ghost", r)
	middle := point{(r.low.x + r.high.x) / 2, (r.low.y + r.high.y) / 2}
	t := text{words: part.Ref, size: 1.5, class: "grey"}
	if d.put(t, middle) {
		return
	}
	t.turn = true
	if !d.put(t, middle) {
		d.beside(part, []string{part.Ref}, "grey")
	}
}

// part is a part's outline with its marks.
func (d *drawing) part(part *circuit.Part) {
	r := d.on(d.body(part))
	pins, holes := part.Legs()
	var legs []point
	for _, h := range holes {
		legs = append(legs, d.at(d.hole(Hole{h[0], h[1]})))
	}
	if len(legs) == 2 {
		d.line("", legs...)
	}
	d.rect("body", r)
	for i, pin := range pins {
		d.leg(Leg{part.Ref, pin, "", Hole{holes[i][0], holes[i][1]}}, i == 0)
	}
	middle := point{(r.low.x + r.high.x) / 2, (r.low.y + r.high.y) / 2}
	switch k := part.Type.Kind; k {
	case circuit.Diode, circuit.Zener, circuit.TVS:
		d.band(r, legs[0], middle)
	case circuit.NPN, circuit.PNP, circuit.NMOS, circuit.PMOS:
		d.pinNames(part, legs)
	case circuit.Electrolytic, circuit.Battery:
		away := point{2*legs[0].x - middle.x, 2*legs[0].y - middle.y}
		far := math.Hypot(legs[0].x-middle.x, legs[0].y-middle.y)
		off := point{legs[0].x + (legs[0].x-middle.x)/far*1.5, legs[0].y + (legs[0].y-middle.y)/far*1.5}
		d.put(text{words: "+", size: 2, class: ""}, off, away, point{legs[0].x + 1.6, legs[0].y}, point{legs[0].x, legs[0].y - 1.6},
			point{legs[0].x - 1.6, legs[0].y}, point{legs[0].x, legs[0].y + 1.6})
	case circuit.Opto, circuit.Comparator, circuit.OpAmp, circuit.Timer:
		first, last := legs[0], legs[len(legs)-1] // the notch is between them
		notch := point{(first.x + last.x) / 2, (first.y + last.y) / 2}
		const in = 0.9
		switch {
		case first.x == last.x && notch.x > middle.x:
			notch.x = r.high.x - in
		case first.x == last.x:
			notch.x = r.low.x + in
		case notch.y > middle.y:
			notch.y = r.high.y - in
		default:
			notch.y = r.low.y + in
		}
		d.circle("", notch, 0.6)
		d.busy = append(d.busy, around(notch, 1.2, 1.2))
	}
}

// band is the ring at a diode's cathode.
func (d *drawing) band(r rect, cathode, middle point) {
	const in = 1.1
	switch {
	case cathode.x < middle.x-1:
		d.line("mark", point{r.low.x + in, r.low.y}, point{r.low.x + in, r.high.y})
	case cathode.x > middle.x+1:
		d.line("mark", point{r.high.x - in, r.low.y}, point{r.high.x - in, r.high.y})
	case cathode.y < middle.y:
		d.line("mark", point{r.low.x, r.low.y + in}, point{r.high.x, r.low.y + in})
	default:
		d.line("mark", point{r.low.x, r.high.y - in}, point{r.high.x, r.high.y - in})
	}
}

// pinNames writes the names of a transistor's legs beside them.
func (d *drawing) pinNames(part *circuit.Part, legs []point) {
	r := d.on(d.body(part))
	pins, _ := part.Legs()
	for i, at := range legs {
		t := text{words: part.PinName(pins[i]), size: 1.4}
		if legs[0].y == legs[1].y {
			d.put(t, point{at.x, r.low.y - 0.9}, point{at.x, r.high.y + 0.9}, point{at.x, at.y - 1.4}, point{at.x, at.y + 1.4})
			continue
		}
		d.put(t, point{r.low.x - 0.9, at.y}, point{r.high.x + 0.9, at.y}, point{at.x - 1.4, at.y}, point{at.x + 1.4, at.y})
	}
}

// name writes what a part is called and what it is: in its body, or beside it.
func (d *drawing) name(part *circuit.Part) {
	r := d.on(d.body(part))
	both := part.Ref + " " + cmp.Or(part.Value, strings.ReplaceAll(part.Type.Name, "_", " "))
	inside := func(words string, size float64) bool {
		for _, turn := range []bool{false, true} {
			t := text{words: words, size: size, turn: turn}
			t.at = point{(r.low.x + r.high.x) / 2, (r.low.y + r.high.y) / 2}
			if b := t.box(); b.low.x > r.low.x && b.high.x < r.high.x && b.low.y > r.low.y && b.high.y < r.high.y {
				if d.put(t, t.at) {
					return true
				}
			}
		}
		return false
	}
	for _, size := range []float64{1.6, 1.4, 1.25} {
		if inside(both, size) {
			return
		}
	}
	if inside(part.Ref, 1.6) || inside(part.Ref, 1.25) {
		return
	}
	d.beside(part, []string{both, part.Ref}, "")
}

// beside writes one of some names near a part's body, the first that fits anywhere.
func (d *drawing) beside(part *circuit.Part, names []string, class string) {
	r := d.on(d.body(part))
	c := point{(r.low.x + r.high.x) / 2, (r.low.y + r.high.y) / 2}
	for _, words := range names {
		for _, size := range []float64{1.6, 1.4, 1.25} {
			for _, turn := range []bool{false, true} {
				t := text{words: words, size: size, turn: turn, class: class}
				b := t.box()
				wide, high := (b.high.x-b.low.x)/2, (b.high.y-b.low.y)/2
				x, y := (r.high.x-r.low.x)/2+wide+0.3, (r.high.y-r.low.y)/2+high+0.3
				if d.put(t, point{c.x, c.y - y}, point{c.x, c.y + y}, point{c.x + x, c.y}, point{c.x - x, c.y},
					point{c.x + x, c.y - y}, point{c.x - x, c.y - y}, point{c.x + x, c.y + y}, point{c.x - x, c.y + y},
					point{c.x, c.y - y - 1.7}, point{c.x, c.y + y + 1.7}) {
					return
				}
			}
		}
	}
	d.write(text{part.Ref, c, 1.25, false, class}) // a test finds what it lies on
}

// leads names, beside the edge, what comes to each way of a terminal.
func (d *drawing) leads() {
	b := d.on(rect{point{}, point{d.Board.Width, d.Board.Height}})
	for _, part := range d.Board.Parts {
		if !part.TakesLeads() {
			continue
		}
		pins, holes := part.Legs()
		for i, pin := range pins {
			words := d.leadName(part, pin)
			at := d.at(d.hole(Hole{holes[i][0], holes[i][1]}))
			t := text{words: words, size: 1.7}
			half := circuit.TextWide(words, t.size) / 2
			switch facing := part.Facing; {
			case facing == 90:
				t.turn, t.at = true, point{at.x, b.low.y - 3.4 - half}
			case facing == 270:
				t.turn, t.at = true, point{at.x, b.high.y + 3.4 + half}
			case (facing == 0) != d.turned:
				t.at = point{b.low.x - 4.4 - half, at.y}
			default:
				t.at = point{b.high.x + 4.4 + half, at.y}
			}
			d.write(t)
		}
	}
}

// leadName is the net of a terminal's way, or the leg of what hangs on the lead.
func (d *drawing) leadName(part *circuit.Part, pin string) string {
	if part.Type.Kind == circuit.Terminal {
		return part.Pins[pin]
	}
	return fmt.Sprintf("%s %s (%s)", part.Ref, part.PinName(pin), strings.ReplaceAll(part.Type.Name, "_", " "))
}

// numbers marks both ends of each insulated wire.
func (d *drawing) numbers() {
	for i, l := range d.Links {
		a, b := d.at(d.hole(l.From)), d.at(d.hole(l.To))
		d.number(i+1, a, b)
		d.number(i+1, b, a)
	}
}

// number writes a wire's number near one end, on the wire where it can be.
func (d *drawing) number(n int, end, other point) {
	long := math.Hypot(other.x-end.x, other.y-end.y)
	t := text{words: fmt.Sprint(n), size: 1.5, class: "on-link"}
	var places []point
	for _, mm := range []float64{2.2, 2.8, 3.6, 4.6, 5.6, 7, 9} {
		places = append(places, point{end.x + (other.x-end.x)*mm/long, end.y + (other.y-end.y)*mm/long})
	}
	for _, side := range []float64{1.7, -1.7} {
		for _, mm := range []float64{2, 3, 4.5, 6} {
			x, y := (other.x-end.x)/long, (other.y-end.y)/long
			places = append(places, point{end.x + x*mm - y*side, end.y + y*mm + x*side})
		}
	}
	if !d.put(t, places...) {
		t.at = places[0]
		d.write(t)
	}
}

func (d *drawing) svg() string {
	var out strings.Builder
	fmt.Fprintf(&out, `<svg xmlns="http://www.w3.org/2000/svg" width="%gmm" height="%gmm" viewBox="0 0 %g %g">`+
		"\n<style>%s</style>\n<rect width=\"100%%\" height=\"100%%\" style=\"fill:#fff;stroke:none\"/>\n", sheetWide, sheetHigh,
		sheetWide, sheetHigh, planStyles)
	out.WriteString(d.out.String())
	for _, t := range d.texts {
		if t.class == "on-link" {
			fmt.Fprintf(&out, `<circle class="number" cx="%.2f" cy="%.2f" r="1.25"/>`+"\n", t.at.x, t.at.y)
		}
		turn := ""
		if t.turn {
			turn = fmt.Sprintf(` transform="rotate(-90 %.2f %.2f)"`, t.at.x, t.at.y)
		}
		fmt.Fprintf(&out, `<text class="%s" x="%.2f" y="%.2f" font-size="%.2f"%s>%s</text>`+"\n", t.class, t.at.x,
			t.at.y+0.36*t.size, t.size, turn, html.EscapeString(t.words))
	}
	out.WriteString("</svg>\n")
	return out.String()
}
