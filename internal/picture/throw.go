package picture

import (
	"math"

	"stillwater/internal/scene"
)

// layer says how one layer of a thrown sheet differs from the sheet as a whole; lengths are shares of the sheet's.
type layer struct {
	along, across float64 // where its middle is
	long, wide    float64
	z             float64 // mm
	holes         float64 // how much more open it is
	deep          float64 // of its folds
	frayed        float64 // its tail
}

// layers lists those of a throw, the nearest first: own choice, by eye.
func layers() []layer {
	return []layer{
		{along: 0.17, across: -0.16, long: 0.52, wide: 0.34, z: 62, holes: 0.20, deep: 0.5, frayed: 2.4},
		{along: 0, across: 0, long: 1, wide: 1, z: 0, holes: 0, deep: 1, frayed: 0.6},
		{along: -0.06, across: 0.13, long: 0.86, wide: 0.66, z: -70, holes: 0.12, deep: 0.8, frayed: 1.6},
	}
}

// throwSheets are the layers of a thrown sheet, and the threads and drops around it.
func throwSheets(s scene.Sheet, detail uint64) (sheets []sheet, parts []part) {
	d := dice(detail)
	moves := perMs(s.Velocity)
	flow := vec{1, 0, 0}
	if v := moves.len(); v > 0 {
		flow = moves.mul(1 / v)
	}
	middle := point(s.At)
	for _, l := range layers() {
		m := tongue{seed: d.next(), flow: flow, layer: l, breakup: clamp(s.Breakup, 0, 1),
			long: mm(s.Length) * l.long, wide: mm(s.Width) * l.wide}
		m.at = middle.mad(flow, l.along*mm(s.Length)).mad(vec{-flow.y, flow.x, 0}, l.across*mm(s.Width))
		m.at.z += l.z
		if l.z == 0 {
			m.pieces = newPieces(s)
		}
		sh := m.sheet()
		sh.moves = moves
		sheets = append(sheets, sh)
		parts = append(parts, m.spray(&sh, &d, moves)...)
	}
	return sheets, append(parts, torn(s, flow, &d)...)
}

// pieces are the parcels of a sheet as its middle layer shows them: whole film where they are film, thinner where they
// are drawn thin, and open where they have become threads and drops.
type pieces struct {
	list []piece
	wide float64 // radius of a piece, mm
}

type piece struct {
	x, y   float64
	intact float64 // more than 0: film; less: torn
	thick  float64 // of the film, by the sheet's
}

// How much a parcel opens or closes the layer over its piece, by what it has become: own choice, by eye.
var intact = map[scene.Form]float64{scene.Film: 0.25, scene.Thread: -0.7, scene.Drop: -1.9}

func newPieces(s scene.Sheet) *pieces {
	if len(s.Parcels) == 0 {
		return nil
	}
	p := &pieces{wide: math.Sqrt(mm(s.Length) * mm(s.Width) / float64(len(s.Parcels)))}
	for _, q := range s.Parcels {
		at, thick := point(q.At), 1.0
		if q.Form == scene.Film && s.Thickness > 0 {
			thick = clamp(float64(q.Size/s.Thickness), 0.6, 1.6)
		}
		p.list = append(p.list, piece{at.x, at.y, intact[q.Form], thick})
	}
	return p
}

// at is how much more whole a place is than without the parcels, and how thick its film is, by the sheet's.
func (p *pieces) at(x, y float64) (whole, thick float64) {
	if p == nil {
		return 0, 1
	}
	const few = 0.25 // farther from all of them they say less
	weights := 0.0
	for i := range p.list {
		q := &p.list[i]
		u := ((x-q.x)*(x-q.x) + (y-q.y)*(y-q.y)) / (p.wide * p.wide)
		if u < 1 {
			w := (1 - u) * (1 - u)
			whole, thick, weights = whole+w*q.intact, thick+w*(q.thick-1), weights+w
		}
	}
	return whole / max(weights, few), 1 + thick/max(weights, few)
}

// beads is how many swellings a thread has before it falls apart: own choice, by eye.
const beads = 6

// torn are the parcels that are film no more: threads and drops, each at its place with its own speed. A thread lies
// between the flow and the way in which its parcel leaves the others, and swells in beads (Rayleigh).
func torn(s scene.Sheet, flow vec, d *dice) (parts []part) {
	whole := perMs(s.Velocity)
	for _, q := range s.Parcels {
		at, r, moves := point(q.At), mm(q.Size)/2, perMs(q.Velocity)
		switch q.Form {
		case scene.Drop:
			parts = append(parts, newDrop(at, flow, r, 0.1, 0, moves))
		case scene.Thread:
			way := flow.mul(0.5).add(moves.sub(whole).norm()).norm()
			bend := vec{-way.y, way.x, 0}.mul(d.between(-0.5, 0.5))
			for i := range beads {
				along := (float64(i) - (beads-1)/2.) * 4 * r
				bead := at.mad(way, along+d.between(-r, r)).mad(bend, along*along/(8*r)).mad(vec{0, 0, 1}, d.between(-2*r, 2*r))
				parts = append(parts, newDrop(bead, way.mad(bend, along/(4*r)).norm(), r*d.between(0.6, 1.3),
					d.between(0.3, 2.5), 0, moves))
			}
		}
	}
	return parts
}

