package layout

import (
	"fmt"
	"math"

	"stillwater/hardware/circuit"
)

// Prices of an insulated wire: it is quicker to lay than a long way round, and harder to follow with the eye than a
// short one.
const (
	linkPrice   = 8 * stepPrice
	linkPerHole = stepPrice / 2
)

// Wire connects the legs of each net by bare wires along the holes, and by insulated ones where those would cross. It
// fails if a net cannot be connected with all clearances.
func (p *Plan) Wire() error {
	m, names := p.routingGrid()
	zones := p.zones()
	for n, net := range names {
		m.blocked = append(m.blocked, m.blockedNodes(n, func(node int) bool {
			return p.may(zones, net, p.hole(Hole{node%m.cols + 1, node/m.cols + 1}), padRadius)
		}))
	}
	m.link = p.linkPrices(zones, names, m.cols)
	paths, left := m.search()
	if left > 0 {
		return fmt.Errorf("board %s: %d holes would be shared by wires of different nets: place parts further apart",
			p.Board.Name, left)
	}
	p.Runs, p.Links = nil, nil
	for n, f := range paths {
		if len(f.paths)+len(f.links) < len(m.nets[n].pads)-1 {
			return fmt.Errorf("board %s: net %s cannot be joined and keep its distances: move its parts", p.Board.Name,
				names[n])
		}
		for _, w := range f.paths {
			p.Runs = append(p.Runs, Run{names[n], p.corners(w, m.cols)})
		}
		for _, l := range f.links {
			p.Links = append(p.Links, Link{names[n], p.holeOf(l[0], m.cols), p.holeOf(l[1], m.cols)})
		}
	}
	return nil
}

// routingGrid is the grid of the board's holes, with its nets' pads. Every net of the netlist has an index.
func (p *Plan) routingGrid() (m *routingGrid, names []string) {
	m = &routingGrid{cols: p.Cols, rows: p.Rows}
	m.padNet = make([]int, m.cols*m.rows)
	for i := range m.padNet {
		m.padNet[i] = free
	}
	index := map[string]int{}
	for _, n := range p.Board.Nets {
		index[n.Name] = len(names)
		names = append(names, n.Name)
		m.nets = append(m.nets, gridNet{})
	}
	for _, l := range p.Legs {
		node := (l.At.Row-1)*m.cols + l.At.Col - 1
		n, joined := index[l.Net]
		if !joined {
			m.padNet[node] = blockedHole
			continue
		}
		m.padNet[node] = n
		m.nets[n].pads = append(m.nets[n].pads, node)
	}
	for node := range m.padNet {
		if !p.inside(p.holeOf(node, m.cols)) {
			m.padNet[node] = blockedHole
		}
	}
	return m, names
}

const blockedHole = -2

// blockedNodes tells for each node whether it is blocked for a net: another's pad, or too near to another group.
func (m *routingGrid) blockedNodes(net int, may func(node int) bool) func(int) bool {
	list := make([]bool, m.size())
	for node := range list {
		pad := m.padNet[node]
		list[node] = pad != net && (pad != free || !may(node))
	}
	return func(node int) bool { return list[node] }
}

// linkPrices is the price of an insulated wire from pad to pad; none where it would come too near to another group.
func (p *Plan) linkPrices(zones map[string]rect, names []string, cols int) func(net, a, b int) int64 {
	type pair struct{ net, a, b int }
	known := map[pair]int64{}
	return func(net, a, b int) int64 {
		if price, is := known[pair{net, a, b}]; is {
			return price
		}
		one, other := p.holeOf(a, cols), p.holeOf(b, cols)
		from, to := p.hole(one), p.hole(other)
		across, down := other.Col-one.Col, other.Row-one.Row
		price := linkPrice + int64(math.Round(math.Sqrt(float64(across*across+down*down))*float64(linkPerHole)))
		bits := 4 * max(across, -across, down, -down)
		for i := range bits {
			t := float64(i) / float64(bits)
			if !p.may(zones, names[net], point{from.x + t*(to.x-from.x), from.y + t*(to.y-from.y)}, wireRadius) {
				price = none
			}
		}
		known[pair{net, a, b}] = price
		return price
	}
}

// wireRadius is the radius of an insulated wire in millimetres; its insulation is not relied on.
const wireRadius = 0.7

func (p *Plan) holeOf(node, cols int) Hole { return Hole{node%cols + 1, node/cols + 1} }

// corners are a path's ends and the holes where it turns.
func (p *Plan) corners(path []int, cols int) (list []Hole) {
	for i, node := range path {
		if i > 0 && i < len(path)-1 && path[i+1]-node == node-path[i-1] {
			continue
		}
		list = append(list, p.holeOf(node, cols))
	}
	return list
}

// holes are all that a run passes, its ends among them.
func (r Run) holes() []Hole {
	list := []Hole{r.Corners[0]}
	for i := 1; i < len(r.Corners); i++ {
		at, to := r.Corners[i-1], r.Corners[i]
		for at != to {
			at.Col += sign(to.Col - at.Col)
			at.Row += sign(to.Row - at.Row)
			list = append(list, at)
		}
	}
	return list
}

func sign(x int) int { return max(-1, min(1, x)) }

// Steps is how far a run goes, in holes.
func (r Run) Steps() int { return len(r.holes()) - 1 }

// open reports whether a leg is unconnected.
func (l Leg) open() bool { return l.Net == circuit.Open }
