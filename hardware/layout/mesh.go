package layout

import (
	"math"
	"slices"

	"stillwater/hardware/circuit"
)

// Zones are cut into squares of meshStep, each a node; what joins two is the part of the strip between their middles
// that is copper, counted in meshLines lines. A square never reaches from one side of another net's track to the other
// side: that takes two clearances and a track.
const (
	meshStep  = 0.5 // mm, less than 2 x clearance + trackWidth
	meshLines = 4
	meshFine  = meshStep / meshLines
)

// mesh is a net's copper while it becomes a network.
type mesh struct {
	*network
	p       *Printed
	net     string
	origin  point
	cols    int            // of fine places
	inside  [2][]bool      // of each fine place: there is copper of a zone
	nodes   [2]map[int]int // of squares
	same    []int          // of each node: another one that is the same, or itself
	anchors []anchor
	chains  []chain
}

// chain is a track: its nodes from end to end, and where they are.
type chain struct {
	conductor
	at   []point
	node []int
}

// conductance reduces a net's copper to its pins, once.
func (p *Printed) conductance(net string) circuit.Copper {
	c, known := p.conducts[net]
	if !known {
		c = p.reduced(net)
		p.conducts[net] = c
	}
	return c
}

func (p *Printed) reduced(net string) circuit.Copper {
	m := &mesh{network: &network{}, p: p, net: net}
	m.raster()
	pins, nodes := m.pads()
	m.vias()
	m.tracks()
	m.squares()
	n := m.contracted()
	pads := map[int]int{}
	for i, node := range nodes {
		pads[m.root(node)] = i
	}
	n.reduce(func(i int) bool { _, is := pads[i]; return is })
	out := circuit.Copper{Pins: pins, Siemens: make([][]float64, len(pins))}
	for i := range pins {
		out.Siemens[i] = make([]float64, len(pins))
	}
	for node, i := range pads {
		for _, l := range n.links[node] {
			out.Siemens[i][pads[l.to]] = l.siemens
		}
	}
	return out
}

// new is a new node.
func (m *mesh) new() int {
	i := m.node()
	m.same = append(m.same, i)
	return i
}

func (m *mesh) root(i int) int {
	for m.same[i] != i {
		m.same[i] = m.same[m.same[i]]
		i = m.same[i]
	}
	return i
}

func (m *mesh) merge(a, b int) { m.same[m.root(a)] = m.root(b) }

// raster marks the fine places that a zone's copper covers, line by line.
func (m *mesh) raster() {
	box := m.p.outline()
	m.origin = box.low
	m.cols = int(math.Ceil((box.high.x-box.low.x)/meshStep))*meshLines + meshLines
	rows := int(math.Ceil((box.high.y-box.low.y)/meshStep))*meshLines + meshLines
	for _, f := range m.p.fills {
		if f.net != m.net {
			continue
		}
		if m.inside[f.layer] == nil {
			m.inside[f.layer] = make([]bool, m.cols*rows)
			m.nodes[f.layer] = map[int]int{}
		}
		for row := range rows {
			for _, span := range f.spans(m.origin.y + (float64(row)+0.5)*meshFine) {
				from := int(math.Ceil((span[0]-m.origin.x)/meshFine - 0.5))
				to := int(math.Floor((span[1]-m.origin.x)/meshFine - 0.5))
				for col := max(0, from); col <= min(to, m.cols-1); col++ {
					m.inside[f.layer][row*m.cols+col] = true
				}
			}
		}
	}
}

// spans are the parts of a horizontal line that lie in the copper.
func (f fill) spans(y float64) (list [][2]float64) {
	var cuts []float64
	last := f.corners[len(f.corners)-1]
	for _, c := range f.corners {
		if (c.y > y) != (last.y > y) {
			cuts = append(cuts, (last.x-c.x)*(y-c.y)/(last.y-c.y)+c.x)
		}
		last = c
	}
	slices.Sort(cuts)
	for i := 0; i+1 < len(cuts); i += 2 {
		list = append(list, [2]float64{cuts[i], cuts[i+1]})
	}
	return list
}

// fine is the fine place of a point.
func (m *mesh) fine(p point) (col, row int) {
	return int(math.Floor((p.x - m.origin.x) / meshFine)), int(math.Floor((p.y - m.origin.y) / meshFine))
}

