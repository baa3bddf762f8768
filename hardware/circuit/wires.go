package circuit

import (
	"cmp"
	"container/heap"
	"maps"
	"math"
	"slices"
)

// Costs of a wire: a step of the grid is 1.
const (
	bendCost        = 5
	branchCost      = 7 // of branching off a straight wire
	crossCost       = 25
	nearCost        = 3 // of a step beside a part, or at another pin's label
	maxPathCost     = 100
	maxRailPathCost = 45 // supplies are wired to near pins only
)

// symbolClearance is the free space around a power symbol, in millimetres.
const symbolClearance = 0.6

// group is the pins of one net in one section that are connected by drawn wires; a single pin is one too.
type group struct {
	net     string
	pinEnds []pinEnd
	runs    [][2]gridPoint // mergeSteps pieces
}

// router finds wires in one section.
type router struct {
	sheet     *sheet
	area      *Section
	obstacles []rect
	blocked   map[[2]gridPoint]bool            // cache of isBlocked
	pins      map[gridPoint]string             // net of the pin there
	occupied  map[gridPoint]map[gridPoint]bool // directions of wires through a point
	owner     map[gridPoint]string
	approach  map[gridPoint]string // points just before a pin: its net
	extraCost map[gridPoint]int
}

// section draws a section's wires, power symbols and net names: single pins first, then supplies, then signals around
// them.
func (s *sheet) section(f *Section) {
	r := &router{sheet: s, area: f, pins: map[gridPoint]string{},
		occupied: map[gridPoint]map[gridPoint]bool{}, owner: map[gridPoint]string{},
		approach: map[gridPoint]string{}}
	nets := map[string][]pinEnd{}
	var alone, rails, signals []string
	for _, p := range s.board.Parts {
		if p.Section != f.Name {
			continue
		}
		for _, t := range p.pinEnds() {
			r.pins[t.at], r.approach[t.at.add(t.out)] = t.net, t.net
			if t.net == Open {
				s.open(t)
				continue
			}
			nets[t.net] = append(nets[t.net], t)
		}
	}
	for _, n := range slices.Sorted(maps.Keys(nets)) {
		switch {
		case n == "GND" || len(nets[n]) == 1:
			alone = append(alone, n)
		case isRail(n):
			rails = append(rails, n)
		default:
			signals = append(signals, n)
		}
	}
	for _, list := range [][]string{alone, rails, signals} {
		slices.SortStableFunc(list, func(a, b string) int {
			return cmp.Compare(halfPerimeter(nets[a]), halfPerimeter(nets[b]))
		})
		r.build()
		var groups []*group
		for _, n := range list {
			groups = append(groups, r.wire(n, nets[n])...)
		}
		for _, g := range groups {
			s.drawGroup(g)
		}
		for _, g := range groups {
			s.nameGroup(g, f)
		}
		s.groups = append(s.groups, groups...)
	}
}

// halfPerimeter is half the perimeter of the rectangle around a net's pins.
func halfPerimeter(pinEnds []pinEnd) int {
	x0, x1, y0, y1 := pinEnds[0].at.x, pinEnds[0].at.x, pinEnds[0].at.y, pinEnds[0].at.y
	for _, t := range pinEnds {
		x0, x1, y0, y1 = min(x0, t.at.x), max(x1, t.at.x), min(y0, t.at.y), max(y1, t.at.y)
	}
	return x1 - x0 + y1 - y0
}

