package layout

import (
	"fmt"
	"math"
)

// Copper is a board printed: the same places, tracks on two layers between them.
type Copper struct {
	*Plan
	Tracks []Track
	Vias   []Via
}

// Track is a straight piece of copper.
type Track struct {
	Net      string
	Layer    int // 0: the parts' side, 1: the solder side
	From, To point
	Wide     float64 // mm
}

// Via joins the layers.
type Via struct {
	Net string
	At  point
}

// What printed boards are made of, in millimetres: within what any maker of boards does (common practice, no source).
const (
	trackThin = 0.4
	trackWide = 1.0 // for nets of wideFrom and more
	wideFrom  = 0.3 // A
	viaRadius = 0.4
	viaDrill  = 0.4
	clearance = 0.2
	fine      = 2 // steps of the tracks' grid to a hole
	step      = pitch / fine
)

// Trace finds the tracks. It fails when they do not fit.
func (p *Plan) Trace() (*Copper, error) {
	m, names := p.maze(fine)
	zones := p.zones()
	near := p.near(m)
	for n, net := range names {
		half := p.wide(net) / 2
		m.closed = append(m.closed, m.closedTo(n, func(node int) bool {
			return p.may(zones, net, p.node(m, node), half) && !near.nears(node, n, half+clearance)
		}))
	}
	m.change = func(node int) bool {
		return m.pad[node] == free && !near.nears(node, free, viaRadius+clearance)
	}
	m.prefer = func(layer int, flat bool) int64 {
		if flat == (layer == 0) {
			return 0
		}
		return oneStep
	}
	ways, left := m.search()
	if left > 0 {
		return nil, fmt.Errorf("board %s: tracks of different nets meet at %d places: place parts further apart",
			p.Board.Name, left)
	}
	c := &Copper{Plan: p}
	for n, f := range ways {
		if len(f.ways) < len(m.nets[n].pads)-1 {
			return nil, fmt.Errorf("board %s: net %s cannot be joined and keep its distances: move its parts", p.Board.Name,
				names[n])
		}
		c.lay(m, names[n], n, f.ways)
	}
	return c, nil
}

// wide is the width of a net's tracks.
func (p *Plan) wide(net string) float64 {
	if n := p.Board.Net(net); n != nil && n.Amps >= wideFrom {
		return trackWide
	}
	return trackThin
}

// node is where a node of the tracks' grid is.
func (p *Plan) node(m *maze, node int) point {
	node = m.flat(node)
	return p.at(1+float64(node%m.cols)/fine, 1+float64(node/m.cols)/fine)
}

// neighbours tells of each node the pads that are near: their nets and how far their copper is.
type neighbours [][]neighbour

type neighbour struct {
	net int
	gap float64
}

func (p *Plan) near(m *maze) neighbours {
	list := make(neighbours, m.cols*m.rows)
	for _, l := range p.Legs {
		col, row := (l.At.Col-1)*fine, (l.At.Row-1)*fine
		net, radius := m.pad[row*m.cols+col], p.padOf(l)
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

// nears reports whether another net's pad comes nearer to a node than it may.
func (n neighbours) nears(node, net int, least float64) bool {
	for _, o := range n[node] {
		if o.net != net && o.gap < least-tiny {
			return true
		}
	}
	return false
}

// padOf is the radius of a leg's pad: the drill and a ring of 0.35 mm, 0.8 mm at least.
func (p *Plan) padOf(l Leg) float64 { return max(0.8, p.drillOf(l)/2+0.35) }

func (p *Plan) drillOf(l Leg) float64 { return p.Board.Part(l.Ref).Type.Foot.Drill }

// lay turns one net's ways into tracks and vias; corners where nothing else joins are cut off at 45 degrees.
func (c *Copper) lay(m *maze, net string, index int, ways [][]int) {
	degree := map[int]int{}
	for _, w := range ways {
		for i, node := range w {
			if i > 0 {
				degree[node]++
			}
			if i < len(w)-1 {
				degree[node]++
			}
		}
	}
	for _, w := range ways {
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
				if m.pad[m.flat(node)] != index {
					c.Vias = append(c.Vias, Via{net, at})
				}
			}
			if last {
				flush(layer)
			}
		}
	}
}

// cuts reports whether a corner may be cut off: it is no pad and no via, and no other pad, which may be square, is
// inside it.
func (m *maze) cuts(before, at, after, net int) bool {
	a, b, c := m.flat(before), m.flat(at), m.flat(after)
	inside := m.pad[a+c-b]
	return a != b && b != c && m.pad[b] == free && (inside == free || inside == net)
}

func middle(a, b point) point { return point{(a.x + b.x) / 2, (a.y + b.y) / 2} }
