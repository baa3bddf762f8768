package circuit

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// turned is a point of the symbol in the drawing, in millimetres from the part's centre.
func (p *Part) turned(x, y float64) (float64, float64) {
	if p.Mirror {
		x = -x
	}
	switch p.Turn {
	case 90:
		return y, -x
	case 180:
		return -x, -y
	case 270:
		return -y, x
	}
	return x, y
}

// gridPoint is a point of the drawing's grid of 1.27 mm.
type gridPoint struct{ x, y int }

func (a gridPoint) add(d gridPoint) gridPoint { return gridPoint{a.x + d.x, a.y + d.y} }

func (a gridPoint) mm() (x, y float64) { return float64(a.x) * unit, float64(a.y) * unit }

// pinEnd is the end of a pin in the drawing.
type pinEnd struct {
	part    *Part
	pin     Pin
	net     string
	at, out gridPoint // out: one step away from the part
}

func (p *Part) pinEnds() (all []pinEnd) {
	for _, pin := range p.Type.Kind.Pins(p.Value) {
		x, y := p.turned(float64(pin.X), float64(pin.Y))
		dx, dy := p.turned(float64(pin.DX), float64(pin.DY))
		all = append(all, pinEnd{p, pin, p.Pins[pin.Number], gridPoint{p.X + int(math.Round(x)), p.Y + int(math.Round(y))},
			gridPoint{int(math.Round(dx)), int(math.Round(dy))}})
	}
	return all
}

// part draws a part's symbol, its name and its legs.
func (s *sheet) part(p *Part) {
	cx, cy := float64(p.X)*unit, float64(p.Y)*unit
	body := rect{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)}
	for _, k := range p.Type.Kind.symbol(p.Value) {
		moved := k
		moved.points = nil
		for _, q := range k.points {
			x, y := p.turned(q[0], q[1])
			moved.points = append(moved.points, [2]float64{cx + x, cy + y})
		}
		drawn := shape{moved, symbol, p.Ref}
		s.shapes = append(s.shapes, drawn)
		body = body.join(drawn.box())
	}
	s.bodies[p.Ref] = body
	s.name(p, body)
	for _, t := range p.pinEnds() {
		s.leg(t)
	}
}

// name writes a part's reference and value: beside a vertical part, above a horizontal one.
func (s *sheet) name(p *Part, body rect) {
	what := p.What()
	put := func(x, y float64, anchor, text string) {
		s.write(lettering{x, y, nameSize, anchor, plain, text, p.Ref})
	}
	middle, half := (body.x0+body.x1)/2, (body.y0+body.y1)/2
	pins := p.pinEnds()
	stands := pins[0].out.y != 0 || len(pins) == 3
	switch {
	case p.Type.Kind == Opto:
		put(body.x0+2.6, body.y0-0.8, "start", p.Ref) // the barrier leaves no room for more: see rate
	case p.Type.Kind == Terminal || !stands:
		put(middle, body.y0-0.8, "middle", p.Ref+" "+what)
	case p.Type.Kind == Trimmer:
		put(body.x0-1.9, half-0.4, "end", p.Ref)
		put(body.x0-1.9, half+2.1, "end", what)
	default:
		put(body.x1+0.7, half-0.4, "start", p.Ref)
		put(body.x1+0.7, half+2.1, "start", what)
	}
}

// numbered are the kinds of parts that are asked for by a generic number, the first of their type.
var numbered = []Kind{Diode, Zener, TVS, NPN, PNP, NMOS, PMOS, Thyristor, Opto, Comparator, OpAmp, Timer,
	Microcontroller}

// Printed is what boards, plans and KiCad's files call a part: its value as it is written, or What.
func (p *Part) Printed() string {
	if v := p.Stated(); v != "" {
		return v
	}
	return p.What()
}

// Stated is a part's value as it is written, with its unit where a number alone says nothing; empty if it has none.
func (p *Part) Stated() string {
	if p.Type.Kind == Battery {
		return p.What()
	}
	return p.Value
}

