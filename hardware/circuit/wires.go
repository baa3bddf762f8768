package circuit

import (
	"cmp"
	"container/heap"
	"maps"
	"math"
	"slices"
)

// What a wire may cost: a step of the grid is 1.
const (
	bendCost   = 5
	branchCost = 7 // of leaving a wire where it neither bends nor ends
	crossCost  = 25
	nearCost   = 3 // of a step beside a part, or where another pin's name belongs
	farthest   = 100
	railReach  = 45 // a supply is wired to near pins only
)

// signRoom is what stays free around a sign, in millimetres.
const signRoom = 0.6

// group is pins of one net in one section that are joined by drawn wires; a lone pin is one too.
type group struct {
	net  string
	tips []tip
	runs [][2]spot // straight pieces
}

// router finds wires in one section.
type router struct {
	sheet *sheet
	area  *Section
	walls []rect
	shut  map[[2]spot]bool       // steps that were tried: does a wall stand there?
	pins  map[spot]string        // whose pin is there
	taken map[spot]map[spot]bool // directions of wires through a place
	owner map[spot]string
	lane  map[spot]string // places straight before a pin: its net
	dear  map[spot]int
}

// section draws a section's wires, signs and net names: what stands alone first, then supplies, then signals around
// them.
func (s *sheet) section(f *Section) {
	r := &router{sheet: s, area: f, pins: map[spot]string{}, taken: map[spot]map[spot]bool{}, owner: map[spot]string{},
		lane: map[spot]string{}}
	nets := map[string][]tip{}
	var alone, rails, signals []string
	for _, p := range s.board.Parts {
		if p.Section != f.Name {
			continue
		}
		for _, t := range p.tips() {
			r.pins[t.at], r.lane[t.at.add(t.out)] = t.net, t.net
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
		slices.SortStableFunc(list, func(a, b string) int { return cmp.Compare(span(nets[a]), span(nets[b])) })
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

// span is half the way around a net's pins.
func span(tips []tip) int {
	x0, x1, y0, y1 := tips[0].at.x, tips[0].at.x, tips[0].at.y, tips[0].at.y
	for _, t := range tips {
		x0, x1, y0, y1 = min(x0, t.at.x), max(x1, t.at.x), min(y0, t.at.y), max(y1, t.at.y)
	}
	return x1 - x0 + y1 - y0
}

// build collects what a wire must not pass: symbols, texts, signs, barriers.
func (r *router) build() {
	var bodies []rect
	r.walls, r.shut, r.dear = nil, map[[2]spot]bool{}, map[spot]int{}
	add := func(to *[]rect, w rect) {
		if w.meets(r.area.rect()) {
			*to = append(*to, w)
		}
	}
	for _, b := range r.sheet.bodies {
		add(&bodies, b)
		add(&r.walls, b.grow(-0.3))
	}
	for _, t := range r.sheet.texts {
		if t.style != leg {
			add(&r.walls, t.box().grow(0.2))
		}
	}
	for _, k := range r.sheet.inks {
		switch k.style {
		case barrier:
			add(&r.walls, k.box().grow(0.2))
		case sign:
			add(&r.walls, k.box().grow(signRoom))
		}
	}
	for x := r.area.X + 1; x < r.area.X+r.area.W; x++ {
		for y := r.area.Y + 1; y < r.area.Y+r.area.H; y++ {
			a := spot{x, y}
			px, py := a.mm()
			for _, b := range bodies {
				if b.grow(1.4).meets(rect{px, py, px + 0.01, py + 0.01}) {
					r.dear[a] += nearCost
				}
			}
		}
	}
}

func (r *router) walled(a, b spot) bool {
	shut, known := r.shut[[2]spot{a, b}]
	if !known {
		ax, ay := a.mm()
		bx, by := b.mm()
		shut = slices.ContainsFunc(r.walls, func(w rect) bool { return w.cut([2]float64{ax, ay}, [2]float64{bx, by}) })
		r.shut[[2]spot{a, b}] = shut
	}
	return shut
}

// wire joins what it can of a net's pins.
func (r *router) wire(net string, tips []tip) (groups []*group) {
	reach := farthest
	switch {
	case net == "GND":
		reach = 0
	case isRail(net):
		reach = railReach
	}
	left := slices.Clone(tips)
	for len(left) > 0 {
		g := &group{net: net, tips: left[:1:1]}
		tree := map[spot]int{left[0].at: 0}
		left = left[1:]
		for len(left) > 0 {
			path := r.search(net, tree, left, reach)
			if path == nil {
				break
			}
			r.lay(net, path)
			for _, a := range path[1:] {
				tree[a] = branchCost
			}
			for _, run := range straight(path) {
				g.runs = append(g.runs, run)
				tree[run[1]] = 0
			}
			end := path[len(path)-1]
			i := slices.IndexFunc(left, func(t tip) bool { return t.at == end })
			g.tips = append(g.tips, left[i])
			left = slices.Delete(left, i, i+1)
		}
		groups = append(groups, g)
	}
	return groups
}

// lay marks a path's places as taken.
func (r *router) lay(net string, path []spot) {
	for i, a := range path {
		if r.taken[a] == nil {
			r.taken[a] = map[spot]bool{}
		}
		r.owner[a] = net
		if i > 0 {
			r.taken[a][spot{abs(a.x - path[i-1].x), abs(a.y - path[i-1].y)}] = true
		}
		if i+1 < len(path) {
			r.taken[a][spot{abs(a.x - path[i+1].x), abs(a.y - path[i+1].y)}] = true
		}
		if i == 0 || i+1 == len(path) { // an end is not crossed
			r.taken[a][spot{1, 0}], r.taken[a][spot{0, 1}] = true, true
		}
	}
}

func abs(n int) int { return max(n, -n) }

// straight puts steps in one line together.
func straight(path []spot) (runs [][2]spot) {
	from := path[0]
	for i := 1; i < len(path); i++ {
		if i+1 < len(path) && path[i+1].x-path[i].x == path[i].x-path[i-1].x &&
			path[i+1].y-path[i].y == path[i].y-path[i-1].y {
			continue
		}
		runs = append(runs, [2]spot{from, path[i]})
		from = path[i]
	}
	return runs
}

// state is a place and the direction we came in.
type state struct{ at, way spot }

type queued struct {
	state
	cost, rank, turn int // rank: with the least that is still to come; turn: earlier entries first among equals
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

// search finds the cheapest way from the tree to one of the pins (A*), or nil.
func (r *router) search(net string, tree map[spot]int, to []tip, reach int) []spot {
	var open queue
	turn := 0
	from, best := map[state]state{}, map[state]int{}
	push := func(s, before state, cost int) {
		rank := cost + nearest(s.at, to)
		if old, seen := best[s]; rank > reach || seen && old <= cost {
			return
		}
		best[s], from[s] = cost, before
		turn++
		heap.Push(&open, queued{s, cost, rank, turn})
	}
	starts := make([]spot, 0, len(tree))
	for a := range tree {
		starts = append(starts, a)
	}
	slices.SortFunc(starts, func(a, b spot) int { return cmp.Or(cmp.Compare(a.x, b.x), cmp.Compare(a.y, b.y)) })
	for _, a := range starts {
		push(state{a, spot{}}, state{}, tree[a])
	}
	for len(open) > 0 {
		q := heap.Pop(&open).(queued)
		if q.cost > best[q.state] {
			continue
		}
		if q.way != (spot{}) && slices.ContainsFunc(to, func(t tip) bool { return t.at == q.at }) {
			return trace(q.state, from)
		}
		for _, way := range []spot{{1, 0}, {-1, 0}, {0, 1}, {0, -1}} {
			next := state{q.at.add(way), way}
			if cost, ok := r.cost(net, q.state, next, tree); ok {
				push(next, q.state, q.cost+cost)
			}
		}
	}
	return nil
}

// nearest is the number of steps to the nearest pin, if nothing were in the way.
func nearest(a spot, to []tip) int {
	least := math.MaxInt
	for _, t := range to {
		least = min(least, abs(a.x-t.at.x)+abs(a.y-t.at.y))
	}
	return least
}

func trace(s state, from map[state]state) (path []spot) {
	for {
		path = append(path, s.at)
		if s.way == (spot{}) {
			break
		}
		s = from[s]
	}
	slices.Reverse(path)
	return path
}

// cost is that of one more step, and whether it may be done.
func (r *router) cost(net string, a, b state, tree map[spot]int) (int, bool) {
	inside := b.at.x > r.area.X+1 && b.at.x < r.area.X+r.area.W-1 && b.at.y > r.area.Y+1 && b.at.y < r.area.Y+r.area.H-1
	pin, isPin := r.pins[b.at]
	back := b.way.x == -a.way.x && b.way.y == -a.way.y
	_, joined := tree[b.at]
	if !inside || isPin && pin != net || back || joined || r.walled(a.at, b.at) {
		return 0, false
	}
	cost := 1
	if !isPin && r.lane[b.at] != net {
		cost += r.dear[b.at]
	}
	if a.way != (spot{}) && a.way != b.way {
		cost += bendCost
	}
	if used := r.taken[b.at]; used != nil && r.owner[b.at] != net {
		if used[spot{abs(b.way.x), abs(b.way.y)}] { // nor can it bend there: that would be along it
			return 0, false
		}
		cost += crossCost
	}
	return cost, true
}