// build collects the obstacles of wires: symbols, texts, power symbols, barriers.
func (r *router) build() {
	var bodies []rect
	r.obstacles, r.blocked, r.extraCost = nil, map[[2]gridPoint]bool{}, map[gridPoint]int{}
	add := func(to *[]rect, w rect) {
		if w.meets(r.area.rect()) {
			*to = append(*to, w)
		}
	}
	for _, b := range r.sheet.bodies {
		add(&bodies, b)
		add(&r.obstacles, b.grow(-0.3))
	}
	for _, t := range r.sheet.texts {
		if t.style != leg {
			add(&r.obstacles, t.box().grow(0.2))
		}
	}
	for _, k := range r.sheet.shapes {
		switch k.style {
		case barrier:
			add(&r.obstacles, k.box().grow(0.2))
		case powerSymbol:
			add(&r.obstacles, k.box().grow(symbolClearance))
		}
	}
	for x := r.area.X + 1; x < r.area.X+r.area.W; x++ {
		for y := r.area.Y + 1; y < r.area.Y+r.area.H; y++ {
			a := gridPoint{x, y}
			px, py := a.mm()
			for _, b := range bodies {
				if b.grow(1.4).meets(rect{px, py, px + 0.01, py + 0.01}) {
					r.extraCost[a] += nearCost
				}
			}
		}
	}
}

func (r *router) isBlocked(a, b gridPoint) bool {
	blocked, known := r.blocked[[2]gridPoint{a, b}]
	if !known {
		ax, ay := a.mm()
		bx, by := b.mm()
		blocked = slices.ContainsFunc(r.obstacles, func(w rect) bool { return w.cut([2]float64{ax, ay}, [2]float64{bx, by}) })
		r.blocked[[2]gridPoint{a, b}] = blocked
	}
	return blocked
}

// wire connects as many of a net's pins as it can.
func (r *router) wire(net string, pinEnds []pinEnd) (groups []*group) {
	reach := maxPathCost
	switch {
	case net == "GND":
		reach = 0
	case isRail(net):
		reach = maxRailPathCost
	}
	left := slices.Clone(pinEnds)
	for len(left) > 0 {
		g := &group{net: net, pinEnds: left[:1:1]}
		tree := map[gridPoint]int{left[0].at: 0}
		left = left[1:]
		for len(left) > 0 {
			path := r.search(net, tree, left, reach)
			if path == nil {
				break
			}
			r.occupy(net, path)
			for _, a := range path[1:] {
				tree[a] = branchCost
			}
			for _, run := range mergeSteps(path) {
				g.runs = append(g.runs, run)
				tree[run[1]] = 0
			}
			end := path[len(path)-1]
			i := slices.IndexFunc(left, func(t pinEnd) bool { return t.at == end })
			g.pinEnds = append(g.pinEnds, left[i])
			left = slices.Delete(left, i, i+1)
		}
		groups = append(groups, g)
	}
	return groups
}

// occupy marks a path's points as occupied.
func (r *router) occupy(net string, path []gridPoint) {
	for i, a := range path {
		if r.occupied[a] == nil {
			r.occupied[a] = map[gridPoint]bool{}
		}
		r.owner[a] = net
		if i > 0 {
			r.occupied[a][gridPoint{abs(a.x - path[i-1].x), abs(a.y - path[i-1].y)}] = true
		}
		if i+1 < len(path) {
			r.occupied[a][gridPoint{abs(a.x - path[i+1].x), abs(a.y - path[i+1].y)}] = true
		}
		if i == 0 || i+1 == len(path) { // an end is not crossed
			r.occupied[a][gridPoint{1, 0}], r.occupied[a][gridPoint{0, 1}] = true, true
		}
	}
}

func abs(n int) int { return max(n, -n) }

// mergeSteps merges steps in one line.
func mergeSteps(path []gridPoint) (runs [][2]gridPoint) {
	from := path[0]
	for i := 1; i < len(path); i++ {
		if i+1 < len(path) && path[i+1].x-path[i].x == path[i].x-path[i-1].x &&
			path[i+1].y-path[i].y == path[i].y-path[i-1].y {
			continue
		}
		runs = append(runs, [2]gridPoint{from, path[i]})
		from = path[i]
	}
	return runs
}

// state is a point and the direction of arrival.
type state struct{ at, way gridPoint }

type queued struct {
	state
	cost, rank, turn int // rank: cost with the lower bound of the rest; turn: order of insertion, for ties
}

