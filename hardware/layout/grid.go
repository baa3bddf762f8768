package layout

import "slices"

// routingGrid is the grid on which nets are routed: a node for each hole.
type routingGrid struct {
	cols, rows int
	nets       []gridNet
	padNet     []int                     // node: index of the net whose pad is there, or free
	blocked    []func(node int) bool     // for each net: nodes that it may not use
	link       func(net, a, b int) int64 // price of an insulated wire between two pads, or none
}

type gridNet struct{ pads []int }

const (
	free = -1
	none = int64(-1)
)

// route is one net's result: paths from node to node, and pairs of pads joined by insulated wires.
type route struct {
	paths [][]int
	links [][2]int
}

// Prices are integers: floating-point rounding differs between processors and would decide ties.
const (
	stepPrice     = int64(1000) // price of a step from node to node
	bendPrice     = 600         // of a corner
	maxIterations = 80          // of the negotiation
)

func (m *routingGrid) size() int { return m.cols * m.rows }

// search routes every net by negotiated congestion: nets may share nodes at first, and shared nodes cost more each
// turn, until the nets that can go elsewhere do (McMurchie and Ebeling, PathFinder, FPGA 1995, the idea from memory).
// left is how many nodes are still shared.
func (m *routingGrid) search() (paths []route, left int) {
	paths = make([]route, len(m.nets))
	users, history := make([]int64, m.size()), make([]int64, m.size())
	s := newPathfinder(m)
	presentFactor := stepPrice / 2
	for turn := range maxIterations {
		for n := range m.nets {
			if turn > 0 && !hasShared(paths[n], users) {
				continue
			}
			addUsers(paths[n], users, -1)
			price := func(node int) int64 {
				return (stepPrice + history[node]) * (stepPrice + presentFactor*users[node]) / stepPrice
			}
			paths[n] = s.tree(n, price)
			addUsers(paths[n], users, 1)
		}
		left = 0
		for node, u := range users {
			if u > 1 {
				left++
				history[node] += 400 * (u - 1)
			}
		}
		if left == 0 {
			return paths, 0
		}
		presentFactor = min(presentFactor*7/5, 200*stepPrice)
	}
	return paths, left
}

func addUsers(f route, users []int64, by int64) {
	for _, node := range f.nodes() {
		users[node] += by
	}
}

func hasShared(f route, users []int64) bool {
	return slices.ContainsFunc(f.nodes(), func(node int) bool { return users[node] > 1 })
}

// nodes are the nodes of all paths, each once.
func (f route) nodes() (list []int) {
	for _, w := range f.paths {
		list = append(list, w...)
	}
	slices.Sort(list)
	return slices.Compact(list)
}

// pathfinder holds the memory of one search at a time.
type pathfinder struct {
	m     *routingGrid
	best  []int64 // state: least price so far
	from  []int32 // state: the one before
	stamp []int32 // state: the search in which best and from were written
	goal  []int32 // node: the search in which it is a goal
	now   int32
	queue states
}

const headings = 5 // right, down, left, up, and none yet

func newPathfinder(m *routingGrid) *pathfinder {
	n := m.size() * headings
	return &pathfinder{m: m, best: make([]int64, n), from: make([]int32, n), stamp: make([]int32, n),
		goal: make([]int32, m.size())}
}

// tree connects the pads of one net, each time the one that is cheapest to reach.
func (s *pathfinder) tree(net int, price func(int) int64) (f route) {
	pads := s.m.nets[net].pads
	if len(pads) < 2 {
		return f
	}
	tree := []int{pads[0]}
	joined := []int{pads[0]}
	rest := slices.Clone(pads[1:])
	for len(rest) > 0 {
		a, b, cheap := s.m.cheapestLink(net, joined, rest)
		path := s.path(net, tree, rest, price, cheap)
		if path == nil && cheap == none {
			return route{} // no path: the caller finds the net unconnected
		}
		if path == nil {
			f.links = append(f.links, [2]int{a, b})
		} else {
			f.paths = append(f.paths, path)
			b = path[len(path)-1]
		}
		tree = append(append(tree, path...), b)
		joined = append(joined, b)
		rest = slices.DeleteFunc(rest, func(p int) bool { return p == b })
	}
	return f
}

func (m *routingGrid) cheapestLink(net int, joined, rest []int) (a, b int, price int64) {
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

// path finds the cheapest path from the tree to one of the pads, or nil if there is none below the price of a link.
func (s *pathfinder) path(net int, tree, pads []int, price func(int) int64, most int64) []int {
	s.now++
	s.queue = s.queue[:0]
	for _, pad := range pads {
		s.goal[pad] = s.now
	}
	for _, node := range tree {
		s.relax(node*headings+headings-1, 0, -1)
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
			return s.traceback(int(at.id))
		}
		s.expand(net, at, price)
	}
	return nil
}

// expand relaxes the neighbours of a state.
func (s *pathfinder) expand(net int, at state, price func(int) int64) {
	m := s.m
	node, heading := int(at.id/headings), int(at.id%headings)
	col, row := node%m.cols, node/m.cols
	for to, step := range [4][2]int{{1, 0}, {0, 1}, {-1, 0}, {0, -1}} {
		c, r := col+step[0], row+step[1]
		if c < 0 || r < 0 || c >= m.cols || r >= m.rows {
			continue
		}
		next := r*m.cols + c
		if m.blocked[net](next) {
			continue
		}
		cost := price(next)
		if heading < 4 && heading != to {
			cost += bendPrice
		}
		s.relax(next*headings+to, at.price+cost, at.id)
	}
}

func (s *pathfinder) relax(id int, price int64, from int32) {
	if s.stamp[id] == s.now && s.best[id] <= price {
		return
	}
	s.stamp[id], s.best[id], s.from[id] = s.now, price, from
	s.queue.push(state{int32(id), price})
}

// traceback is the path to a state, from the tree on.
func (s *pathfinder) traceback(id int) (path []int) {
	for at := int32(id); at >= 0; at = s.from[at] {
		if node := int(at) / headings; len(path) == 0 || path[len(path)-1] != node {
			path = append(path, node)
		}
	}
	slices.Reverse(path)
	return path
}

// state is a node, the heading by which it was reached, and the price so far.
type state struct {
	id    int32
	price int64
}

func (s state) before(o state) bool { return s.price < o.price || s.price == o.price && s.id < o.id }

// states is a heap of states by price. The library's heap takes twice the time here.
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
