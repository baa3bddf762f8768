package circuit

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func drawnBoards(t testing.TB) []*Board {
	t.Helper()
	text, err := os.ReadFile("../circuits.txt")
	require.NoError(t, err)
	d, err := Parse(string(text))
	require.NoError(t, err)
	return d.Boards
}

// faults are what keeps a drawing from being read.
func (s *sheet) faults() (list []string) {
	add := func(format string, args ...any) { list = append(list, fmt.Sprintf(format, args...)) }
	for i, l := range s.texts {
		box := l.box()
		if !(rect{0, 0, s.wide, s.high}).holds(box) {
			add("text %q leaves the sheet", l.text)
		}
		for _, other := range s.texts[:i] {
			if box.meets(other.box()) {
				add("text %q of %s lies on %q of %s", l.text, l.of, other.text, other.of)
			}
		}
		for _, k := range s.shapes {
			hit := false
			k.each(func(a, b [2]float64) { hit = hit || box.cut(a, b) })
			if own := k.style == symbol && k.of == l.of && s.inside(l); hit && !own {
				add("text %q of %s lies on a %s of %s", l.text, l.of, k.style, k.of)
			}
		}
	}
	for _, p := range s.board.Parts {
		body := s.bodies[p.Ref]
		if !s.board.Section(p.Section).rect().grow(-1).holds(body) {
			add("part %s leaves its frame", p.Ref)
		}
		for _, q := range s.board.Parts {
			if q.Ref < p.Ref && body.meets(s.bodies[q.Ref]) {
				add("part %s lies on %s", p.Ref, q.Ref)
			}
		}
		for _, k := range s.shapes {
			hit := false
			k.each(func(a, b [2]float64) { hit = hit || body.grow(-0.1).cut(a, b) })
			if (k.style == wire || k.style == powerSymbol) && hit {
				add("the %s of %s runs through %s", k.style, k.of, p.Ref)
			}
		}
	}
	for _, k := range s.shapes {
		for _, w := range s.shapes {
			if k.style == powerSymbol && w.style == wire && k.box().grow(symbolClearance-0.1).cut(w.points[0], w.points[1]) {
				add("the wire of %s is too near the sign of %s", w.of, k.of)
			}
			if k.style == barrier && w.style == wire && k.box().grow(0.01).cut(w.points[0], w.points[1]) {
				add("the wire of %s crosses the barrier of %s", w.of, k.of)
			}
		}
	}
	return append(list, s.joints()...)
}

// inside tells of the texts that stand within a symbol: numbers of a terminal's ways, names of a circuit's pins.
func (s *sheet) inside(l lettering) bool {
	p := s.board.Part(l.of)
	return p != nil && l.style == leg && slices.Contains([]Kind{Terminal, Opto}, p.Type.Kind)
}

// joints follows the drawn wires anew: what they join must be pins of one net, and every pin must be named or signed.
func (s *sheet) joints() (list []string) {
	root := map[string]string{}
	var top func(string) string
	top = func(a string) string {
		if root[a] == "" || root[a] == a {
			return a
		}
		return top(root[a])
	}
	at := func(q [2]float64) string { return fmt.Sprintf("%.2f %.2f", q[0], q[1]) }
	names := map[string]string{}
	for i, k := range s.shapes {
		if k.style != wire {
			continue
		}
		root[top(at(k.points[0]))] = top(at(k.points[1]))
		for _, o := range s.shapes[:i] {
			for _, pair := range [][2]shape{{k, o}, {o, k}} {
				for _, end := range pair[0].points {
					if o.style == wire && touches(end, pair[1]) {
						root[top(at(end))] = top(at(pair[1].points[0]))
					}
				}
			}
		}
	}
	for _, p := range s.board.Parts {
		for _, t := range p.pinEnds() {
			x, y := t.at.mm()
			for _, k := range s.shapes {
				if k.style == wire && touches([2]float64{x, y}, k) {
					root[top(at([2]float64{x, y}))] = top(at(k.points[0]))
				}
			}
			here := top(at([2]float64{x, y}))
			if names[here] != "" && names[here] != t.net {
				list = append(list, fmt.Sprintf("pin %s of %s: %s is drawn to %s", t.pin.Number, p.Ref, t.net, names[here]))
			}
			names[here] = t.net
		}
	}
	return list
}

// touches reports whether a point is on a lying or standing wire.
func touches(q [2]float64, k shape) bool {
	a, b := k.points[0], k.points[1]
	r := rect{min(a[0], b[0]), min(a[1], b[1]), max(a[0], b[0]), max(a[1], b[1])}.grow(0.01)
	return r.holds(rect{q[0], q[1], q[0], q[1]})
}