// tongue is the shape of a layer.
type tongue struct {
	layer
	seed       uint64
	at, flow   vec
	long, wide float64 // mm
	breakup    float64
	pieces     *pieces // nil: nothing is known of them
}

// local are the shares along (0 at the tail, 1 at the leading edge) and across (-1 to 1), and both in mm.
func (m *tongue) local(x, y float64) (a, b, am, bm float64) {
	x, y = x-m.at.x, y-m.at.y
	am, bm = x*m.flow.x+y*m.flow.y, y*m.flow.x-x*m.flow.y
	a = am/m.long + 0.5
	bm += 0.10 * m.long * (a - 0.2) * (a - 0.9) // it sags
	return a, 2 * bm / m.wide, am, bm
}

// mask is positive where there is liquid.
func (m *tongue) mask(x, y float64) float64 {
	a, b, am, bm := m.local(x, y)
	if a < -0.3 || a > 1.3 || b < -1.8 || b > 1.8 {
		return -1
	}
	scale := 0.4 + 0.6*m.wide/260
	am, bm = warped(m.seed, am/scale, bm/scale)
	n := 0.55*noise(m.seed+10, am/75, bm/27) + 0.32*noise(m.seed+11, am/30, bm/12) + 0.13*noise(m.seed+12, am/14, bm/7)
	widen := 0.30 + 0.75*math.Sqrt(clamp(a, 0, 1)) - 0.25*a*a
	v := b / widen
	edge := 0.9 - v*v + (0.5+0.5*m.breakup)*n*(0.5+0.8*a)
	lead := (1-a)*4 + (1.6+2.4*m.breakup)*n
	tail := (a-0.1+0.06*b*b)*6 + m.layer.frayed*n
	hole := 0.78 - m.holes - (0.25+0.45*m.breakup)*a + noise(m.seed+20, am/50, bm/24) + 0.4*noise(m.seed+21, am/21, bm/12)
	whole, _ := m.pieces.at(x, y)
	return min(edge, lead, tail, hole+whole)
}

// warped bends the places that noise is read at, which hides its lattice: the flow swirls.
func warped(seed uint64, x, y float64) (float64, float64) {
	u := 0.8*x + 0.6*y
	v := 0.8*y - 0.6*x
	return x + 34*noise(seed+30, u/85, v/60), y + 17*noise(seed+31, u/70, v/52) + 4*noise(seed+32, v/23, u/23)
}

// sheet makes the maps.
func (m *tongue) sheet() sheet {
	h := max(m.long/240, 1.6)
	nx, ny := int(1.5*m.long/h), int((1.5*m.wide+0.9*m.long*math.Abs(m.flow.y))/h)
	s := sheet{nx: nx, ny: ny, inverse: 1 / h, rim: 2.2 + 0.005*m.long, z: m.at.z,
		x0: m.at.x - float64(nx)*h/2, y0: m.at.y - float64(ny)*h/2}
	s.edges = make([]float32, nx*ny)
	for j := range ny {
		for i := range nx {
			v := -1.0
			if min(i, j, nx-1-i, ny-1-j) > 6 {
				v = m.mask(s.x0+float64(i)*h, s.y0+float64(j)*h)
			}
			s.edges[j*nx+i] = float32(clamp(2*v, -1, 1))
		}
	}
	blur(s.edges, nx, ny, 4) // surface tension rounds holes and edge
	insideOf(s.edges, nx, ny, h)
	blur(s.edges, nx, ny, 2)
	s.middles, s.halves = make([]float32, nx*ny), make([]float32, nx*ny)
	for j := range ny {
		for i := range nx {
			k := j*nx + i
			if s.edges[k] < float32(-8*h) {
				s.middles[k], s.halves[k] = float32(s.z), 1
				continue
			}
			z, half := m.film(s.x0+float64(i)*h, s.y0+float64(j)*h)
			s.middles[k], s.halves[k] = float32(z), float32(half)
		}
	}
	return s
}

