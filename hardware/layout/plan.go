package layout

import (
	"fmt"
	"html"
	"math"
	"slices"
	"strings"

	"stillwater/hardware/circuit"
)

// The sheets of the plans are A4 landscape.
const (
	sheetWidth, sheetHeight = 297.0, 210.0
	sheetTop                = 54.0 // above the board
)

// PartsSide draws the plan from the component side, at true size: SVG, millimetres.
func (p *Plan) PartsSide() string { return p.partsSide().svg() }

func (p *Plan) partsSide() *drawing {
	d := p.drawing("parts", false)
	d.zones()
	for _, part := range p.Board.Parts {
		d.part(part)
	}
	d.names()
	d.leads()
	return d
}

// SolderSide draws the plan from the solder side, the board turned over left to right: legs, bare wires as thick lines,
// insulated ones as thin lines with a number at both ends.
func (p *Plan) SolderSide() string { return p.solderSide().svg() }

func (p *Plan) solderSide() *drawing {
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
	return d
}

// drawing is a sheet being drawn.
type drawing struct {
	*Plan
	side   string
	turned bool // seen from the solder side
	corner point
	out    strings.Builder
	texts  []text
	busy   []rect // keep-out areas of texts
}

// text is one text: its middle, size, orientation and style.
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

const planStyles = `text{font-family:Arial,Helvetica,sans-serif;text-anchor:middle;fill:#000}
.title{font-weight:bold}.grey{fill:#666}.zone{fill:#a03000;font-style:italic}
line,polyline,rect,circle{fill:none;stroke:#222;stroke-width:.2}
.hole{fill:#bbb;stroke:none}.leg{fill:#222;stroke:none}.body{fill:#fff;fill-opacity:.75}.ghost{stroke:#bbb}
.mark{stroke-width:.6}.edge{stroke-width:.35}.pillar{stroke:#888;stroke-dasharray:.8 .8}
.run{stroke:#444;stroke-width:.9;stroke-linejoin:round;stroke-linecap:round}
.link{stroke:#00418a;stroke-width:.3;stroke-dasharray:1.6 .7}.number{fill:#fff;stroke:#00418a}
.group{fill:#f6e3da;stroke:none}.barrier{stroke:#a03000;stroke-dasharray:2 1.2;stroke-width:.3}`

func (p *Plan) drawing(side string, turned bool) *drawing {
	d := &drawing{Plan: p, side: side, turned: turned, corner: point{(sheetWidth - p.Board.Width) / 2, sheetTop}}
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

func hundredths(x float64) string { return formatFixed(x, 2) }

func (d *drawing) rect(class string, r rect) {
	d.f(`<rect class="%s" x="%s" y="%s" width="%s" height="%s"/>`, class, hundredths(r.low.x),
		hundredths(r.low.y), hundredths(r.high.x-r.low.x), hundredths(r.high.y-r.low.y))
}

func (d *drawing) circle(class string, at point, radius float64) {
	d.f(`<circle class="%s" cx="%s" cy="%s" r="%s"/>`, class, hundredths(at.x), hundredths(at.y), hundredths(radius))
}

func (d *drawing) line(class string, points ...point) {
	var list []string
	for _, p := range points {
		list = append(list, hundredths(p.x)+","+hundredths(p.y))
	}
	d.f(`<polyline class="%s" points="%s"/>`, class, strings.Join(list, " "))
}

func (d *drawing) write(t text) { d.texts = append(d.texts, t) }

// put writes a text at the first free place, and reports whether there was one.
func (d *drawing) put(t text, places ...point) bool {
	for _, at := range places {
		t.at = at
		box := t.box()
		written := func(o text) bool { return box.touches(o.box()) }
		if !slices.ContainsFunc(d.busy, box.touches) && !slices.ContainsFunc(d.texts, written) {
			d.write(t)
			return true
		}
	}
	return false
}

// frame draws what both sides share: titles, ruler, the board's edge, holes and their numbers, pillars.
func (d *drawing) frame() {
	b := d.Board
	what := map[string]string{"parts": "the parts' side",
		"solder": "the solder side, as it looks when the board is turned over"}
	d.write(text{b.Title + ": " + what[d.side], point{sheetWidth / 2, 10}, 4, false, "title"})
	d.write(text{fmt.Sprintf("%g x %g mm, %d x %d holes, %.2f mm apart. Simulated and rule-checked, not built.", b.Width,
		b.Height, d.Cols, d.Rows, pitch), point{sheetWidth / 2, 16}, 2.6, false, "grey"})
	d.write(text{map[string]string{
		"parts": "Square legs: pin 1, plus or cathode. Thick sides: a transistor's flat face, a FET's metal tab. Names " +
			"beside the edge: what leads carry. Tinted: isolated groups; within the dashed line around them no wire but theirs.",
		"solder": "Thick: bare wire, soldered at each pad that it passes. Thin, numbered: insulated wire from pad to pad. " +
			"Square legs: pin 1.",
	}[d.side], point{sheetWidth / 2, 20.5}, 2.2, false, "grey"})
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
	for _, at := range d.pillars() {
		d.circle("pillar", d.at(at), 1.6)
		d.circle("pillar", d.at(at), pillarRadius)
	}
}

// ruler draws 50 mm to be measured on the print.
func (d *drawing) ruler() {
	x, y := sheetWidth/2-25, d.corner.y+d.Board.Height+38
	d.line("edge", point{x, y}, point{x + 50, y})
	for mm := 0.0; mm <= 50; mm += 10 {
		d.line("edge", point{x + mm, y - 1.5}, point{x + mm, y})
	}
	d.write(text{"Measure this on the print: 50 mm, or nothing here is to scale.", point{sheetWidth / 2, y + 3},
		2.4, false, ""})
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
		name := text{words: barrierName(g.Name), size: 1.7, class: "zone"}
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

// ghost draws a part's outline and name faintly.
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
		d.beside(part, part.Ref, "grey")
	}
}

