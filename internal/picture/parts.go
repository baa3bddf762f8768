package picture

import "math"

// part is a drop or a thread of liquid, joined to what is around it.
type part struct {
	drop   bool
	a, b   vec // a drop: centre and unit axis; a thread: its ends
	ra, rb float64
	join   float64 // width of the rounded seam
	moves  vec     // mm per ms
}

// newDrop is a spheroid of the volume of a sphere of radius r, longer by the fraction stretch along an axis.
func newDrop(at, axis vec, r, stretch, join float64, moves vec) part {
	along := r * (1 + stretch)
	return part{drop: true, a: at, b: axis, ra: r / math.Sqrt(1+stretch), rb: along, join: join, moves: moves}
}

func newThread(a, b vec, ra, rb, join float64, moves vec) part {
	return part{a: a, b: b, ra: ra, rb: rb, join: join, moves: moves}
}

// distance is near the surface the signed distance; exact for spheres.
func (q *part) distance(p vec, ms float64) float64 {
	if ms != 0 {
		p = p.mad(q.moves, -ms)
	}
	v := p.sub(q.a)
	if q.drop {
		if q.ra == q.rb {
			return v.len() - q.ra
		}
		along := v.dot(q.b)
		along *= along
		across := max(v.dot(v)-along, 0)
		ia, ib := 1/(q.ra*q.ra), 1/(q.rb*q.rb)
		k0 := math.Sqrt(across*ia + along*ib)
		k1 := math.Sqrt(across*ia*ia + along*ib*ib)
		if k1 < 1e-9 {
			return -min(q.ra, q.rb)
		}
		return k0 * (k0 - 1) / k1
	}
	ab := q.b.sub(q.a)
	l2 := ab.dot(ab)
	t := clamp(v.dot(ab)/l2, 0, 1)
	w := v.mad(ab, -t)
	s := t * t * (3 - 2*t)
	return (w.len() - mix(q.ra, q.rb, s)) / math.Sqrt(1+2*(q.ra-q.rb)*(q.ra-q.rb)/l2)
}

// bounds is a ball around the part, over the light of the flash.
func (q *part) bounds(ms float64) (centre vec, radius float64) {
	if q.drop {
		centre, radius = q.a, max(q.ra, q.rb)
	} else {
		centre, radius = q.a.add(q.b).mul(0.5), q.b.sub(q.a).len()/2+max(q.ra, q.rb)
	}
	way := q.moves.mul(ms / 2)
	return centre.add(way), radius + way.len()
}

// grid lists the parts near each of its cells.
type grid struct {
	parts         []part
	low, high     vec
	size, inverse float64
	nx, ny, nz    int
	cells         []cell
	list          []uint16
}

type cell struct {
	first uint32
	count uint16
	free  float32 // no part is nearer than this to any place in the cell
}

// maxCells bounds the memory of a grid: 12 bytes each, and a list.
const maxCells = 40_000

// newGrid makes the grid around parts that move for the time given; nil if there are none.
func newGrid(parts []part, ms float64) *grid {
	if len(parts) == 0 {
		return nil
	}
	g := &grid{parts: parts}
	for i := range parts {
		c, r := parts[i].bounds(ms)
		r += parts[i].join + 0.2*r
		low, high := vec{c.x - r, c.y - r, c.z - r}, vec{c.x + r, c.y + r, c.z + r}
		if i == 0 {
			g.low, g.high = low, high
		}
		g.low = vec{min(g.low.x, low.x), min(g.low.y, low.y), min(g.low.z, low.z)}
		g.high = vec{max(g.high.x, high.x), max(g.high.y, high.y), max(g.high.z, high.z)}
	}
	s := g.high.sub(g.low)
	g.size = math.Cbrt(s.x * s.y * s.z / (0.7 * maxCells))
	g.size = max(g.size, max(s.x, s.y, s.z)/250)
	g.inverse = 1 / g.size
	g.nx, g.ny, g.nz = int(s.x*g.inverse)+1, int(s.y*g.inverse)+1, int(s.z*g.inverse)+1
	g.fill(ms)
	g.measure()
	return g
}

