package layout

import (
	"fmt"
	"math"
)

// Copper is the beginning of a printed board: the same placement, with tracks on two layers.
type Copper struct {
	*Plan
	Tracks []Track
	Vias   []Via
}

// Track is a straight piece of copper.
type Track struct {
	Net      string
	Layer    int // 0: component side, 1: solder side
	From, To point
	Wide     float64 // mm
}

// Via joins the layers.
type Via struct {
	Net string
	At  point
}

// Design rules of printed boards, in millimetres: within the capability of any manufacturer (common practice, no
// source).
const (
	trackWidth     = 0.4
	wideTrackWidth = 1.0 // for nets of wideTrackAmps and more
	wideTrackAmps  = 0.3 // A
	viaRadius      = 0.4
	viaDrill       = 0.4
	clearance      = 0.2
	fine           = 2 // steps of the routing grid per hole
	step           = pitch / fine
)

// Trace routes the tracks. It fails if they do not fit.
func (p *Plan) Trace() (*Copper, error) {
	m, names := p.routingGrid(fine)
	zones := p.zones()
	near := p.near(m)
	for n, net := range names {
		half := p.wide(net) / 2
		m.blocked = append(m.blocked, m.blockedNodes(n, func(node int) bool {
			return p.may(zones, net, p.node(m, node), half) && !near.tooNear(node, n, half+clearance)
		}))
	}
	m.mayChangeLayer = func(node int) bool {
		return m.padNet[node] == free && !near.tooNear(node, free, viaRadius+clearance)
	}
	m.prefer = func(layer int, flat bool) int64 {
		if flat == (layer == 0) {
			return 0
		}
		return stepPrice
	}
	paths, left := m.search()
	if left > 0 {
		return nil, fmt.Errorf("board %s: tracks of different nets meet at %d places: place parts further apart",
			p.Board.Name, left)
	}
	c := &Copper{Plan: p}
	for n, f := range paths {
		if len(f.paths) < len(m.nets[n].pads)-1 {
			return nil, fmt.Errorf("board %s: net %s cannot be joined and keep its distances: move its parts", p.Board.Name,
				names[n])
		}
		c.lay(m, names[n], n, f.paths)
	}
	return c, nil
}

// wide is the width of a net's tracks.
func (p *Plan) wide(net string) float64 {
	if n := p.Board.Net(net); n != nil && n.Amps >= wideTrackAmps {
		return wideTrackWidth
	}
	return trackWidth
}

// node is the position of a node of the routing grid.
func (p *Plan) node(m *routingGrid, node int) point {
	node = m.flat(node)
	return p.at(1+float64(node%m.cols)/fine, 1+float64(node/m.cols)/fine)
}

// neighbours lists for each node the nearby pads: their nets and the distance of their copper.
type neighbours [][]neighbour

type neighbour struct {
	net int
	gap float64
}

func (p *Plan) near(m *routingGrid) neighbours {
	list := make(neighbours, m.cols*m.rows)
	for _, l := range p.Legs {
		col, row := (l.At.Col-1)*fine, (l.At.Row-1)*fine
		net, radius := m.padNet[row*m.cols+col], p.padRadiusOf(l)
		for dc := -2; dc <= 2; dc++ {
			for dr := -2; dr <= 2; dr++ {
				if c, r := col+dc, row+dr; c >= 0 && r >= 0 && c < m.cols && r < m.rows {
					gap := math.Hypot(float64(dc), float64(dr))*step - radius
					list[r*m.cols+c] = append(list[r*m.cols+c], neighbour{net, gap})
				}
			}
		}
	}
	return list
}

// tooNear reports whether another net's pad is nearer to a node than allowed.
func (n neighbours) tooNear(node, net int, least float64) bool {
	for _, o := range n[node] {
		if o.net != net && o.gap < least-epsilon {
			return true
		}
	}
	return false
}

// padRadiusOf is the radius of a leg's pad: the drill and a ring of 0.35 mm, 0.8 mm at least.
func (p *Plan) padRadiusOf(l Leg) float64 { return max(0.8, p.drillOf(l)/2+0.35) }

// square reports whether a leg's pad is square: the first of its part.
func (p *Plan) square(l Leg) bool {
	pins, _ := p.Board.Part(l.Ref).Legs()
	return pins[0] == l.Pin
}

func (p *Plan) drillOf(l Leg) float64 { return p.Board.Part(l.Ref).Type.Footprint.Drill }

// lay turns one net's paths into tracks and vias; corners without a junction are bevelled at 45 degrees.
func (c *Copper) lay(m *routingGrid, net string, index int, paths [][]int) {
	degree := map[int]int{}
	for _, w := range paths {
		for i, node := range w {
			if i > 0 {
				degree[node]++
			}
			if i < len(w)-1 {
				degree[node]++
			}
		}
	}
	for _, w := range paths {
		var line []point
		flush := func(layer int) {
			for i := 1; i < len(line); i++ {
				c.Tracks = append(c.Tracks, Track{net, layer, line[i-1], line[i], c.wide(net)})
			}
			line = line[:0]
		}
		add := func(p point) {
			if len(line) == 0 || line[len(line)-1] != p {
				line = append(line, p)
			}
		}
		for i, node := range w {
			at, layer := c.node(m, node), node/(m.cols*m.rows)
			last := i == len(w)-1
			switch {
			case i > 0 && !last && w[i+1]-node == node-w[i-1]: // straight on
			case i > 0 && !last && degree[node] == 2 && m.cuts(w[i-1], node, w[i+1], index):
				add(middle(c.node(m, w[i-1]), at))
				add(middle(at, c.node(m, w[i+1])))
			default:
				add(at)
			}
			if !last && m.flat(w[i+1]) == m.flat(node) {
				flush(layer)
				if m.padNet[m.flat(node)] != index {
					c.Vias = append(c.Vias, Via{net, at})
				}
			}
			if last {
				flush(layer)
			}
		}
	}
}

// cuts reports whether a corner may be bevelled: it is no pad and no via, and no other pad, which may be square, is
// inside it.
func (m *routingGrid) cuts(before, at, after, net int) bool {
	a, b, c := m.flat(before), m.flat(at), m.flat(after)
	inside := m.padNet[a+c-b]
	return a != b && b != c && m.padNet[b] == free && (inside == free || inside == net)
}

func middle(a, b point) point { return point{(a.x + b.x) / 2, (a.y + b.y) / 2} }