func (m *mesh) covered(layer, col, row int) bool {
	in := m.inside[layer]
	return in != nil && col >= 0 && row >= 0 && col < m.cols && row*m.cols+col < len(in) && in[row*m.cols+col]
}

// square is the node of the square that a point is in, if there is copper of a zone at the point.
func (m *mesh) square(p point, layer int) (int, bool) {
	col, row := m.fine(p)
	if !m.covered(layer, col, row) {
		return 0, false
	}
	return m.squareAt(layer, col/meshLines, row/meshLines), true
}

func (m *mesh) squareAt(layer, col, row int) int {
	key := row*m.cols + col
	i, known := m.nodes[layer][key]
	if !known {
		i = m.new()
		m.nodes[layer][key] = i
	}
	return i
}

// pads gives each pin a node, one for both layers and for all of a zone's squares under the pad: solder and the hole's
// wall join them.
func (m *mesh) pads() (pins []string, nodes []int) {
	for _, part := range m.p.laid.Parts {
		for _, pad := range part.Pads {
			if !pad.Plated || netName(pad.Net) != m.net {
				continue
			}
			node := m.new()
			pins, nodes = append(pins, part.Ref+"."+pad.Number), append(nodes, node)
			lines := padLines(pad)
			core := lines[0]
			m.anchors = append(m.anchors, anchor{conductor{from: core.line[0], to: core.line[len(core.line)-1], layer: both,
				radius: core.radius}, node})
			for dx := -pad.Wide; dx <= pad.Wide; dx += meshFine {
				for dy := -pad.High; dy <= pad.High; dy += meshFine {
					here := point{pad.At.X + dx, pad.At.Y + dy}
					if !under(lines, here) {
						continue
					}
					for layer := range 2 {
						if square, is := m.square(here, layer); is {
							m.merge(square, node)
						}
					}
				}
			}
		}
	}
	return pins, nodes
}

// under reports whether a point is under a pad's core.
func under(lines []stroke, p point) bool {
	core := lines[0]
	return p.from(core.line[0], core.line[len(core.line)-1]) < core.radius
}

// anchor is a pad, a via's end or a track's end: where it is and its node.
type anchor struct {
	conductor
	node int
}

// tracks makes each track a chain of nodes: at its ends, wherever something joins it, and every meshStep.
func (m *mesh) tracks() {
	list := m.p.tracksOf(m.net)
	for _, t := range list {
		long := math.Hypot(t.to.x-t.from.x, t.to.y-t.from.y)
		cuts := []float64{0, long}
		add := func(at point) { cuts = append(cuts, max(0, min(long, along(t, at)))) }
		for _, a := range m.anchors {
			if a.joins(t) {
				add(a.from)
			}
		}
		for _, o := range list {
			if o.item == t.item || o.layer != t.layer || !o.box().touches(t.box()) {
				continue
			}
			for _, end := range o.ends() {
				if end.joins(t) {
					add(end.from)
				}
			}
			if crosses(o.from, o.to, t.from, t.to) {
				add(crossing(o, t))
			}
		}
		for way := meshStep; way < long; way += meshStep {
			cuts = append(cuts, way)
		}
		slices.Sort(cuts)
		m.chain(t, long, slices.Compact(cuts))
	}
	m.joinChains()
}

// tracksOf are the tracks of a net.
func (p *Printed) tracksOf(net string) (list []conductor) {
	for _, c := range p.copper {
		if c.net == net && c.item >= p.pads && c.radius > 0 && c.layer != both {
			list = append(list, c)
		}
	}
	return list
}

// joins reports whether a place of copper touches a track.
func (a conductor) joins(t conductor) bool { return a.meets(t) && a.gapTo(t) < -overlap }

// ends are the two ends of a track.
func (a conductor) ends() [2]conductor {
	one, other := a, a
	one.to, other.from = a.from, a.to
	return [2]conductor{one, other}
}

// crossing is where two tracks cross.
func crossing(a, b conductor) point {
	u, v := a.to.less(a.from), b.to.less(b.from)
	w := b.from.less(a.from)
	t := (w.x*v.y - w.y*v.x) / (u.x*v.y - u.y*v.x)
	return point{a.from.x + t*u.x, a.from.y + t*u.y}
}