// part draws a part's outline with its marks.
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
		d.sign(signOf(part), legs[0], middle)
	case circuit.NPN, circuit.PNP, circuit.Thyristor, circuit.NMOS, circuit.PMOS:
		from, to := r.side(thickSide(part))
		d.line("mark", from, to)
		d.pinNames(part, legs)
	case circuit.Electrolytic, circuit.Battery, circuit.LED:
		if !part.TakesLeads() && !d.sign(signOf(part), legs[0], middle) {
			d.write(text{words: signOf(part), size: signSize, at: legs[0]}) // a test finds that it lies on the leg
		}
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
		d.circle("notch", notch, 0.6)
		d.busy = append(d.busy, around(notch, 1.2, 1.2))
	}
}

const signSize = 1.8

// sign writes plus or cathode beside a leg, on its side away from the part's middle if it can be, and reports whether
// there was room.
func (d *drawing) sign(words string, at, middle point) bool {
	const off = 1.7
	far := math.Hypot(at.x-middle.x, at.y-middle.y)
	away := point{at.x + (at.x-middle.x)/far*off, at.y + (at.y-middle.y)/far*off}
	return d.put(text{words: words, size: signSize}, away, point{at.x + off, at.y}, point{at.x - off, at.y},
		point{at.x, at.y - off}, point{at.x, at.y + off})
}