// What is a part's value with its unit, its generic number, what a fuse holds, or its type.
func (p *Part) What() string {
	unit := map[Kind]string{Resistor: "Ω", Trimmer: "Ω", Capacitor: "F", Electrolytic: "F", Battery: "V"}[p.Type.Kind]
	switch digits := strings.TrimRight(p.Value, "pnumkM"); {
	case p.Value == "" && slices.Contains(numbered, p.Type.Kind) && len(p.Type.Makers) > 0:
		number, _, _ := strings.Cut(p.Type.Makers[0], " (")
		return number
	case p.Type.Kind == Fuse:
		return fmt.Sprintf("%g A", p.Type.Rating["hold"])
	case p.Value == "":
		return strings.ReplaceAll(p.Type.Name, "_", " ")
	case unit == "":
		return p.Value
	default:
		return digits + " " + strings.Replace(p.Value[len(digits):], "u", "µ", 1) + unit
	}
}

// shortRatings are the ratings, for a part's drawing, that decide what may replace it.
func (p *Part) shortRatings() string {
	var list []string
	for _, r := range [][2]string{{"vz", "V"}, {"v", "V"}, {"p", "W"}, {"i", "A"}} {
		x, there := p.Type.Rating[r[0]]
		power := r[0] == "p" && p.Type.Kind != Zener && p.Type.Kind != TVS
		if there && !power {
			list = append(list, fmt.Sprintf("%g %s", x, r[1]))
		}
	}
	return strings.Join(list, " ")
}

// rate writes the ratings of a part with a generic number near it, at the first free place.
func (s *sheet) rate(p *Part) {
	if !slices.Contains(numbered, p.Type.Kind) {
		return
	}
	const size, step, reach = 1.5, 0.8, 12
	b, inside := s.bodies[p.Ref], s.board.Section(p.Section).rect()
	l := lettering{0, 0, size, "start", rating, p.shortRatings(), p.Ref}
	if p.Type.Kind == Opto {
		l.text = p.What() + " " + l.text
	}
	wide := TextWide(l.text, size)
	best, least := l, math.Inf(1)
	for x := b.x0 - wide - reach; x <= b.x1+reach; x += step {
		for y := b.y0 - reach; y <= b.y1+reach; y += step {
			l.x, l.y = x, y
			box := l.box()
			far := max(b.x0-box.x1, box.x0-b.x1, 0) + max(b.y0-box.y1, box.y0-b.y1, 0)
			if far < least && s.free(l, inside) {
				best, least = l, far
			}
		}
	}
	s.write(best)
}

// leg writes a pin's number and name where a builder could mistake one leg for another.
func (s *sheet) leg(t pinEnd) {
	x, y := t.at.mm()
	text := t.pin.Number
	put := func(x, y, size float64, anchor, text string) {
		s.write(lettering{x, y, size, anchor, leg, text, t.part.Ref})
	}
	switch k := t.part.Type.Kind; k {
	case Terminal:
		put(x-float64(t.out.x)*4*unit, y+0.6, 1.6, "middle", text)
		return
	case Comparator, OpAmp, Timer, Microcontroller:
		anchor := map[int]string{-1: "start", 1: "end"}[t.out.x]
		put(x-float64(t.out.x)*3.1, y+0.6, 1.6, anchor, strings.TrimSpace(t.pin.Name+" "+Wire{Line: t.pin.Name}.Label()))
	case NPN, PNP, NMOS, PMOS, Thyristor, Opto, Phototransistor:
		text = t.pin.Name
		if k != Phototransistor {
			text = t.pin.Number + " " + t.pin.Name
		}
	case Switch:
	case Trimmer:
		if t.out.y != 0 {
			x -= 0.9 // its lead is short: beside the body
		}
	case Battery, Electret:
		if text = t.pin.Name; text != "+" {
			return
		}
	case Diode, Zener, TVS, LED, Photodiode:
		if text = t.pin.Name; text != "K" {
			return
		}
	default:
		return
	}
	switch {
	case t.out.x > 0:
		put(x-0.35, y-0.35, legSize, "end", text)
	case t.out.x < 0:
		put(x+0.35, y-0.35, legSize, "start", text)
	case t.out.y < 0:
		put(x-0.4, y+1.25, legSize, "end", text)
	default:
		put(x-0.4, y-0.45, legSize, "end", text)
	}
}

