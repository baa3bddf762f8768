package kicad

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
)

// Read reads a board. Errors begin with the file's name, name line and item, and say what to do.
func Read(file, text string) (*Board, error) {
	root, err := parse(text)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	r := &reader{nets: map[string]string{}, board: &Board{}}
	if err := r.read(root); err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	return r.board, nil
}

type reader struct {
	board *Board
	nets  map[string]string // by number
}

// handlers read the items of a board that matter.
var handlers = map[string]func(*reader, *node) error{
	"footprint": (*reader).footprint, "segment": (*reader).segment, "arc": (*reader).arc, "via": (*reader).via,
	"zone": (*reader).zone, "gr_text": (*reader).text, "gr_line": (*reader).graphic, "gr_rect": (*reader).graphic,
	"gr_arc": (*reader).graphic, "gr_circle": (*reader).graphic, "gr_poly": (*reader).graphic,
}

func (r *reader) read(root *node) error {
	if root.name() != "kicad_pcb" {
		return fmt.Errorf("line %d: it begins with %q, not with (kicad_pcb: this is not a printed board", root.line,
			root.name())
	}
	if v := root.get("version").text(1); v != Version {
		return fmt.Errorf("line %d: version %q of the file format, only %s is known: save the board in KiCad 9",
			root.line, v,
			Version)
	}
	if err := layers(root.get("layers")); err != nil {
		return err
	}
	for _, n := range root.each("net") {
		if len(n.list) != 3 {
			return fmt.Errorf("line %d: a net has a number and a name", n.line)
		}
		r.nets[n.text(1)] = n.text(2)
	}
	for _, n := range root.list {
		handle := handlers[n.name()]
		if handle == nil {
			handle = (*reader).other
		}
		if n.list == nil {
			continue
		}
		if err := handle(r, n); err != nil {
			return err
		}
	}
	return nil
}

// layers requires copper on two layers.
func layers(n *node) error {
	copper := 0
	for _, l := range n.list {
		if !strings.HasSuffix(l.text(1), ".Cu") {
			continue
		}
		copper++
		if _, err := layer(l, l.text(1)); err != nil {
			return err
		}
	}
	if copper != 2 {
		return fmt.Errorf("line %d: the board has %d layers of copper, not F.Cu and B.Cu: set two in the board's setup",
			n.line,
			copper)
	}
	return nil
}

func layer(n *node, name string) (Layer, error) {
	switch name {
	case "F.Cu":
		return Front, nil
	case "B.Cu":
		return Back, nil
	}
	return 0, fmt.Errorf("line %d: (%s ...) is on layer %q; copper is on F.Cu and B.Cu only", n.line, n.name(), name)
}

// other refuses what may be copper and is not known.
func (r *reader) other(n *node) error {
	if slices.Contains([]string{"layers", "setup"}, n.name()) {
		return nil
	}
	for _, list := range []*node{n.get("layer"), n.get("layers")} {
		for _, name := range list.words() {
			if strings.HasSuffix(name, ".Cu") {
				return fmt.Errorf("line %d: (%s ...) is copper that the checks do not know: draw it as a track or a zone",
					n.line,
					n.name())
			}
		}
	}
	return nil
}

// net is the name of an item's net; none for number 0.
func (r *reader) net(n *node) (string, error) {
	number := n.get("net").text(1)
	name, known := r.nets[number]
	if !known && number != "" && number != "0" {
		return "",
			fmt.Errorf("line %d: (%s ...) has net %s, which the file does not name: open and save the board in KiCad",
				n.line, n.name(), number)
	}
	return name, nil
}

// point reads a point from a named list within an item.
func point(n *node, name string) (Point, error) {
	at := n.get(name)
	x, err := at.number(1)
	y, other := at.number(2)
	if err = errors.Join(err, other); err != nil {
		return Point{}, fmt.Errorf("line %d: (%s ...) has no place (%s X Y): open and save the board in KiCad", n.line,
			n.name(),
			name)
	}
	return Point{x, y}, nil
}

// size is a length in millimetres that is above zero.
func size(n *node, name string, i int) (float64, error) {
	x, err := n.get(name).number(i)
	if err != nil || x <= 0 {
		return 0, fmt.Errorf("line %d: (%s ...) has no (%s MM) above 0", n.line, n.name(), name)
	}
	return x, nil
}

func (r *reader) segment(n *node) error {
	from, err := point(n, "start")
	if err != nil {
		return err
	}
	to, err := point(n, "end")
	if err != nil {
		return err
	}
	return r.tracks(n, []Point{from, to})
}

func (r *reader) arc(n *node) error {
	line, err := arc(n)
	if err != nil {
		return err
	}
	return r.tracks(n, line)
}