// along is how far a point is along a track from its beginning.
func along(t conductor, p point) float64 {
	u, w := t.to.less(t.from), p.less(t.from)
	return (u.x*w.x + u.y*w.y) / max(math.Hypot(u.x, u.y), epsilon)
}

// chain adds a track's nodes. Where both ends of a piece lie in a zone the zone's copper is the track's.
func (m *mesh) chain(t conductor, long float64, cuts []float64) {
	c := chain{conductor: t}
	inZone := false
	for i, way := range cuts {
		at := t.from
		if long > 0 {
			at = point{t.from.x + (t.to.x-t.from.x)*way/long, t.from.y + (t.to.y-t.from.y)*way/long}
		}
		node, zone := m.square(at, t.layer)
		if !zone {
			node = m.new()
		}
		if i > 0 && !(zone && inZone) {
			m.join(c.node[i-1], node, 2*t.radius*siemensSquare/max(way-cuts[i-1], epsilon))
		}
		inZone = zone
		c.at, c.node = append(c.at, at), append(c.node, node)
	}
	m.chains = append(m.chains, c)
}

// nearest is the node of a chain that is nearest to a place.
func (c chain) nearest(to point) int {
	best := 0
	for i, at := range c.at {
		if math.Hypot(at.x-to.x, at.y-to.y) < math.Hypot(c.at[best].x-to.x, c.at[best].y-to.y) {
			best = i
		}
	}
	return c.node[best]
}

// joinChains makes nodes the same where a track meets pads, vias and other tracks.
func (m *mesh) joinChains() {
	for i, c := range m.chains {
		for _, a := range m.anchors {
			if a.joins(c.conductor) {
				m.merge(c.nearest(a.from), a.node)
			}
		}
		for j, o := range m.chains {
			if i == j || o.layer != c.layer || !o.box().touches(c.box()) {
				continue
			}
			for k, end := range o.ends() {
				if end.joins(c.conductor) {
					m.merge(c.nearest(end.from), o.node[k*(len(o.node)-1)])
				}
			}
			if crosses(o.from, o.to, c.from, c.to) {
				at := crossing(o.conductor, c.conductor)
				m.merge(c.nearest(at), o.nearest(at))
			}
		}
	}
}

// vias joins the layers at each via.
func (m *mesh) vias() {
	for _, v := range m.p.laid.Vias {
		if netName(v.Net) != m.net {
			continue
		}
		var ends [2]int
		for layer := range ends {
			ends[layer] = m.new()
			end := conductor{from: at(v.At), to: at(v.At), radius: v.Wide / 2, layer: layer}
			m.anchors = append(m.anchors, anchor{end, ends[layer]})
			if square, is := m.square(at(v.At), layer); is {
				m.merge(square, ends[layer])
			}
		}
		m.join(ends[0], ends[1], math.Pi*v.Drill*viaThickness/(resistivity*boardDepth))
	}
}

// squares joins the squares of the zones.
func (m *mesh) squares() {
	for layer, in := range m.inside {
		if in == nil {
			continue
		}
		rows := len(in) / m.cols / meshLines
		for row := range rows {
			for col := range m.cols/meshLines - 1 {
				m.strip(layer, col, row, 1, 0)
				if row+1 < rows {
					m.strip(layer, col, row, 0, 1)
				}
			}
		}
	}
}

// strip joins two squares by the lines of copper between their middles.
func (m *mesh) strip(layer, col, row, right, down int) {
	lines := 0
	for line := range meshLines {
		whole := true
		for way := range meshLines {
			step := meshLines/2 + way
			whole = whole && m.covered(layer, col*meshLines+right*step+down*line, row*meshLines+down*step+right*line)
		}
		if whole {
			lines++
		}
	}
	if lines > 0 {
		m.join(m.squareAt(layer, col, row), m.squareAt(layer, col+right, row+down), siemensSquare*float64(lines)/meshLines)
	}
}

// contracted is the network with nodes that are the same made one.
func (m *mesh) contracted() *network {
	out := &network{links: make([][]link, len(m.links))}
	for from, list := range m.links {
		for _, l := range list {
			if from < l.to {
				out.join(m.root(from), m.root(l.to), l.siemens)
			}
		}
	}
	return out
}