type queue []queued

func (q queue) Len() int { return len(q) }
func (q queue) Less(i, j int) bool {
	return q[i].rank < q[j].rank || q[i].rank == q[j].rank && q[i].turn < q[j].turn
}
func (q queue) Swap(i, j int) { q[i], q[j] = q[j], q[i] }

// Push adds an entry; the heap calls it.
func (q *queue) Push(x any) { *q = append(*q, x.(queued)) }

// Pop takes the last entry; the heap calls it.
func (q *queue) Pop() any {
	last := (*q)[len(*q)-1]
	*q = (*q)[:len(*q)-1]
	return last
}

// search finds the cheapest path from the tree to one of the pins (A*), or nil.
func (r *router) search(net string, tree map[gridPoint]int, to []pinEnd, reach int) []gridPoint {
	var open queue
	turn := 0
	from, best := map[state]state{}, map[state]int{}
	push := func(s, before state, cost int) {
		rank := cost + nearestPinDistance(s.at, to)
		if old, seen := best[s]; rank > reach || seen && old <= cost {
			return
		}
		best[s], from[s] = cost, before
		turn++
		heap.Push(&open, queued{s, cost, rank, turn})
	}
	starts := make([]gridPoint, 0, len(tree))
	for a := range tree {
		starts = append(starts, a)
	}
	slices.SortFunc(starts, func(a, b gridPoint) int { return cmp.Or(cmp.Compare(a.x, b.x), cmp.Compare(a.y, b.y)) })
	for _, a := range starts {
		push(state{a, gridPoint{}}, state{}, tree[a])
	}
	for len(open) > 0 {
		q := heap.Pop(&open).(queued)
		if q.cost > best[q.state] {
			continue
		}
		if q.way != (gridPoint{}) && slices.ContainsFunc(to, func(t pinEnd) bool { return t.at == q.at }) {
			return trace(q.state, from)
		}
		for _, way := range []gridPoint{{1, 0}, {-1, 0}, {0, 1}, {0, -1}} {
			next := state{q.at.add(way), way}
			if cost, ok := r.cost(net, q.state, next, tree); ok {
				push(next, q.state, q.cost+cost)
			}
		}
	}
	return nil
}

// nearestPinDistance is the number of steps to the nearest pin, without obstacles.
func nearestPinDistance(a gridPoint, to []pinEnd) int {
	least := math.MaxInt
	for _, t := range to {
		least = min(least, abs(a.x-t.at.x)+abs(a.y-t.at.y))
	}
	return least
}

func trace(s state, from map[state]state) (path []gridPoint) {
	for {
		path = append(path, s.at)
		if s.way == (gridPoint{}) {
			break
		}
		s = from[s]
	}
	slices.Reverse(path)
	return path
}

// cost is the cost of one more step, and whether it is allowed.
func (r *router) cost(net string, a, b state, tree map[gridPoint]int) (int, bool) {
	inside := b.at.x > r.area.X+1 && b.at.x < r.area.X+r.area.W-1 && b.at.y > r.area.Y+1 && b.at.y < r.area.Y+r.area.H-1
	pin, isPin := r.pins[b.at]
	back := b.way.x == -a.way.x && b.way.y == -a.way.y
	_, joined := tree[b.at]
	if !inside || isPin && pin != net || back || joined || r.isBlocked(a.at, b.at) {
		return 0, false
	}
	cost := 1
	if !isPin && r.approach[b.at] != net {
		cost += r.extraCost[b.at]
	}
	if a.way != (gridPoint{}) && a.way != b.way {
		cost += bendCost
	}
	if used := r.occupied[b.at]; used != nil && r.owner[b.at] != net {
		if used[gridPoint{abs(b.way.x), abs(b.way.y)}] { // nor can it bend there: it would overlap
			return 0, false
		}
		cost += crossCost
	}
	return cost, true
}