// A part that is asked for by a generic number has it and its ratings beside it.
func TestDrawingsSayWhatToAskFor(t *testing.T) {
	for _, b := range drawnBoards(t) {
		s, counted := b.sheet(), 0
		for _, p := range b.Parts {
			if !slices.Contains(numbered, p.Type.Kind) {
				continue
			}
			counted++
			number, _, _ := strings.Cut(p.Type.Makers[0], " (")
			body := s.bodies[p.Ref].grow(14)
			for _, want := range []string{number, p.shortRatings()} {
				assert.True(t, slices.ContainsFunc(s.texts, func(l lettering) bool {
					return l.of == p.Ref && strings.Contains(l.text, want) && body.meets(l.box())
				}), "%s of %s", want, p.Ref)
			}
		}
		assert.Positive(t, counted, b.Name)
	}
	p := drawnBoards(t)[0].Part("Q41")
	assert.Equal(t, "IRLZ44N", p.What())
	assert.Equal(t, "55 V 10 A", p.shortRatings())
}

// No two texts or parts lie on each other, nothing leaves the sheet, wires keep off parts, texts and barriers.
func TestDrawingsCanBeRead(t *testing.T) {
	for _, b := range drawnBoards(t) {
		assert.Empty(t, strings.Join(b.sheet().faults(), "\n"), b.Name)
	}
}

// Every pin is in one group, each group has its name or sign, and every leg that matters has its number.
func TestDrawingsNameEveryNet(t *testing.T) {
	for _, b := range drawnBoards(t) {
		s := b.sheet()
		seen := map[string]int{}
		for _, g := range s.groups {
			named := slices.ContainsFunc(s.texts, func(l lettering) bool { return l.of == g.net && l.text == g.net })
			assert.True(t, named || g.net == "GND", "%s: %s is not named", b.Name, g.net)
			for _, p := range g.pinEnds {
				seen[p.part.Ref+"."+p.pin.Number]++
				assert.Equal(t, g.net, p.net)
			}
		}
		legs := map[string]int{}
		for _, l := range s.texts {
			if l.style == leg {
				legs[l.of]++
			}
		}
		for _, p := range b.Parts {
			for _, pinEnd := range p.pinEnds() {
				if pinEnd.net != Open {
					assert.Equal(t, 1, seen[p.Ref+"."+pinEnd.pin.Number], "%s.%s", p.Ref, pinEnd.pin.Number)
				}
			}
			switch pins := len(p.pinEnds()); {
			case pins > 2 && pins < 8 || p.Type.Kind == Terminal:
				assert.Equal(t, pins, legs[p.Ref], p.Ref)
			case pins == 8:
				assert.Equal(t, 2*pins, legs[p.Ref], "%s: number and name", p.Ref)
			case strings.HasPrefix(p.Ref, "D"):
				assert.Equal(t, 1, legs[p.Ref], "%s: its cathode", p.Ref)
			}
		}
	}
}

// A dot is where a wire ends on another or on a pin that has one already, and nowhere else; blue names go on.
func TestDotsAndColoursTellTheTruth(t *testing.T) {
	for _, b := range drawnBoards(t) {
		s := b.sheet()
		meet := map[[2]float64]int{}
		for _, k := range s.shapes {
			for _, o := range s.shapes {
				for _, end := range k.points {
					if k.style == wire && o.style == wire && touches(end, o) {
						meet[end] = 0
					}
				}
			}
		}
		for at := range meet {
			for _, k := range s.shapes {
				if k.style == wire && touches(at, k) {
					meet[at]++
					if at != k.points[0] && at != k.points[1] {
						meet[at]++ // it goes on both ways
					}
				}
			}
			for _, p := range b.Parts {
				for _, pinEnd := range p.pinEnds() {
					if x, y := pinEnd.at.mm(); at == [2]float64{x, y} {
						meet[at]++
					}
				}
			}
			dot := slices.ContainsFunc(s.dots, func(d gridPoint) bool { x, y := d.mm(); return at == [2]float64{x, y} })
			assert.Equal(t, meet[at] > 2, dot, "%s at %v: %d meet", b.Name, at, meet[at])
		}
		for _, d := range s.dots {
			x, y := d.mm()
			assert.Contains(t, meet, [2]float64{x, y}, "%s: a dot where no wire ends", b.Name)
		}
		for _, l := range s.texts {
			if groups := s.groupsOf(l.text); l.of == l.text && len(groups) > 0 {
				assert.Equal(t, len(groups) == 1, l.style == localNet, "%s: %s", b.Name, l.text)
				assert.Equal(t, len(groups) > 1, l.style == remoteNet, "%s: %s", b.Name, l.text)
			}
		}
	}
}