// fill lists each part in the cells that it comes near to.
func (g *grid) fill(ms float64) {
	g.cells = make([]cell, g.nx*g.ny*g.nz)
	near := make([][]uint16, len(g.cells))
	half := g.size * math.Sqrt(3) / 2
	for i := range g.parts {
		q := &g.parts[i]
		c, r := q.bounds(ms)
		reach := q.join + 0.5*g.size
		way := q.moves.len() * ms / 2
		x0, y0, z0 := g.index(c.sub(grey(r + reach)))
		x1, y1, z1 := g.index(c.add(grey(r + reach)))
		for z := z0; z <= z1; z++ {
			for y := y0; y <= y1; y++ {
				for x := x0; x <= x1; x++ {
					if q.distance(g.centre(x, y, z), ms/2) <= 1.1*(half+reach+way) {
						k := (z*g.ny+y)*g.nx + x
						near[k] = append(near[k], uint16(i))
					}
				}
			}
		}
	}
	for k, list := range near {
		g.cells[k] = cell{first: uint32(len(g.list)), count: uint16(len(list))}
		g.list = append(g.list, list...)
	}
}

// measure finds how far each cell is from the nearest that lists a part, in steps of a cell, by two sweeps.
func (g *grid) measure() {
	far := make([]int32, len(g.cells))
	for k := range far {
		if g.cells[k].count == 0 {
			far[k] = 1 << 20
		}
	}
	visit := func(x, y, z, by int) {
		k := (z*g.ny+y)*g.nx + x
		for dz := -1; dz <= 1; dz++ {
			for dy := -1; dy <= 1; dy++ {
				for dx := -1; dx <= 1; dx++ {
					if order := (dz*3+dy)*3 + dx; order*by >= 0 {
						continue
					}
					i, j, l := x+dx, y+dy, z+dz
					if i >= 0 && j >= 0 && l >= 0 && i < g.nx && j < g.ny && l < g.nz {
						far[k] = min(far[k], far[(l*g.ny+j)*g.nx+i]+1)
					}
				}
			}
		}
	}
	for k := range far {
		visit(k%g.nx, k/g.nx%g.ny, k/g.nx/g.ny, 1)
	}
	for k := len(far) - 1; k >= 0; k-- {
		visit(k%g.nx, k/g.nx%g.ny, k/g.nx/g.ny, -1)
	}
	for k, n := range far {
		if n > 0 {
			g.cells[k].free = float32((float64(n) - 0.5) * g.size)
		}
	}
}

func (g *grid) index(p vec) (x, y, z int) {
	return within(int((p.x-g.low.x)*g.inverse), g.nx), within(int((p.y-g.low.y)*g.inverse), g.ny),
		within(int((p.z-g.low.z)*g.inverse), g.nz)
}

// within is the index nearest to i of n.
func within(i, n int) int {
	if i < 0 {
		return 0
	}
	if i >= n {
		return n - 1
	}
	return i
}

func (g *grid) centre(x, y, z int) vec {
	return g.low.add(vec{float64(x) + 0.5, float64(y) + 0.5, float64(z) + 0.5}.mul(g.size))
}

// cell finds the cell of a place; outside of the grid the nearest one.
func (g *grid) cell(p vec) *cell {
	x, y, z := g.index(p)
	return &g.cells[(z*g.ny+y)*g.nx+x]
}

// past is how far a ray may go from t, at most to end, until it comes to a cell with parts.
func (g *grid) past(o, d vec, t, end float64) float64 {
	for t < end {
		c := g.cell(o.mad(d, t))
		if c.count > 0 {
			return t
		}
		t += float64(c.free)
	}
	return end
}
