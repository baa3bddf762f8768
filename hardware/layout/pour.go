package layout

import "math"

// The ground pour is hatched: tracks of the zero net along every free line of the routing grid, on both layers, joined
// by vias. Plain tracks need no program that fills areas, and their resistance is that of the board as it is made.
const (
	hatchWidth = 0.5 // mm
	hatchVias  = 3   // nodes each way for every via
	cellSize   = 4.0 // mm, of the index of what is near
)

// hatch is a pour while it is made.
type hatch struct {
	c       *Copper
	m       *routingGrid
	net     string
	index   int
	near    map[[2]int][]conductor // other nets' copper by cell
	edge    [2][]bool              // of each node: to the right, downwards
	covered [2][]bool              // there is a track of the net already
	via     []bool                 // of each flat node
	anchor  []bool                 // of each node: a pad, a via or a track of the net is there already
}

// pour adds the hatch of one net.
func (c *Copper) pour(m *routingGrid, index int, net string) {
	h := &hatch{c: c, m: m, net: net, index: index, near: map[[2]int][]conductor{}, via: make([]bool, m.cols*m.rows),
		anchor: make([]bool, m.size())}
	for i := range h.edge {
		h.edge[i], h.covered[i] = make([]bool, m.size()), make([]bool, m.size())
	}
	for _, o := range c.printed() {
		if o.net == net {
			h.mark(o)
		} else {
			h.put(o)
		}
	}
	for _, at := range c.pillars() {
		h.put(conductor{from: at, to: at, radius: pillarRadius, layer: both})
	}
	h.allow()
	for h.prune() {
	}
	h.keepJoined()
	h.lay()
}

// least is the distance from another net's copper, or from that of an isolated group.
func (h *hatch) least(o conductor) float64 {
	if o.group != "" && o.group != h.c.group(h.net) {
		return Barrier
	}
	return clearance
}

// put indexes another net's copper.
func (h *hatch) put(o conductor) {
	reach := o.radius + h.least(o) + viaRadius
	cell := func(x float64) int { return int(math.Floor(x / cellSize)) }
	for x := cell(min(o.from.x, o.to.x) - reach); x <= cell(max(o.from.x, o.to.x)+reach); x++ {
		for y := cell(min(o.from.y, o.to.y) - reach); y <= cell(max(o.from.y, o.to.y)+reach); y++ {
			h.near[[2]int{x, y}] = append(h.near[[2]int{x, y}], o)
		}
	}
}

// mark notes the net's own copper: the nodes and steps that it covers.
func (h *hatch) mark(o conductor) {
	const half = pitch / fine / 2
	for node := range h.anchor {
		if at := h.c.node(h.m, node); at.from(o.from, o.to) < epsilon && (o.layer == both || o.layer == h.layer(node)) {
			h.anchor[node] = true
			for to, next := range [2]point{{at.x + half, at.y}, {at.x, at.y + half}} {
				h.covered[to][node] = h.covered[to][node] || next.from(o.from, o.to) < epsilon
			}
		}
	}
}

func (h *hatch) layer(node int) int { return node / (h.m.cols * h.m.rows) }

// next is the node to the right of one, or below it; none at the edge.
func (h *hatch) next(node, to int) (int, bool) {
	flat := h.m.flat(node)
	if to == 0 {
		return node + 1, flat%h.m.cols < h.m.cols-1
	}
	return node + h.m.cols, flat/h.m.cols < h.m.rows-1
}

// free reports whether copper of a radius from one place to another keeps its distance from all else.
func (h *hatch) free(a, b point, layer int, radius float64) bool {
	middle := point{(a.x + b.x) / 2, (a.y + b.y) / 2}
	for _, at := range []point{a, middle, b} {
		cell := [2]int{int(math.Floor(at.x / cellSize)), int(math.Floor(at.y / cellSize))}
		for _, o := range h.near[cell] {
			least := h.least(o)
			if (layer == both || o.layer == both || o.layer == layer || least == Barrier) &&
				distance(a, b, o.from, o.to)-o.radius-radius < least-epsilon {
				return false
			}
		}
	}
	return true
}