func (s *sheet) groupsOf(net string) (list []*group) {
	for _, g := range s.groups {
		if g.net == net {
			list = append(list, g)
		}
	}
	return list
}

// Wherever parts stand, drawn wires join pins of one net only and keep off parts: here they are strewn about.
func TestWiresAreRightWhereverPartsStand(t *testing.T) {
	for seed := range uint64(12) {
		b := drawnBoards(t)[seed%3]
		random := rand.New(rand.NewPCG(seed, 1))
		for range 25 {
			p := b.Parts[random.IntN(len(b.Parts))]
			x, y := random.IntN(31)-15, random.IntN(15)-7
			p.X, p.Y = p.X+x, p.Y+y
			if !standsFree(b, p) {
				p.X, p.Y = p.X-x, p.Y-y
			}
		}
		for _, fault := range b.sheet().faults() {
			for _, bad := range []string{"is drawn to", "runs through", "crosses the barrier"} {
				assert.NotContains(t, fault, bad, "seed %d, %s", seed, b.Name)
			}
		}
	}
}

// standsFree reports whether a part is in its frame and no other part's pin or body is near.
func standsFree(b *Board, p *Part) bool {
	s := &sheet{board: b, bodies: map[string]rect{}}
	for _, q := range b.Parts {
		s.part(q)
	}
	body := s.bodies[p.Ref].grow(4 * unit)
	for ref, other := range s.bodies {
		if ref != p.Ref && body.meets(other) {
			return false
		}
	}
	return b.Section(p.Section).rect().grow(-1).holds(body) && p.Type.Kind != Opto
}

// The number beside a pin is that pin's: no other pin of the part is nearer.
func TestLegsHaveTheirOwnNumbers(t *testing.T) {
	for _, b := range drawnBoards(t) {
		s, checked := b.sheet(), 0
		for _, l := range s.texts {
			p := b.Part(l.of)
			number, _, _ := strings.Cut(l.text, " ")
			inside := l.size > legSize && p != nil && p.Type.Kind != Terminal // the name of a circuit's pin
			if p == nil || l.style != leg || inside || strings.Trim(number, "0123456789") != "" {
				continue
			}
			checked++
			box, nearestPinDistance, least := l.box(), "", math.Inf(1)
			for _, pinEnd := range p.pinEnds() {
				x, y := pinEnd.at.mm()
				if d := math.Hypot(x-(box.x0+box.x1)/2, y-(box.y0+box.y1)/2); d < least {
					nearestPinDistance, least = pinEnd.pin.Number, d
				}
			}
			assert.Equal(t, nearestPinDistance, number, "%s: %q", p.Ref, l.text)
		}
		assert.Greater(t, checked, 20, b.Name)
	}
}

// In every section that an optocoupler crosses, each group stands on its own side of the barrier, under its name.
func TestBarriersPartTheGroups(t *testing.T) {
	crossed := 0
	for _, b := range drawnBoards(t) {
		s := b.sheet()
		for _, f := range b.Sections {
			var line float64
			sides := map[*Group]map[bool]bool{}
			for _, p := range b.Parts {
				for _, pinEnd := range p.pinEnds() {
					if g := b.groupOf(pinEnd.net); p.Section == f.Name && g != nil && sides[g] == nil {
						sides[g] = map[bool]bool{}
					}
				}
				if p.Section == f.Name && p.Type.Kind == Opto {
					line = float64(p.X) * unit
				}
			}
			if line == 0 {
				assert.Len(t, sides, 1, "%s has one group", f.Name)
				continue
			}
			crossed++
			for _, p := range b.Parts {
				for _, pinEnd := range p.pinEnds() {
					if x, _ := pinEnd.at.mm(); p.Section == f.Name {
						sides[b.groupOf(pinEnd.net)][x > line] = true
					}
				}
			}
			for g, on := range sides {
				assert.Len(t, on, 1, "%s is on both sides in %s", g.Name, f.Name)
				i := slices.IndexFunc(s.texts, func(l lettering) bool {
					return l.style == beside && l.of == f.Name && l.text == g.Side()
				})
				if assert.GreaterOrEqual(t, i, 0, "%s is not named in %s", g.Name, f.Name) {
					assert.Equal(t, on[true], s.texts[i].x > line, "%s is named on its side", g.Name)
				}
			}
		}
	}
	assert.Equal(t, 4, crossed)
}