// tracks adds a piece of copper from point to point.
func (r *reader) tracks(n *node, line []Point) error {
	on, err := layer(n, n.get("layer").text(1))
	if err != nil {
		return err
	}
	wide, err := size(n, "width", 1)
	if err != nil {
		return err
	}
	net, err := r.net(n)
	if err != nil {
		return err
	}
	for i := 1; i < len(line); i++ {
		r.board.Tracks = append(r.board.Tracks, Track{net, on, line[i-1], line[i], wide})
	}
	return nil
}

func (r *reader) via(n *node) error {
	at, err := point(n, "at")
	if err != nil {
		return err
	}
	if kind := n.text(1); kind != "" && n.list[1].list == nil {
		return fmt.Errorf("line %d: a via at %v is %s: only vias through the board are known", n.line, at, kind)
	}
	wide, err := size(n, "size", 1)
	if err != nil {
		return err
	}
	drill, err := size(n, "drill", 1)
	if err != nil {
		return err
	}
	net, err := r.net(n)
	r.board.Vias = append(r.board.Vias, Via{net, at, wide, drill})
	return err
}

// zone reads what KiCad filled, or an area that keeps zones out.
func (r *reader) zone(n *node) error {
	outline, err := corners(n.get("polygon").get("pts"))
	if err != nil {
		return err
	}
	if len(n.each("keepout")) > 0 {
		if n.get("keepout").get("copperpour").text(1) == "not_allowed" {
			r.board.Bare = append(r.board.Bare, outline)
		}
		return nil
	}
	net, err := r.net(n)
	if err != nil {
		return err
	}
	if len(outline) == 0 {
		return fmt.Errorf("line %d: a zone of %s has no outline: open and save the board in KiCad", n.line, net)
	}
	z := Zone{Net: net, At: outline[0], Outline: outline}
	names := n.get("layers")
	if len(names.list) == 0 {
		names = n.get("layer")
	}
	for i := 1; i < len(names.list); i++ {
		on, err := layer(n, names.text(i))
		if err != nil {
			return err
		}
		z.Layers = append(z.Layers, on)
	}
	for _, f := range n.each("filled_polygon") {
		on, err := layer(f, f.get("layer").text(1))
		if err != nil {
			return err
		}
		line, err := corners(f.get("pts"))
		if err != nil {
			return err
		}
		if len(line) > 2 {
			z.Fills = append(z.Fills, Fill{on, line})
		}
	}
	r.board.Zones = append(r.board.Zones, z)
	return nil
}

// corners are the corners of a polygon.
func corners(pts *node) (list []Point, err error) {
	for _, n := range pts.list[min(1, len(pts.list)):] {
		if n.name() != "xy" {
			return nil, fmt.Errorf("line %d: a polygon has (%s ...) where (xy X Y) stands", n.line, n.name())
		}
		x, err := n.number(1)
		y, other := n.number(2)
		if err = errors.Join(err, other); err != nil {
			return nil, err
		}
		list = append(list, Point{x, y})
	}
	return list, nil
}

// arcError is how far a chord may be from its arc, in millimetres.
const arcError = 0.01

// arc is one by three of its points, as a line of chords.
func arc(n *node) ([]Point, error) {
	var p [3]Point
	for i, name := range []string{"start", "mid", "end"} {
		var err error
		if p[i], err = point(n, name); err != nil {
			return nil, err
		}
	}
	a, b, c := p[0], p[1], p[2]
	d := 2 * (a.X*(b.Y-c.Y) + b.X*(c.Y-a.Y) + c.X*(a.Y-b.Y))
	if math.Abs(d) < 1e-9 { // its points are in one line
		return []Point{a, b, c}, nil
	}
	square := func(p Point) float64 { return p.X*p.X + p.Y*p.Y }
	middle := Point{(square(a)*(b.Y-c.Y) + square(b)*(c.Y-a.Y) + square(c)*(a.Y-b.Y)) / d,
		(square(a)*(c.X-b.X) + square(b)*(a.X-c.X) + square(c)*(b.X-a.X)) / d}
	angle := func(p Point) float64 { return math.Atan2(p.Y-middle.Y, p.X-middle.X) }
	radius := math.Hypot(a.X-middle.X, a.Y-middle.Y)
	turn := func(from, to float64) float64 { return math.Mod(to-from+4*math.Pi, 2*math.Pi) }
	first, sweep := angle(a), turn(angle(a), angle(c))
	if turn(first, angle(b)) > sweep {
		sweep -= 2 * math.Pi
	}
	line := chords(middle, radius, first, sweep)
	line[0], line[len(line)-1] = a, c
	return line, nil
}

// chords approximate an arc that begins at an angle.
func chords(middle Point, radius, first, sweep float64) (line []Point) {
	step := 2 * math.Acos(max(0, 1-arcError/max(radius, arcError)))
	steps := int(min(720, max(1, math.Ceil(math.Abs(sweep)/step))))
	for i := range steps + 1 {
		a := first + sweep*float64(i)/float64(steps)
		line = append(line, Point{middle.X + radius*math.Cos(a), middle.Y + radius*math.Sin(a)})
	}
	return line
}