// allow finds all steps and vias that there is room for.
func (h *hatch) allow() {
	zones := h.c.zones()
	may := make([]bool, h.m.size())
	for node := range may {
		pad := h.m.padNet[h.m.flat(node)]
		at := h.c.node(h.m, node)
		may[node] = (pad == free || pad == h.index) && h.c.may(zones, h.net, at, hatchWidth/2) &&
			h.free(at, at, h.layer(node), hatchWidth/2)
	}
	for node := range may {
		for to := range h.edge {
			next, is := h.next(node, to)
			h.edge[to][node] = is && may[node] && may[next] && !h.covered[to][node] &&
				h.free(h.c.node(h.m, node), h.c.node(h.m, next), h.layer(node), hatchWidth/2)
		}
	}
	for flat := range h.via {
		at := h.c.node(h.m, flat)
		below := flat + h.m.cols*h.m.rows
		h.via[flat] = flat%h.m.cols%hatchVias == 0 && flat/h.m.cols%hatchVias == 0 && may[flat] && may[below] &&
			!h.anchor[flat] && !h.anchor[below] && h.m.mayChangeLayer(flat) && h.free(at, at, both, viaRadius)
	}
}

// steps lists the steps from a node: where they lead and which they are.
func (h *hatch) steps(node int) (list [][3]int) {
	for to := range h.edge {
		if next, is := h.next(node, to); is && h.edge[to][node] {
			list = append(list, [3]int{next, to, node})
		}
	}
	if flat := h.m.flat(node); flat%h.m.cols > 0 && h.edge[0][node-1] {
		list = append(list, [3]int{node - 1, 0, node - 1})
	}
	if flat := h.m.flat(node); flat >= h.m.cols && h.edge[1][node-h.m.cols] {
		list = append(list, [3]int{node - h.m.cols, 1, node - h.m.cols})
	}
	return list
}

// prune takes away steps that lead nowhere and vias that join nothing. It reports whether there were any.
func (h *hatch) prune() (changed bool) {
	for flat, is := range h.via {
		if is && (len(h.steps(flat)) == 0 || len(h.steps(flat+h.m.cols*h.m.rows)) == 0) {
			h.via[flat], changed = false, true
		}
	}
	for node := range h.anchor {
		if s := h.steps(node); len(s) == 1 && !h.anchor[node] && !h.via[h.m.flat(node)] {
			h.edge[s[0][1]][s[0][2]], changed = false, true
		}
	}
	return changed
}

// keepJoined takes away what is not joined to the net's own copper.
func (h *hatch) keepJoined() {
	seen := make([]bool, h.m.size())
	var queue []int
	for node, is := range h.anchor {
		if is {
			seen[node], queue = true, append(queue, node)
		}
	}
	for len(queue) > 0 {
		node := queue[len(queue)-1]
		queue = queue[:len(queue)-1]
		reach := func(to int) {
			if !seen[to] {
				seen[to], queue = true, append(queue, to)
			}
		}
		for _, s := range h.steps(node) {
			reach(s[0])
		}
		if h.via[h.m.flat(node)] {
			reach((node + h.m.cols*h.m.rows) % h.m.size())
		}
	}
	for node, is := range seen {
		if !is {
			h.edge[0][node], h.edge[1][node], h.via[h.m.flat(node)] = false, false, false
		}
	}
}

// lay adds the tracks, straight ones as long as they go, and the vias.
func (h *hatch) lay() {
	for to := range h.edge {
		done := make([]bool, h.m.size())
		for node := range h.edge[to] {
			if done[node] || !h.edge[to][node] {
				continue
			}
			end := node
			for h.edge[to][end] {
				done[end] = true
				end, _ = h.next(end, to)
			}
			h.c.Tracks = append(h.c.Tracks, Track{h.net, h.layer(node), h.c.node(h.m, node), h.c.node(h.m, end), hatchWidth})
		}
	}
	for flat, is := range h.via {
		if is {
			h.c.Vias = append(h.c.Vias, Via{h.net, h.c.node(h.m, flat)})
		}
	}
}
