package circuit

import (
	"fmt"
	"slices"
	"strings"
)

// KiCad's own letters are wider than the drawing's: for each millimetre of size they take this much of a line, at most
// (measured on what it exports).
const kicadAdvance = 0.95

// kicadWords are a visible text of a part: its reference or its value, by its middle.
type kicadWords struct {
	name, text string
	x, y       float64
}

func (w kicadWords) box() rect {
	const size = 1.27
	half := kicadAdvance * size * float64(len([]rune(w.text))) / 2
	return rect{w.x - half, w.y - size/2, w.x + half, w.y + size/2}
}

// kicadTexts are a part's texts, beside it or above and below; both above where a wire passes below.
func (s *sheet) kicadTexts(p *Part) []kicadWords {
	body, value, y := s.bodies[p.Ref], p.Printed(), float64(p.Y)*unit
	if pinEnds := p.pinEnds(); pinEnds[0].out.y != 0 || len(pinEnds) == 3 && p.Type.Kind != Terminal {
		half := func(text string) float64 { return 1 + 0.6*float64(len(text)) }
		place := func(text string) float64 { return body.x1 + half(text) }
		if p.Type.Kind == Trimmer {
			place = func(text string) float64 { return body.x0 - 1 - half(text) }
		}
		return []kicadWords{{"Reference", p.Ref, place(p.Ref), y - 1.1}, {"Value", value, place(value), y + 1.1}}
	}
	x := (body.x0 + body.x1) / 2
	texts := []kicadWords{{"Reference", p.Ref, x, body.y0 - 1.2}, {"Value", value, x, body.y1 + 1.2}}
	if s.wiresIn(texts[1].box()) > 0 {
		texts[0].y, texts[1].y = body.y0-3, body.y0-1.2
	}
	return texts
}

// wiresIn counts the wires that pass through a box.
func (s *sheet) wiresIn(box rect) (n int) {
	for _, g := range s.groups {
		for _, run := range g.runs {
			x, y := run[0].mm()
			u, v := run[1].mm()
			if box.cut([2]float64{x, y}, [2]float64{u, v}) {
				n++
			}
		}
	}
	return n
}

// showsNumbers reports whether the symbol has its pins' numbers beside them.
func (p *Part) showsNumbers() bool {
	return !slices.Contains([]Kind{Resistor, Capacitor, Electrolytic, Fuse}, p.Type.Kind)
}

// kicadNumber is where KiCad writes a pin's number: over the middle of its line.
func (t pinEnd) kicadNumber() rect {
	x, y := t.at.mm()
	inwards := -t.part.lead() / 2
	x, y = x+inwards*float64(t.out.x), y+inwards*float64(t.out.y)
	const size, off = 1.0, 0.2
	half := kicadAdvance * size * float64(len(t.pin.Number)) / 2
	if t.out.y != 0 {
		return rect{x - off - size, y - half, x - off, y + half}
	}
	return rect{x - half, y - off - size, x + half, y - off}
}

// kicadLabel is a net's name at a place on its wire or pin, along it: to the right, up, to the left or down.
type kicadLabel struct {
	net  string
	x, y float64
	turn int
}

// box is what the name covers: above a line that lies, on the left of one that stands.
func (l kicadLabel) box() rect {
	const size, off = 1.0, 0.2
	long := kicadAdvance * size * float64(len(l.net))
	switch l.turn {
	case 90:
		return rect{l.x - off - size, l.y - long, l.x - off, l.y}
	case 180:
		return rect{l.x - long, l.y - off - size, l.x, l.y - off}
	case 270:
		return rect{l.x - off - size, l.y, l.x - off, l.y + long}
	}
	return rect{l.x, l.y - off - size, l.x + long, l.y - off}
}

func (l kicadLabel) write(out *strings.Builder, key string) {
	side := map[int]string{0: "left", 90: "left", 180: "right", 270: "right"}[l.turn]
	fmt.Fprintf(out, "(label %q (at %.2f %.2f %d) (effects (font (size 1 1)) (justify %s bottom)) (uuid %q))\n", l.net,
		l.x, l.y, l.turn, side, key)
}

// labels are the places where a group's name may stand: outwards from its pins, along its wires, and beside those that
// stand.
func (g *group) labels() (all []kicadLabel) {
	for _, t := range g.pinEnds {
		x, y := t.at.mm()
		turn := map[gridPoint]int{{1, 0}: 0, {0, -1}: 90, {-1, 0}: 180, {0, 1}: 270}[t.out]
		all = append(all, kicadLabel{g.net, x, y, turn})
	}
	for _, run := range g.runs {
		way := gridPoint{sign(run[1].x - run[0].x), sign(run[1].y - run[0].y)}
		for at := run[0]; ; at = at.add(way) {
			x, y := at.mm()
			turns := []int{0, 180}
			if way.y != 0 {
				turns = []int{90, 270, 0, 180}
			}
			for _, turn := range turns {
				all = append(all, kicadLabel{g.net, x, y, turn})
			}
			if at == run[1] {
				break
			}
		}
	}
	return all
}

func sign(n int) int { return max(-1, min(1, n)) }

// kicadObstacles are what a name must not lie on: symbols, their texts and the numbers of their pins.
func (s *sheet) kicadObstacles() (all []rect) {
	for _, p := range s.board.Parts {
		all = append(all, s.bodies[p.Ref].grow(-0.1))
		for _, w := range s.kicadTexts(p) {
			all = append(all, w.box())
		}
		for _, t := range p.pinEnds() {
			if p.showsNumbers() {
				all = append(all, t.kicadNumber())
			}
		}
	}
	return all
}

// hits counts what a name at a place covers: obstacles and wires.
func (s *sheet) hits(l kicadLabel, obstacles []rect) (n int) {
	box := l.box()
	for _, o := range obstacles {
		if box.meets(o) {
			n++
		}
	}
	return n + s.wiresIn(box)
}

// kicadLabels places one name for each group of joined pins, where it covers least; the first such place.
func (s *sheet) kicadLabels() (all []kicadLabel) {
	obstacles := s.kicadObstacles()
	for _, g := range s.groups {
		places := g.labels()
		best, least := places[0], s.hits(places[0], obstacles)
		for _, l := range places[1:] {
			if n := s.hits(l, obstacles); n < least {
				best, least = l, n
			}
		}
		all, obstacles = append(all, best), append(obstacles, best.box())
	}
	return all
}
