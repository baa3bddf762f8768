package layout

import (
	"math"
	"slices"

	"stillwater/hardware/circuit"
)

// What copper resists. Resistivity of annealed copper 17.24 nohm m at 20 degC and its rise of 0.393 % a kelvin:
// IEC 60028. Thickness: 35 um as ordered; in vias 20 um (common practice, no source).
const (
	resistivity   = 17.24e-6 * (1 + 0.00393*(warm-20)) // ohm mm, at the warmest corner
	warm          = 50.0                               // degC
	foilThickness = 0.035                              // mm
	viaThickness  = 0.020
	boardDepth    = 1.6
)

// steadyAmps is the current from which a net's copper is worth knowing.
const steadyAmps = 0.1

// Resistances gives the circuit what its zero nets and those with current conduct on this board, at 50 degC.
func (c *Copper) Resistances() map[string]circuit.Copper {
	list := map[string]circuit.Copper{}
	for _, n := range c.Board.Nets {
		if n.Name == "GND" || n.Amps >= steadyAmps {
			list[n.Name] = c.conductance(n.Name)
		}
	}
	return list
}

// cell is a place of copper in steps of a quarter of a hole's pitch, on a layer.
type cell struct{ x, y, layer int }

// network is a graph of conductances.
type network struct {
	index map[cell]int
	links [][]link // of each node, sorted by where they lead
}

type link struct {
	to      int
	siemens float64
}

func (n *network) at(s cell) int {
	i, known := n.index[s]
	if !known {
		i = len(n.links)
		n.index[s], n.links = i, append(n.links, nil)
	}
	return i
}

func (n *network) join(a, b int, siemens float64) {
	if a == b {
		return
	}
	for _, way := range [2][2]int{{a, b}, {b, a}} {
		list := n.links[way[0]]
		i, known := slices.BinarySearchFunc(list, way[1], func(l link, to int) int { return l.to - to })
		if known {
			list[i].siemens += siemens
			continue
		}
		n.links[way[0]] = slices.Insert(list, i, link{way[1], siemens})
	}
}

func (n *network) cut(from, to int) {
	n.links[from] = slices.DeleteFunc(n.links[from], func(l link) bool { return l.to == to })
}

// conductance reduces a net's copper to its pins.
func (c *Copper) conductance(net string) circuit.Copper {
	n := &network{index: map[cell]int{}}
	var pins []string
	pads := map[int]int{}
	for _, l := range c.Legs {
		if l.Net != net {
			continue
		}
		at := c.cell(c.hole(l.At), 0) // the pad and its hole's wall join the layers without resistance
		i := n.at(at)
		n.index[cell{at.x, at.y, 1}] = i
		pads[i] = len(pins)
		pins = append(pins, l.Ref+"."+l.Pin)
	}
	for _, t := range c.Tracks {
		if t.Net == net {
			c.addTrack(n, t)
		}
	}
	for _, v := range c.Vias {
		if v.Net == net {
			wall := math.Pi * viaDrill * viaThickness
			n.join(n.at(c.cell(v.At, 0)), n.at(c.cell(v.At, 1)), wall/(resistivity*boardDepth))
		}
	}
	n.reduce(func(i int) bool { _, is := pads[i]; return is })
	out := circuit.Copper{Pins: pins, Siemens: make([][]float64, len(pins))}
	for i := range pins {
		out.Siemens[i] = make([]float64, len(pins))
	}
	for i, p := range pads {
		for _, l := range n.links[i] {
			out.Siemens[p][pads[l.to]] = l.siemens
		}
	}
	return out
}

const cellsPerHole = 4

func (c *Copper) cell(at point, layer int) cell {
	first := c.at(1, 1)
	steps := func(mm float64) int { return int(math.Round(mm / pitch * cellsPerHole)) }
	return cell{steps(at.x - first.x), steps(at.y - first.y), layer}
}

// addTrack adds a track as a chain, so that others may join it anywhere on the way.
func (c *Copper) addTrack(n *network, t Track) {
	a, b := c.cell(t.From, t.Layer), c.cell(t.To, t.Layer)
	steps := max(abs(b.x-a.x), abs(b.y-a.y))
	if steps == 0 {
		return
	}
	long := math.Hypot(t.To.x-t.From.x, t.To.y-t.From.y) / float64(steps)
	dx, dy := (b.x-a.x)/steps, (b.y-a.y)/steps
	for i := range steps {
		from := cell{a.x + i*dx, a.y + i*dy, t.Layer}
		n.join(n.at(from), n.at(cell{from.x + dx, from.y + dy, t.Layer}), t.Wide*foilThickness/(resistivity*long))
	}
}

func abs(x int) int { return max(x, -x) }

// reduce replaces every node that is not kept by what it conducts between its neighbours, those with the fewest first.
func (n *network) reduce(kept func(int) bool) {
	byDegree := [][]int{}
	put := func(i int) {
		for d := len(n.links[i]); d >= len(byDegree); {
			byDegree = append(byDegree, nil)
		}
		byDegree[len(n.links[i])] = append(byDegree[len(n.links[i])], i)
	}
	gone := make([]bool, len(n.links))
	for i := range n.links {
		if !kept(i) {
			put(i)
		}
	}
	for d := 0; d < len(byDegree); d++ {
		for len(byDegree[d]) > 0 {
			i := byDegree[d][len(byDegree[d])-1]
			byDegree[d] = byDegree[d][:len(byDegree[d])-1]
			if gone[i] || len(n.links[i]) != d {
				continue
			}
			gone[i] = true
			for _, o := range n.eliminate(i) {
				if !kept(o) {
					put(o)
					d = min(d, len(n.links[o]))
				}
			}
		}
	}
}

// eliminate takes one node away (star to mesh) and lists its neighbours.
func (n *network) eliminate(i int) (neighbours []int) {
	list := n.links[i]
	sum := 0.0
	for _, l := range list {
		n.cut(l.to, i)
		sum += l.siemens
	}
	for k, a := range list {
		for _, b := range list[:k] {
			n.join(a.to, b.to, a.siemens*b.siemens/sum)
		}
		neighbours = append(neighbours, a.to)
	}
	n.links[i] = nil
	return neighbours
}