// film is where the layer's middle is, and half of its thickness: folds and veins along the flow in a thin skin.
func (m *tongue) film(x, y float64) (z, half float64) {
	a, _, am, bm := m.local(x, y)
	am, bm = warped(m.seed, am, bm)
	z = m.at.z + m.deep*(15*noise(m.seed+1, am/95, bm/62)+5.5*noise(m.seed+2, am/46, bm/24)+1.1*noise(m.seed+3,
		am/19, bm/10))
	vein := noise(m.seed+4, am/110, bm/38) + 0.25*noise(m.seed+6, am/40, bm/18)
	fine := noise(m.seed+5, am/60, bm/22)
	_, thick := m.pieces.at(x, y)
	half = 1.6 + thick*(6*math.Exp(-vein*vein*9)+2*math.Exp(-fine*fine*6))*(1.25-0.6*clamp(a, 0, 1))
	return z, max(half+0.6*noise(m.seed+7, am/34, bm/17), 0.6)
}

// spray is what has left a layer: threads near its edge and drops farther away, more of them ahead.
func (m *tongue) spray(s *sheet, d *dice, moves vec) (parts []part) {
	want := int((50 + 130*m.breakup) * m.layer.long)
	for tries := 0; len(parts) < want && tries < 40*want; tries++ {
		a, b := d.between(0.05, 1.35), d.between(-1.5, 1.5)
		am, bm := (a-0.5)*m.long, b*m.wide/2
		x, y := m.at.x+am*m.flow.x-bm*m.flow.y, m.at.y+am*m.flow.y+bm*m.flow.x
		k, _, _, ok := s.corner(x, y)
		e := -45.0
		if ok {
			e = float64(s.edges[k+s.nx+1])
		}
		if e > -4 || d.unit() > math.Exp((e+4)/26)*(0.3+0.7*smooth(0.2, 0.9, a)) {
			continue
		}
		at := vec{x, y, m.at.z + d.between(-22, 22)}
		along := m.flow.add(vec{d.between(-0.4, 0.4), d.between(-0.4, 0.4), d.between(-0.3, 0.3)}).norm()
		r := 0.8 + 3.6*math.Pow(d.unit(), 3.5)
		if d.unit() < 0.2 {
			parts = append(parts, newDrop(at, along, r, d.between(1.5, 5), 0, moves)) // a thread
			continue
		}
		parts = append(parts, newDrop(at, along, r, d.between(-0.1, 0.5), 0, moves))
	}
	return parts
}

// blur is a box of three nodes, passed over a map several times in both directions.
func blur(m []float32, nx, ny, times int) {
	line := make([]float32, max(nx, ny))
	pass := func(first, stride, n int) {
		for i := range n {
			a, c := m[first+max(i-1, 0)*stride], m[first+min(i+1, n-1)*stride]
			line[i] = (a + m[first+i*stride] + c) / 3
		}
		for i := range n {
			m[first+i*stride] = line[i]
		}
	}
	for range times {
		for y := range ny {
			pass(y*nx, 1, nx)
		}
		for x := range nx {
			pass(x, nx, ny)
		}
	}
}

// insideOf replaces a map by the distance to where it changes its sign, positive where it was positive.
func insideOf(m []float32, nx, ny int, h float64) {
	in, out := make([]float32, len(m)), make([]float32, len(m))
	for k, v := range m {
		if v > 0 {
			in[k] = 1e6
		} else {
			out[k] = 1e6
		}
	}
	squares(in, nx, ny)
	squares(out, nx, ny)
	for k := range m {
		m[k] = float32((math.Sqrt(float64(in[k])) - math.Sqrt(float64(out[k]))) * h)
	}
}

// squares replaces 0 and 1e6 by the squared distance to the nearest 0, in nodes: P. Felzenszwalb and D. Huttenlocher,
// Distance Transforms of Sampled Functions, Theory of Computing 8 (2012) 415, from memory.
func squares(m []float32, nx, ny int) {
	n := max(nx, ny)
	f, from, owner := make([]float32, n), make([]float32, n+1), make([]int, n)
	pass := func(first, stride, n int) {
		for q := range n {
			f[q] = m[first+q*stride]
		}
		k := 0
		owner[0], from[0], from[1] = 0, -1e20, 1e20
		for q := 1; q < n; q++ {
			cross := func() float32 {
				p := owner[k]
				return ((f[q] + float32(q*q)) - (f[p] + float32(p*p))) / float32(2*(q-p))
			}
			s := cross()
			for s <= from[k] {
				k--
				s = cross()
			}
			k++
			owner[k], from[k], from[k+1] = q, s, 1e20
		}
		k = 0
		for q := range n {
			for from[k+1] < float32(q) {
				k++
			}
			d := float32(q - owner[k])
			m[first+q*stride] = d*d + f[owner[k]]
		}
	}
	for x := range nx {
		pass(x, nx, ny)
	}
	for y := range ny {
		pass(y*nx, 1, nx)
	}
}
