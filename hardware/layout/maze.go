package layout

import "slices"

// maze is a grid on which nets look for ways: nodes in columns, rows and layers. A pad takes its node on all layers.
type maze struct {
	cols, rows, layers int
	nets               []mazeNet
	pad                []int                            // node: index of the net whose pad is there, or free
	closed             []func(node int) bool            // for each net: nodes that it may not use
	change             func(node int) bool              // where a way may change its layer without a pad
	link               func(net, a, b int) int64        // price of joining two pads without a way, or none
	prefer             func(layer int, flat bool) int64 // price of one step more on a layer
}

type mazeNet struct{ pads []int }

const (
	free = -1
	none = int64(-1)
)

// found is what one net got: ways from node to node, and pairs of pads that are joined without one.
type found struct {
	ways  [][]int
	links [][2]int
}

// Prices are whole numbers: the last digit of a fraction differs between processors, and would decide where two ways
// cost the same.
const (
	oneStep   = int64(1000) // price of a step from node to node
	bend      = 600         // of a corner
	changing  = 6000        // of a change of layer
	mostTurns = 80          // of the negotiation
)

func (m *maze) size() int { return m.cols * m.rows * m.layers }

// flat is the node below on the first layer.
func (m *maze) flat(node int) int { return node % (m.cols * m.rows) }

// search joins every net. Nets may share nodes at first; shared nodes become dearer each turn, until the nets that can
// go elsewhere do (negotiated congestion: McMurchie and Ebeling, PathFinder, FPGA 1995, the idea from memory). left is
// how many nodes are still shared.
func (m *maze) search() (ways []found, left int) {
	ways = make([]found, len(m.nets))
	users, dear := make([]int64, m.size()), make([]int64, m.size())
	s := newSeeker(m)
	press := oneStep / 2
	for turn := range mostTurns {
		for n := range m.nets {
			if turn > 0 && !shares(ways[n], users) {
				continue
			}
			count(ways[n], users, -1)
			price := func(node int) int64 { return (oneStep + dear[node]) * (oneStep + press*users[node]) / oneStep }
			ways[n] = s.tree(n, price)
			count(ways[n], users, 1)
		}
		left = 0
		for node, u := range users {
			if u > 1 {
				left++
				dear[node] += 400 * (u - 1)
			}
		}
		if left == 0 {
			return ways, 0
		}
		press = min(press*7/5, 200*oneStep)
	}
	return ways, left
}

func count(f found, users []int64, by int64) {
	for _, node := range f.nodes() {
		users[node] += by
	}
}

func shares(f found, users []int64) bool {
	return slices.ContainsFunc(f.nodes(), func(node int) bool { return users[node] > 1 })
}

// nodes are those of all ways, each once.
func (f found) nodes() (list []int) {
	for _, w := range f.ways {
		list = append(list, w...)
	}
	slices.Sort(list)
	return slices.Compact(list)
}

// seeker holds the memory of one search at a time.
type seeker struct {
	m     *maze
	best  []int64 // state: least price so far
	from  []int32 // state: the one before
	stamp []int32 // state: the search in which best and from were written
	goal  []int32 // node: the search in which it is a goal
	now   int32
	queue states
}

const headings = 5 // right, down, left, up, and none yet

func newSeeker(m *maze) *seeker {
	n := m.size() * headings
	return &seeker{m: m, best: make([]int64, n), from: make([]int32, n), stamp: make([]int32, n),
		goal: make([]int32, m.size())}
}

// tree joins the pads of one net, each time the one that is cheapest to reach.
func (s *seeker) tree(net int, price func(int) int64) (f found) {
	pads := s.m.nets[net].pads
	if len(pads) < 2 {
		return f
	}
	tree := s.m.through(pads[0])
	joined := []int{pads[0]}
	rest := slices.Clone(pads[1:])
	for len(rest) > 0 {
		a, b, cheap := s.m.cheapestLink(net, joined, rest)
		way := s.way(net, tree, rest, price, cheap)
		if way == nil && cheap == none {
			return found{} // no way at all: the caller sees the net apart
		}
		if way == nil {
			f.links = append(f.links, [2]int{a, b})
		} else {
			f.ways = append(f.ways, way)
			b = s.m.flat(way[len(way)-1])
		}
		tree = append(append(tree, way...), s.m.through(b)...)
		joined = append(joined, b)
		rest = slices.DeleteFunc(rest, func(p int) bool { return p == b })
	}
	return f
}