// band is the ring at a diode's cathode.
func (d *drawing) band(r rect, cathode, middle point) {
	const in = 0.9
	ring := rect{point{r.low.x, r.high.y - in}, point{r.high.x, r.high.y - in}}
	switch {
	case cathode.x < middle.x-1:
		ring = rect{point{r.low.x + in, r.low.y}, point{r.low.x + in, r.high.y}}
	case cathode.x > middle.x+1:
		ring = rect{point{r.high.x - in, r.low.y}, point{r.high.x - in, r.high.y}}
	case cathode.y < middle.y:
		ring = rect{point{r.low.x, r.low.y + in}, point{r.high.x, r.low.y + in}}
	}
	d.line("mark", ring.low, ring.high)
	d.busy = append(d.busy, ring)
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

// names writes what each part is called and what it is: in its body, or what does not fit there beside it.
func (d *drawing) names() {
	left := map[*circuit.Part]string{}
	for _, part := range d.Board.Parts {
		what := part.Printed()
		both := part.Ref + " " + what
		switch {
		case d.within(part, both, 1.6, 1.4, 1.25):
		case d.within(part, part.Ref, 1.6, 1.25):
			left[part] = what
		default:
			left[part] = both
		}
	}
	for _, part := range d.Board.Parts {
		if words := left[part]; words != "" {
			d.beside(part, words, "")
		}
	}
}

// within writes words in a part's body in the first size that fits, horizontally or vertically.
func (d *drawing) within(part *circuit.Part, words string, sizes ...float64) bool {
	r := d.on(d.body(part))
	for _, size := range sizes {
		for _, turn := range []bool{false, true} {
			for _, off := range []point{{}, {0, 1.9}, {0, -1.9}, {1.9, 0}, {-1.9, 0}} {
				t := text{words: words, size: size, turn: turn}
				t.at = point{(r.low.x+r.high.x)/2 + off.x, (r.low.y+r.high.y)/2 + off.y}
				if r.holds(t.box(), 2*epsilon) && d.put(t, t.at) {
					return true
				}
			}
		}
	}
	return false
}

// beside writes words near a part's body: clear of other parts if possible, else over their outlines.
func (d *drawing) beside(part *circuit.Part, words, class string) {
	free := d.busy
	for _, o := range d.Board.Parts {
		if o != part {
			d.busy = append(d.busy, d.on(d.body(o)))
		}
	}
	if d.near(part, words, class, sides) {
		d.busy = free
		return
	}
	if d.busy = free; !d.near(part, words, class, sides) && !d.near(part, words, class, between) {
		r := d.on(d.body(part)) // a test finds overlaps
		d.write(text{words, point{(r.low.x + r.high.x) / 2, (r.low.y + r.high.y) / 2}, 1.25, false, class})
	}
}

// Where words stand beside a body, from its middle: at its sides and corners, or between these and further off.
var (
	sides   = [][2]float64{{0, -1}, {0, 1}, {1, 0}, {-1, 0}, {1, -1}, {-1, -1}, {1, 1}, {-1, 1}}
	between = [][2]float64{{0.5, -1}, {-0.5, -1}, {0.5, 1}, {-0.5, 1}, {1, 0.5}, {1, -0.5}, {-1, 0.5}, {-1, -0.5},
		{0, -1.5}, {0, 1.5}, {1.3, 0}, {-1.3, 0}, {0.5, -1.5}, {-0.5, -1.5}, {0.5, 1.5}, {-0.5, 1.5}}
)

func (d *drawing) near(part *circuit.Part, words, class string, where [][2]float64) bool {
	r := d.on(d.body(part))
	c := point{(r.low.x + r.high.x) / 2, (r.low.y + r.high.y) / 2}
	for _, size := range []float64{1.6, 1.4, 1.25} {
		for _, turn := range []bool{false, true} {
			t := text{words: words, size: size, turn: turn, class: class}
			b := t.box()
			x, y := (r.high.x-r.low.x+b.high.x-b.low.x)/2+0.3, (r.high.y-r.low.y+b.high.y-b.low.y)/2+0.3
			var places []point
			for _, to := range where {
				places = append(places, point{c.x + to[0]*x, c.y + to[1]*y})
			}
			if d.put(t, places...) {
				return true
			}
		}
	}
	return false
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
	for _, side := range []float64{1.7, -1.7, 2.3, -2.3} {
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
		"\n<style>%s</style>\n<rect width=\"100%%\" height=\"100%%\" style=\"fill:#fff;stroke:none\"/>\n", sheetWidth,
		sheetHeight, sheetWidth, sheetHeight, planStyles)
	out.WriteString(d.out.String())
	for _, t := range d.texts {
		if t.class == "on-link" {
			fmt.Fprintf(&out, `<circle class="number" cx="%s" cy="%s" r="1.25"/>`+"\n", hundredths(t.at.x), hundredths(t.at.y))
		}
		turn := ""
		if t.turn {
			turn = fmt.Sprintf(` transform="rotate(-90 %s %s)"`, hundredths(t.at.x), hundredths(t.at.y))
		}
		fmt.Fprintf(&out, `<text class="%s" x="%s" y="%s" font-size="%s"%s>%s</text>`+"\n", t.class, hundredths(t.at.x),
			hundredths(t.at.y+0.36*t.size), hundredths(t.size), turn, html.EscapeString(t.words))
	}
	out.WriteString("</svg>\n")
	return out.String()
}
