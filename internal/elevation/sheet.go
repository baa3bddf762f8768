package elevation

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"stillwater/internal/phys"
	"stillwater/internal/svg"
)

// Measures of the sheet in CSS pixels.
const (
	margin    = 6.0
	labelHigh = 50.0 // a finger needs 44, also where the drawing is shown a little smaller
	labelPad  = 6.0
	labelGap  = 4.0
	valueSize = 16.0
	nameSize  = 12.5
	noteSize  = 13.0
	noteLine  = 18.0
)

type point struct{ x, y float64 }

func (p point) plus(q point) point           { return point{p.x + q.x, p.y + q.y} }
func (p point) times(k float64) point        { return point{k * p.x, k * p.y} }
func between(p, q point) point               { return p.plus(q).times(0.5) }
func distance(p, q point) float64            { return math.Hypot(p.x-q.x, p.y-q.y) }
func direction(p, q point) point             { return q.plus(p.times(-1)).times(1 / max(distance(p, q), 1e-9)) }
func clamp(x, low, high float64) float64     { return max(low, min(x, high)) }
func moved(drawn, toScale float64) (is bool) { return math.Abs(drawn-toScale) > 0.5 }

// box is an upright rectangle.
type box struct{ x, y, wide, high float64 }

func (b box) middle() point { return point{b.x + b.wide/2, b.y + b.high/2} }

// around is the smallest box with b and p in it.
func (b box) around(p point) box {
	right, low := max(b.x+b.wide, p.x), max(b.y+b.high, p.y)
	b.x, b.y = min(b.x, p.x), min(b.y, p.y)
	b.wide, b.high = right-b.x, low-b.y
	return b
}

// pen writes shapes.
type pen struct {
	strings.Builder
	drawn *box
}

// path draws a path of absolute coordinates; polyline makes one.
func (p *pen) path(class, d string) { fmt.Fprintf(p, `<path class="%s" d="%s"/>`, class, d) }

func (p *pen) lines(class string, points ...point) {
	for _, q := range points {
		*p.drawn = p.drawn.around(q)
	}
	p.path(class, polyline(points...))
}

func (p *pen) circle(class string, at point, radius float64) {
	*p.drawn = p.drawn.around(at.plus(point{-radius, -radius})).around(at.plus(point{radius, radius}))
	fmt.Fprintf(p, `<circle class="%s" cx="%s" cy="%s" r="%s"/>`, class, svg.Number(at.x), svg.Number(at.y),
		svg.Number(radius))
}

// sign draws a path whose coordinates are relative to a point; radius says how far it reaches.
func (p *pen) sign(class string, at point, radius float64, d string) {
	*p.drawn = p.drawn.around(at.plus(point{-radius, -radius})).around(at.plus(point{radius, radius}))
	fmt.Fprintf(p, `<path class="%s" transform="translate(%s %s)" d="%s"/>`, class, svg.Number(at.x), svg.Number(at.y), d)
}

func polyline(points ...point) string {
	var d strings.Builder
	to := "M"
	for _, q := range points {
		d.WriteString(to + svg.Number(q.x) + " " + svg.Number(q.y))
		to = "L"
	}
	return d.String()
}

// sheet is what a drawing is made on.
type sheet struct {
	width, scale float64
	bottom       float64 // of what was drawn
	back         pen     // drawn shapes that belong to no dimension
	dims         []dimension
	boxes        []box
	drawn        box
}

func newSheet(width float64) *sheet {
	s := &sheet{width: width, drawn: box{x: width / 2, y: margin}}
	s.back.drawn = &s.drawn
	return s
}

// reach extends the drawing to include p.
func (s *sheet) reach(p point) {
	s.bottom = max(s.bottom, p.y)
	s.drawn = s.drawn.around(p)
}

// dimension is a length with its value, which can be pressed to change it.
type dimension struct {
	field, value, name string
	more               string // more of what is measured than the name says, for a screen reader
	full               string // the value, not rounded
	apart              bool   // not to scale
	wrong              bool   // why the set cannot work
	marks              *pen   // its lines
	tip                point  // where the label's leader ends
	noLead             bool
	box                box
}

// dimension adds a dimension; its label is put in place by a column or a row.
func (f *figure) dimension(field, value, full, name, more string) dimension {
	return dimension{field: field, value: svg.KeepUnits(value), full: svg.KeepUnits(full), name: name, more: more,
		marks: &pen{drawn: &f.drawn}, wrong: field == f.problem.Field}
}

// length is the dimension of a length.
func (f *figure) length(field string, l phys.Length, name, more string) dimension {
	return f.dimension(field, inLength(l), l.String(), name, more)
}

const longestValue = 92.0 // in a row, in CSS pixels: no set that was typed has a longer one

const wrongWords = "✕ cannot work"

func (d dimension) wide() float64 {
	wide := max(svg.Width(d.value, valueSize), svg.Width(d.name, nameSize))
	if d.wrong {
		wide = max(wide, svg.Width(wrongWords, nameSize))
	}
	return max(wide+2*labelPad, labelHigh)
}

// place puts a dimension on the sheet with its label in its box.
func (s *sheet) place(d dimension) {
	s.boxes = append(s.boxes, d.box)
	s.reach(point{d.box.x + d.box.wide, d.box.y + d.box.high})
	s.reach(point{d.box.x, d.box.y})
	s.dims = append(s.dims, d)
}