// through are a pad's nodes on all layers.
func (m *maze) through(pad int) (nodes []int) {
	for l := range m.layers {
		nodes = append(nodes, pad+l*m.cols*m.rows)
	}
	return nodes
}

func (m *maze) cheapestLink(net int, joined, rest []int) (a, b int, price int64) {
	price = none
	if m.link == nil {
		return 0, 0, none
	}
	for _, x := range joined {
		for _, y := range rest {
			if p := m.link(net, x, y); p != none && (price == none || p < price) {
				a, b, price = x, y, p
			}
		}
	}
	return a, b, price
}

// way finds the cheapest way from the tree to one of the pads, or nil if there is none below the price of a link.
func (s *seeker) way(net int, tree, pads []int, price func(int) int64, most int64) []int {
	s.now++
	s.queue = s.queue[:0]
	for _, pad := range pads {
		for _, node := range s.m.through(pad) {
			s.goal[node] = s.now
		}
	}
	for _, node := range tree {
		s.offer(node*headings+headings-1, 0, -1)
	}
	for len(s.queue) > 0 {
		at := s.queue.pop()
		if at.price > s.best[at.id] {
			continue
		}
		if most != none && at.price > most {
			return nil
		}
		if s.goal[at.id/headings] == s.now {
			return s.back(int(at.id))
		}
		s.spread(net, at, price)
	}
	return nil
}

// spread offers the neighbours of a state.
func (s *seeker) spread(net int, at state, price func(int) int64) {
	m := s.m
	node, heading := int(at.id/headings), int(at.id%headings)
	flat := m.flat(node)
	layer, col, row := node/(m.cols*m.rows), flat%m.cols, flat/m.cols
	for to, step := range [4][2]int{{1, 0}, {0, 1}, {-1, 0}, {0, -1}} {
		c, r := col+step[0], row+step[1]
		if c < 0 || r < 0 || c >= m.cols || r >= m.rows {
			continue
		}
		next := layer*m.cols*m.rows + r*m.cols + c
		if m.closed[net](next) {
			continue
		}
		cost := price(next)
		if heading < 4 && heading != to {
			cost += bend
		}
		if m.prefer != nil {
			cost += m.prefer(layer, step[1] == 0)
		}
		s.offer(next*headings+to, at.price+cost, at.id)
	}
	if m.layers < 2 || !(m.pad[flat] == net || m.change(flat)) {
		return
	}
	next := (1-layer)*m.cols*m.rows + flat
	if m.closed[net](next) {
		return
	}
	cost := int64(0)
	if m.pad[flat] != net {
		cost = changing + price(next)
	}
	s.offer(next*headings+headings-1, at.price+cost, at.id)
}

func (s *seeker) offer(id int, price int64, from int32) {
	if s.stamp[id] == s.now && s.best[id] <= price {
		return
	}
	s.stamp[id], s.best[id], s.from[id] = s.now, price, from
	s.queue.push(state{int32(id), price})
}

// back is the way that led to a state, from the tree on.
func (s *seeker) back(id int) (way []int) {
	for at := int32(id); at >= 0; at = s.from[at] {
		if node := int(at) / headings; len(way) == 0 || way[len(way)-1] != node {
			way = append(way, node)
		}
	}
	slices.Reverse(way)
	return way
}

// state is a node, the heading by which it was reached, and the price so far.
type state struct {
	id    int32
	price int64
}

func (s state) before(o state) bool { return s.price < o.price || s.price == o.price && s.id < o.id }

// states is a heap of what to look at next, the cheapest first. The library's heap takes twice the time here.
type states []state

func (q *states) push(s state) {
	list := append(*q, s)
	i := len(list) - 1
	for i > 0 && s.before(list[(i-1)/2]) {
		list[i] = list[(i-1)/2]
		i = (i - 1) / 2
	}
	list[i] = s
	*q = list
}

func (q *states) pop() state {
	list := *q
	first, last := list[0], list[len(list)-1]
	list = list[:len(list)-1]
	i := 0
	for 2*i+1 < len(list) {
		child := 2*i + 1
		if child+1 < len(list) && list[child+1].before(list[child]) {
			child++
		}
		if !list[child].before(last) {
			break
		}
		list[i] = list[child]
		i = child
	}
	if len(list) > 0 {
		list[i] = last
	}
	*q = list
	return first
}
