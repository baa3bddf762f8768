package layout

import (
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
	siemensSquare = foilThickness / resistivity // of a square of foil
)

// steadyAmps is the current from which a net's copper is worth knowing.
const steadyAmps = 0.1

// Resistances gives the circuit what its zero nets and those with current conduct on this board, at 50 degC.
func (p *Printed) Resistances() map[string]circuit.Copper {
	list := map[string]circuit.Copper{}
	for _, n := range p.Board.Nets {
		if n.Name == "GND" || n.Amps >= steadyAmps {
			list[n.Name] = p.conductance(n.Name)
		}
	}
	return list
}

// network is a graph of conductances.
type network struct {
	links [][]link // of each node, sorted by where they lead
	spare []link
}

type link struct {
	to      int
	siemens float64
}

// node is a new one.
func (n *network) node() int {
	n.links = append(n.links, nil)
	return len(n.links) - 1
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
	star := n.links[i]
	sum := 0.0
	for _, l := range star {
		sum += l.siemens
	}
	for _, l := range star {
		n.spare = meshed(n.spare[:0], n.links[l.to], star, i, l, sum)
		n.links[l.to] = append(n.links[l.to][:0], n.spare...)
		neighbours = append(neighbours, l.to)
	}
	n.links[i] = nil
	return neighbours
}

// meshed appends the links of the neighbour at one end of a star's ray after the star's middle has gone: all lists are
// sorted.
func meshed(out, own, star []link, middle int, ray link, sum float64) []link {
	for k := 0; k < len(own) || len(star) > 0; {
		switch {
		case k < len(own) && own[k].to == middle:
			k++
		case len(star) > 0 && star[0].to == ray.to:
			star = star[1:]
		case len(star) == 0 || k < len(own) && own[k].to < star[0].to:
			out = append(out, own[k])
			k++
		default:
			l := link{star[0].to, ray.siemens * star[0].siemens / sum}
			if k < len(own) && own[k].to == l.to {
				l.siemens += own[k].siemens
				k++
			}
			out, star = append(out, l), star[1:]
		}
	}
	return out
}