// column places dimensions one above the other near their tips, with the labels' edges at x: their left edges, or their
// right ones.
func (s *sheet) column(dims []dimension, x, top float64, right bool) {
	slices.SortStableFunc(dims, func(a, b dimension) int { return cmp.Compare(a.tip.y, b.tip.y) })
	wanted := make([]float64, len(dims))
	sizes := make([]float64, len(dims))
	for i, d := range dims {
		wanted[i], sizes[i] = d.tip.y-labelHigh/2, labelHigh
	}
	for i, y := range pack(wanted, sizes, top, math.Inf(1)) {
		d := dims[i]
		d.box = box{x, y, d.wide(), labelHigh}
		if right {
			d.box.x -= d.box.wide
		}
		s.place(d)
	}
}

// row places dimensions side by side near their tips.
func (s *sheet) row(dims []dimension, y float64) {
	slices.SortStableFunc(dims, func(a, b dimension) int { return cmp.Compare(a.tip.x, b.tip.x) })
	var wanted, sizes []float64
	for i := range dims {
		if svg.Width(dims[i].value, valueSize) > longestValue {
			dims[i].value = "?"
		}
		d := dims[i]
		wanted, sizes = append(wanted, d.tip.x-d.wide()/2), append(sizes, d.wide())
	}
	for i, x := range pack(wanted, sizes, margin, s.width-margin) {
		d := dims[i]
		d.box = box{x, y, d.wide(), labelHigh}
		s.place(d)
	}
}

// pack moves intervals of those sizes from where they are wanted as far as they must be, so that they stand in order
// between low and high with a gap.
func pack(wanted, sizes []float64, low, high float64) []float64 {
	at := make([]float64, len(wanted))
	for i := range at {
		at[i] = max(wanted[i], low)
		low = at[i] + sizes[i] + labelGap
	}
	for i := len(at) - 1; i >= 0; i-- {
		at[i] = min(at[i], high-sizes[i])
		high = at[i] - labelGap
	}
	return at
}

type anchor string

const (
	start  anchor = "start"
	middle anchor = "middle"
)

// words writes one line of text in a box.
func (s *sheet) words(p *pen, class string, size float64, text string, in box, a anchor) {
	s.boxes = append(s.boxes, in)
	s.reach(point{in.x, in.y})
	s.reach(point{in.x + in.wide, in.y + in.high})
	x := in.x
	if a == middle {
		x = in.middle().x
	}
	writeText(&p.Builder, class, size, text, point{x, in.y + in.high/2 + 0.36*size}, a)
}

func writeText(out *strings.Builder, class string, size float64, text string, at point, a anchor) {
	fmt.Fprintf(out, `<text class="%s" font-size="%s" x="%s" y="%s"`, class, svg.Number(size), svg.Number(at.x),
		svg.Number(at.y))
	if a != start {
		fmt.Fprintf(out, ` text-anchor="%s"`, a)
	}
	fmt.Fprintf(out, ">%s</text>", svg.Escape(text))
}

// group writes a dimension.
func (s *sheet) group(out *strings.Builder, d dimension, pressable bool) {
	class, say := "dim", d.value+" "+d.name // begins as it is written, so that it can be pressed by voice
	if d.apart {
		class += " apart"
	}
	if d.wrong {
		class += " wrong"
		say += " " + wrongWords
	}
	if d.more != "" {
		say += ", " + d.more
	}
	if d.full != d.value && !strings.HasSuffix(d.value, d.full) {
		say += ", " + d.full
	}
	if d.apart {
		say += ", not to scale"
	}
	fmt.Fprintf(out, `<g class="%s" data-field="%s"`, class, d.field)
	if pressable {
		fmt.Fprintf(out, ` role="button" tabindex="0" aria-label="%s: change"`, svg.Escape(say))
	}
	out.WriteString(">" + d.marks.String())
	if !d.noLead {
		(&pen{drawn: new(box)}).lead(out, d)
	}
	b := d.box
	fmt.Fprintf(out, `<rect class="hit" x="%s" y="%s" width="%s" height="%s" rx="4"/>`, svg.Number(b.x), svg.Number(b.y),
		svg.Number(b.wide), svg.Number(b.high))
	lines := []string{d.name}
	if d.wrong {
		lines = append(lines, wrongWords)
	}
	x, y := b.middle().x, b.y+b.high/2-7.5*float64(len(lines)-1)
	writeText(out, "value", valueSize, d.value, point{x, y - 2}, middle)
	for i, line := range lines {
		out.WriteString("\n") // words apart, for a screen reader
		writeText(out, "name", nameSize, line, point{x, y + 14 + 15*float64(i)}, middle)
	}
	out.WriteString("</g>")
}

// lead draws the leader from a label's edge to its tip.
func (p *pen) lead(out *strings.Builder, d dimension) {
	from := point{clamp(d.tip.x, d.box.x, d.box.x+d.box.wide), clamp(d.tip.y, d.box.y, d.box.y+d.box.high)}
	if distance(from, d.tip) < 2 {
		return
	}
	p.lines("lead", from, d.tip)
	out.WriteString(p.String())
}

// measure draws a dimension line from p to q with its end strokes; broken, with a break line in its middle.
func (p *pen) measure(from, to point, broken bool) {
	u := direction(from, to)
	tick := point{u.x - u.y, u.y + u.x}.times(4)
	if broken {
		at, n := between(from, to), point{-u.y, u.x}
		p.lines("thin", from, at.plus(u.times(-6)), at.plus(u.times(-2)).plus(n.times(5)),
			at.plus(u.times(2)).plus(n.times(-5)), at.plus(u.times(6)), to)
	} else {
		p.lines("thin", from, to)
	}
	for _, end := range []point{from, to} {
		p.lines("end", end.plus(tick.times(-1)), end.plus(tick))
	}
}

// nice is the largest of 1, 2 and 5 times a power of ten that is not more than x.
func nice(x float64) float64 {
	power := math.Pow(10, math.Floor(math.Log10(x)))
	for _, lead := range []float64{5, 2} {
		if lead*power <= x {
			return lead * power
		}
	}
	return power
}
