package circuit

import (
	"math"
	"strings"
)

// rect is an area of the sheet in millimetres, y downwards.
type rect struct{ x0, y0, x1, y1 float64 }

func (r rect) grow(by float64) rect { return rect{r.x0 - by, r.y0 - by, r.x1 + by, r.y1 + by} }

func (r rect) meets(o rect) bool { return r.x0 < o.x1 && o.x0 < r.x1 && r.y0 < o.y1 && o.y0 < r.y1 }

func (r rect) holds(o rect) bool { return r.x0 <= o.x0 && o.x1 <= r.x1 && r.y0 <= o.y0 && o.y1 <= r.y1 }

func (r rect) join(o rect) rect {
	return rect{min(r.x0, o.x0), min(r.y0, o.y0), max(r.x1, o.x1), max(r.y1, o.y1)}
}

// cut reports whether the line from a to b passes through the inside.
func (r rect) cut(a, b [2]float64) bool {
	from, to := 0.0, 1.0
	low, high := [2]float64{r.x0, r.y0}, [2]float64{r.x1, r.y1}
	for i := range 2 {
		d := b[i] - a[i]
		if d == 0 {
			if a[i] <= low[i] || a[i] >= high[i] {
				return false
			}
			continue
		}
		t, u := (low[i]-a[i])/d, (high[i]-a[i])/d
		from, to = max(from, min(t, u)), min(to, max(t, u))
	}
	return from < to
}

// style is the style of a text or a line.
type style string

const (
	plain       style = "plain"   // names of parts, notes
	title       style = "title"   // of the sheet and its sections
	remoteNet   style = "goes-on" // a net that continues elsewhere
	localNet    style = "ends"    // a net that is drawn completely
	leg         style = "leg"     // number or name of a pin
	rating      style = "rating"  // of a part with a generic number
	beside      style = "side"    // a group of nets beside the barrier
	symbol      style = "symbol"
	powerSymbol style = "sign" // ground's bars, a supply's bar
	wire        style = "wire"
	frame       style = "frame"
	barrier     style = "barrier"
)

// lettering is one text.
type lettering struct {
	x, y, size float64 // y of the line it stands on
	anchor     string
	style      style
	text, of   string // of: the part, net or section it belongs to
}

// TextWide is the largest width of a text of a size: the widths are those of DejaVu Sans, the widest of the common
// fonts, rounded up (measured in Chromium for every text of the three drawings).
func TextWide(text string, size float64) (w float64) {
	for _, c := range text {
		switch {
		case strings.ContainsRune("iljtfrI.,:;'|!-() ", c):
			w += 0.42
		case strings.ContainsRune("mMW%Ω+", c):
			w += 0.99
		case strings.ContainsRune("GNDOQHCUw", c):
			w += 0.82
		case c >= 'A' && c <= 'Z':
			w += 0.71
		default:
			w += 0.64
		}
	}
	return w * size
}

// box is the largest extent of a text.
func (l lettering) box() rect {
	w := TextWide(l.text, l.size)
	if l.style == title {
		w *= 1.12 // bold
	}
	left := map[string]float64{"start": 0, "middle": w / 2, "end": w}[l.anchor]
	return rect{l.x - left, l.y - 0.76*l.size, l.x - left + w, l.y + 0.22*l.size}
}

// shape is one line or circle.
type shape struct {
	stroke
	style style
	of    string
}

// each calls for every straight piece; a circle is the square around it.
func (k shape) each(do func(a, b [2]float64)) {
	points := k.points
	if k.radius > 0 {
		x, y, r := k.points[0][0], k.points[0][1], k.radius
		points = [][2]float64{{x - r, y - r}, {x + r, y - r}, {x + r, y + r}, {x - r, y + r}, {x - r, y - r}}
	}
	for i := range len(points) - 1 {
		do(points[i], points[i+1])
	}
	if k.closed {
		do(points[len(points)-1], points[0])
	}
}

func (k shape) box() rect {
	r := rect{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)}
	k.each(func(a, b [2]float64) {
		for _, q := range [][2]float64{a, b} {
			r = r.join(rect{q[0], q[1], q[0], q[1]})
		}
	})
	return r
}

// sheet is a board's drawing: every text, every line, and the extent of every part's symbol.
type sheet struct {
	board      *Board
	wide, high float64
	texts      []lettering
	shapes     []shape
	bodies     map[string]rect
	dots       []gridPoint
	groups     []*group
}

// draw lays out a board's drawing.
func (b *Board) sheet() *sheet {
	s := &sheet{board: b, bodies: map[string]rect{}}
	s.write(lettering{8 * unit, 8 * unit, 4.5, "start", title, b.Title, ""})
	bottom := 0
	for _, f := range b.Sections {
		r := f.rect()
		s.shapes = append(s.shapes, shape{loop(r.x0, r.y0, r.x1, r.y0, r.x1, r.y1, r.x0, r.y1), frame, f.Name})
		s.write(lettering{r.x0 + 1, r.y0 - 1, 2.6, "start", title, f.Title, f.Name})
		s.wide, bottom = max(s.wide, r.x1+8*unit), max(bottom, f.Y+f.H)
	}
	for _, p := range b.Parts {
		s.part(p)
	}
	for _, f := range b.Sections {
		s.barrier(f)
	}
	for _, f := range b.Sections {
		s.section(f)
	}
	for _, p := range b.Parts {
		s.rate(p)
	}
	at := gridPoint{8, bottom}
	for _, n := range b.Notes {
		at = gridPoint{n.X, n.Y}
		x, y := at.mm()
		s.write(lettering{x, y, 2.4, "start", plain, n.Text, "note"})
	}
	for i, l := range legend {
		x, y := at.add(gridPoint{0, 5 + 3*i}).mm()
		s.write(lettering{x, y, 2.2, "start", plain, l, "legend"})
	}
	s.high = float64(max(bottom, at.y+5+3*len(legend))+3) * unit
	return s
}

func (f *Section) rect() rect {
	return rect{float64(f.X) * unit, float64(f.Y) * unit, float64(f.X+f.W) * unit, float64(f.Y+f.H) * unit}
}

// legend is under every drawing.
var legend = []string{
	"A dot joins wires; wires that cross without one are not joined. A blue name goes on wherever the same name " +
		"stands; a grey one is all there is of its net. Three bars: GND. A cross: left open.",
	"Numbers at pins are legs. TO-92 at its flat face, legs down: 1 to 3 from the left. TO-220 at its printed face: " +
		"the same. DIP from above: from the notch's left, anticlockwise.",
	"K: cathode; the ring of a diode, the short leg and flat edge of an LED. Makers differ: hold each part against " +
		"its own data sheet before it is soldered.",
}

func (s *sheet) write(l lettering) { s.texts = append(s.texts, l) }

// free reports whether a text would be clear of everything drawn so far and inside a frame.
func (s *sheet) free(l lettering, inside rect) bool {
	box := l.box().grow(0.25)
	if !inside.holds(box) {
		return false
	}
	for _, t := range s.texts {
		if box.meets(t.box()) {
			return false
		}
	}
	for _, k := range s.shapes {
		hit := false
		k.each(func(a, b [2]float64) { hit = hit || box.cut(a, b) })
		if hit {
			return false
		}
	}
	for _, r := range s.bodies {
		if box.meets(r) {
			return false
		}
	}
	return true
}