// A board's drawing is at most A3 with a printer's margins, and its smallest letters are 1.4 mm high.
func TestDrawingsFitPaper(t *testing.T) {
	for _, b := range drawnBoards(t) {
		s := b.sheet()
		assert.LessOrEqual(t, s.wide, 420.0, b.Name)
		assert.LessOrEqual(t, s.high, 297.0, b.Name)
		for _, l := range s.texts {
			assert.GreaterOrEqual(t, l.size, 1.4, "%s: %s", b.Name, l.text)
		}
	}
}

// Each fault of a drawing is seen.
func TestSpoiledDrawingsAreSeen(t *testing.T) {
	move := func(ref string, x, y int) func(*Board) {
		return func(b *Board) { p := b.Part(ref); p.X, p.Y = p.X+x, p.Y+y }
	}
	for name, c := range map[string]struct {
		board func(*Board)
		sheet func(*sheet)
		want  string
	}{
		"a part on another": {move("R3", 11, -6), nil, "part R3 lies on Q1"},
		"a part too near":   {move("R11", 6, 0), nil, "of R11 lies on"},
		"a part outside":    {move("R4", 0, -6), nil, "part R4 leaves its frame"},
		"a note outside":    {func(b *Board) { b.Notes[0].X += 100 }, nil, "leaves the sheet"},
		"a note on a part":  {func(b *Board) { b.Notes[0].Y -= 40 }, nil, "lies on"},
		"a name on a wire": {nil, func(s *sheet) {
			i := slices.IndexFunc(s.texts, func(l lettering) bool { return l.text == "KILL_B" })
			s.texts[i].y += 1
		}, "text \"KILL_B\" of KILL_B lies on a wire of KILL_B"},
		"a wire through a part": {nil, func(s *sheet) { s.draw(wire, "KILL_B", joinPins(s, "R2", "Q1")) },
			"the wire of KILL_B runs through"},
		"a wire at a sign": {nil, func(s *sheet) { s.draw(wire, "KILL_B", joinPins(s, "R3", "R6")) },
			"too near the sign of GND"},
		"a wire that shorts": {nil, func(s *sheet) { s.draw(wire, "GND", joinPins(s, "R3", "R2")) },
			"KILL_B is drawn to"},
		"a wire across the barrier": {nil, func(s *sheet) { s.draw(wire, "CAM_COM", joinPins(s, "Q20", "J3")) },
			"the wire of CAM_COM crosses the barrier of camera"},
	} {
		t.Run(strings.ReplaceAll(name, " ", "-"), func(t *testing.T) {
			b := drawnBoards(t)[0]
			if c.board != nil {
				c.board(b)
			}
			s := b.sheet()
			if c.sheet != nil {
				c.sheet(s)
			}
			assert.Contains(t, strings.Join(s.faults(), "\n"), c.want)
		})
	}
}

// joinPins is a straight line from the last pin of one part to the first of another.
func joinPins(s *sheet, a, b string) stroke {
	from, to := s.board.Part(a).pinEnds(), s.board.Part(b).pinEnds()
	x, y := from[len(from)-1].at.mm()
	u, v := to[0].at.mm()
	return line(x, y, u, v)
}

// In KiCad's schematics no name of a net lies on a symbol, on a text, on a pin's number, on a wire or on another name,
// and no part's text on another's, in letters as wide as KiCad's.
func TestKiCadsTextsCanBeRead(t *testing.T) {
	for _, b := range drawnBoards(t) {
		s := b.sheet()
		obstacles := s.kicadObstacles()
		for _, l := range s.kicadLabels() {
			assert.Zero(t, s.hits(l, obstacles), "%s: %s at %.1f, %.1f", b.Name, l.net, l.x, l.y)
			obstacles = append(obstacles, l.box())
		}
		var words []kicadWords
		for _, p := range b.Parts {
			for _, w := range s.kicadTexts(p) {
				for _, other := range words {
					assert.Falsef(t, w.box().meets(other.box()), "%s: %s lies on %s", b.Name, w.text, other.text)
				}
				assert.Zero(t, s.wiresIn(w.box()), "%s: %s of %s lies on a wire", b.Name, w.text, p.Ref)
				words = append(words, w)
			}
		}
	}
}
