package circuit

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Copper is what a net's copper conducts on the laid board: between each pair of its pins, as REF.PIN, in siemens. It
// is the network of resistors from pin to pin that behaves as the copper does.
type Copper struct {
	Pins    []string
	Siemens [][]float64 // symmetrical; the diagonal counts for nothing
}

// Lay gives a net the copper that it has on the laid board: decks are simulated with it from then on.
func (b *Board) Lay(net string, c Copper) {
	if b.copper == nil {
		b.copper = map[string]Copper{}
	}
	b.copper[net] = c
}

// Among is the same copper as seen from some of the pins, the others carrying no current.
func (c Copper) Among(pins []string) Copper {
	var order []int // those that go, then those that stay
	for _, stays := range []bool{false, true} {
		for i, p := range c.Pins {
			if slices.Contains(pins, p) == stays {
				order = append(order, i)
			}
		}
	}
	g := make([][]float64, len(order))
	for i := range g {
		g[i] = make([]float64, len(order))
		for j := range g[i] {
			if i != j {
				g[i][j] = c.Siemens[order[i]][order[j]]
			}
		}
	}
	gone := 0
	for ; gone < len(order) && !slices.Contains(pins, c.Pins[order[gone]]); gone++ {
		eliminate(g, gone)
	}
	left := Copper{}
	for i := gone; i < len(order); i++ {
		left.Pins = append(left.Pins, c.Pins[order[i]])
		left.Siemens = append(left.Siemens, g[i][gone:])
	}
	return left
}

// eliminate replaces a node by what it conducts between those after it (star to mesh).
func eliminate(g [][]float64, k int) {
	sum := 0.0
	for j := k + 1; j < len(g); j++ {
		sum += g[k][j]
	}
	for i := k + 1; i < len(g) && sum > 0; i++ {
		for j := k + 1; j < len(g); j++ {
			if i != j {
				g[i][j] += g[k][i] * g[k][j] / sum
			}
		}
	}
}

// Worst is the largest resistance between two pins, and which they are; infinite where some are not joined.
func (c Copper) Worst() (ohms float64, from, to string) {
	n := len(c.Pins)
	if n < 2 {
		return 0, "", ""
	}
	z := c.impedances()
	for i := range n {
		for j := range i {
			if r := z[i][i] + z[j][j] - 2*z[i][j]; r > ohms || math.IsNaN(r) {
				ohms, from, to = r, c.Pins[j], c.Pins[i]
			}
			if math.IsNaN(ohms) {
				return math.Inf(1), from, to
			}
		}
	}
	return ohms, from, to
}

// impedances is the inverse of the conductances, the last pin at zero volts: what a current into one pin makes at
// another.
func (c Copper) impedances() [][]float64 {
	n := len(c.Pins)
	g, z := make([][]float64, n), make([][]float64, n)
	for i := range n {
		g[i], z[i] = make([]float64, n), make([]float64, n)
		for j := range n {
			if i != j {
				g[i][j] = -c.Siemens[i][j]
				g[i][i] += c.Siemens[i][j]
			}
		}
		z[i][i] = 1
	}
	for k := range n - 1 { // Gauss and Jordan; the matrix is dominated by its diagonal
		scale := 1 / g[k][k]
		for j := range n - 1 {
			g[k][j], z[k][j] = g[k][j]*scale, z[k][j]*scale
		}
		for i := range n - 1 {
			if f := g[i][k]; i != k && f != 0 {
				for j := range n - 1 {
					g[i][j], z[i][j] = g[i][j]-f*g[k][j], z[i][j]-f*z[k][j]
				}
			}
		}
	}
	z[n-1][n-1] = 0
	return z
}

// entries are the terminals by which a board is supplied: their ground is the zero of the simulation.
func (b *Board) entry(p *Part) bool {
	if p.Type.Kind != Terminal {
		return false
	}
	for _, net := range p.Pins {
		if n := b.Net(net); n != nil && n.Use == Supply {
			return true
		}
	}
	return false
}

// pinNode is the node of a part's pin: that of the net, or where the net's copper is known one of its own.
func (b *Board) pinNode(p *Part, pin string) string {
	net := p.Pins[pin]
	if net == Open {
		return node("open_" + p.Ref + "_" + pin)
	}
	c, laid := b.copper[net]
	if at := slices.Index(c.Pins, p.Ref+"."+pin); !laid || at < 0 || b.home(net, c.Pins[at]) {
		return node(net)
	}
	return strings.ToLower(net + "__" + p.Ref + "_" + pin)
}

// home reports whether a pin is where the node with the net's own name is: ground at the entries of the board's
// supplies, another net at its first pin.
func (b *Board) home(net, pin string) bool {
	ref, _, _ := strings.Cut(pin, ".")
	if net == "GND" {
		return b.entry(b.Part(ref))
	}
	return pin == b.copper[net].Pins[0]
}

// minSiemens is the conductance in siemens below which a path of copper from pin to pin is left out: others carry all.
const minSiemens = 1e-3

// spiceCopper is the netlist of the laid copper as far as the parts of some sections use it.
func (b *Board) spiceCopper(used func(*Part) bool) string {
	var out strings.Builder
	for _, n := range b.Nets {
		c, laid := b.copper[n.Name]
		if !laid {
			continue
		}
		var pins []string
		for _, pin := range c.Pins {
			ref, leg, _ := strings.Cut(pin, ".")
			if p := b.Part(ref); p != nil && p.Pins[leg] == n.Name && (used(p) || b.home(n.Name, pin)) {
				pins = append(pins, pin)
			}
		}
		c = c.Among(pins)
		for i, from := range c.Pins {
			for j := range i {
				a, z := b.nodeOf(from), b.nodeOf(c.Pins[j])
				if g := c.Siemens[i][j]; g > minSiemens && a != z {
					fmt.Fprintf(&out, "R_copper_%s_%d_%d %s %s %.4g\n", n.Name, i, j, a, z, 1/g)
				}
			}
		}
	}
	return out.String()
}

func (b *Board) nodeOf(pin string) string {
	ref, leg, _ := strings.Cut(pin, ".")
	return b.pinNode(b.Part(ref), leg)
}