// ground draws the ground symbol at a pin on GND that points down or sideways. It reports whether the pin has one.
func (s *sheet) ground(t pinEnd) bool {
	if t.net != "GND" || t.part.Type.Kind == Terminal || t.out.y < 0 {
		return false
	}
	at := t.at
	if t.out.x != 0 {
		at = at.add(t.out)
		x, y := t.at.mm()
		u, v := at.mm()
		s.draw(powerSymbol, "GND", line(x, y, u, v))
	}
	x, y := at.mm()
	s.draw(powerSymbol, "GND", line(x, y, x, y+0.9), heavy(x-1.2, y+0.9, x+1.2, y+0.9),
		line(x-0.75, y+1.45, x+0.75, y+1.45), line(x-0.3, y+2, x+0.3, y+2))
	return true
}

func (s *sheet) draw(as style, of string, strokes ...stroke) {
	for _, k := range strokes {
		s.shapes = append(s.shapes, shape{k, as, of})
	}
}

// open draws a cross at an unconnected pin.
func (s *sheet) open(t pinEnd) {
	x, y := t.at.mm()
	x, y = x+0.7*float64(t.out.x), y+0.7*float64(t.out.y)
	s.draw(powerSymbol, t.part.Ref, line(x-0.7, y-0.7, x+0.7, y+0.7), line(x-0.7, y+0.7, x+0.7, y-0.7))
}

// isRail recognises a supply by its name: V12_..., V5_... and VIO.
func isRail(net string) bool {
	return net == "VIO" || len(net) > 1 && net[0] == 'V' && net[1] >= '0' && net[1] <= '9'
}

// rail draws the supply symbol with its name at a pin that points up.
func (s *sheet) rail(t pinEnd) bool {
	if !isRail(t.net) || t.out.y >= 0 {
		return false
	}
	x, y := t.at.mm()
	l := lettering{x, y - 1.7, netSize, "middle", remoteNet, t.net, t.net}
	s.draw(powerSymbol, t.net, line(x, y, x, y-0.9), heavy(x-1.2, y-0.9, x+1.2, y-0.9))
	s.write(l)
	return true
}

// barrier draws the dashed line through a section's optocouplers, with the groups on its two sides and the line between
// groups on one side.
func (s *sheet) barrier(f *Section) {
	var x float64
	crossed := false
	groups := map[bool][]region{}
	for _, p := range s.board.Parts {
		if p.Section != f.Name || p.Type.Kind != Opto {
			continue
		}
		x, crossed = float64(p.X)*unit, true
	}
	if !crossed {
		return
	}
	for _, p := range s.board.Parts {
		if p.Section == f.Name {
			for _, t := range p.pinEnds() {
				tx, ty := t.at.mm()
				groups[tx > x] = extend(groups[tx > x], s.board.groupOf(t.net), ty)
			}
		}
	}
	r := f.rect()
	s.draw(barrier, f.Name, line(x, r.y0, x, r.y1))
	for _, right := range []bool{false, true} {
		anchor, off, edge := "end", -1.2, r.x0
		if right {
			anchor, off, edge = "start", 1.2, r.x1
		}
		top := r.y0
		for i, g := range groups[right] {
			if i > 0 {
				top = (groups[right][i-1].y1 + g.y0) / 2
				s.draw(barrier, f.Name, line(x, top, edge, top))
			}
			s.write(lettering{x + off, top + 3, 2, anchor, beside, g.group.Side(), f.Name})
		}
	}
}

// region is the vertical extent of a group of nets on one side of a barrier.
type region struct {
	group  *Group
	y0, y1 float64
}

func extend(list []region, g *Group, y float64) []region {
	if g == nil {
		return list
	}
	for i := range list {
		if list[i].group == g {
			list[i].y0, list[i].y1 = min(list[i].y0, y), max(list[i].y1, y)
			return list
		}
	}
	return append(list, region{g, y, y})
}

// Side is a group's short purpose: up to its first comma or semicolon.
func (g *Group) Side() string {
	if i := strings.IndexAny(g.Purpose, ",;"); i > 0 {
		return g.Purpose[:i]
	}
	return g.Purpose
}

func (b *Board) groupOf(net string) *Group {
	if n := b.Net(net); n != nil {
		return b.Group(n.Group)
	}
	return nil
}
