package picture

import "math"

// spray is many free drops that do not touch: spheroids, met by solving for them, in columns of cells along z.
type spray struct {
	drops     []part
	x0, y0    float64
	inverse   float64
	nx, ny    int
	low, high float64 // z
	first     []uint32
	list      []uint16
}

// newSpray sorts drops into columns, over the time given; nil if there are none.
func newSpray(drops []part, ms float64) *spray {
	if len(drops) == 0 {
		return nil
	}
	s := &spray{drops: drops, x0: 1e9, y0: 1e9, low: 1e9, high: -1e9}
	x1, y1 := -1e9, -1e9
	for i := range drops {
		c, r := drops[i].bounds(ms)
		s.x0, s.y0, s.low = min(s.x0, c.x-r), min(s.y0, c.y-r), min(s.low, c.z-r)
		x1, y1, s.high = max(x1, c.x+r), max(y1, c.y+r), max(s.high, c.z+r)
	}
	size := max(math.Sqrt((x1-s.x0)*(y1-s.y0)/6000), (x1-s.x0)/500, (y1-s.y0)/500)
	s.inverse, s.nx, s.ny = 1/size, int((x1-s.x0)/size)+1, int((y1-s.y0)/size)+1
	columns := make([][]uint16, s.nx*s.ny)
	for i := range drops {
		c, r := drops[i].bounds(ms)
		for y := s.index(c.y-r-s.y0, s.ny); y <= s.index(c.y+r-s.y0, s.ny); y++ {
			for x := s.index(c.x-r-s.x0, s.nx); x <= s.index(c.x+r-s.x0, s.nx); x++ {
				columns[y*s.nx+x] = append(columns[y*s.nx+x], uint16(i))
			}
		}
	}
	for _, c := range columns {
		s.first = append(s.first, uint32(len(s.list)))
		s.list = append(s.list, c...)
	}
	s.first = append(s.first, uint32(len(s.list)))
	return s
}

func (s *spray) index(x float64, n int) int { return min(max(int(x*s.inverse), 0), n-1) }

// meet finds the first drop on a ray, and where; -1 for none.
func (s *spray) meet(o, d vec, ms, limit float64) (nearest int, at float64) {
	nearest, at = -1, limit
	size := 1 / s.inverse
	in := through(o, d, vec{s.x0, s.y0, s.low}, vec{s.x0 + float64(s.nx)*size, s.y0 + float64(s.ny)*size, s.high})
	t := max(in.from, 0)
	for range s.nx + s.ny { // columns in turn
		if t > in.to || t > at {
			break
		}
		x, y := s.index(o.x+d.x*t-s.x0, s.nx), s.index(o.y+d.y*t-s.y0, s.ny)
		k := y*s.nx + x
		for _, i := range s.list[s.first[k]:s.first[k+1]] {
			if u, _ := s.drops[i].crossed(o, d, ms); u > 1e-6 && u < at {
				nearest, at = int(i), u
			}
		}
		t = min(leaves(o.x, d.x, s.x0+float64(x)*size, size), leaves(o.y, d.y, s.y0+float64(y)*size, size)) + 1e-4*size
	}
	return nearest, at
}

// leaves is where a ray leaves an interval.
func leaves(o, d, low, size float64) float64 {
	switch {
	case d > 1e-9:
		return (low + size - o) / d
	case d < -1e-9:
		return (low - o) / d
	}
	return math.Inf(1)
}

// crossed is where a ray enters and leaves a drop; both negative if it does not.
func (q *part) crossed(o, d vec, ms float64) (in, out float64) {
	v := o.sub(q.a).mad(q.moves, -ms)
	if reach := max(q.ra, q.rb); v.dot(v)-v.dot(d)*v.dot(d) > reach*reach {
		return -1, -1
	}
	// Along the axis lengths count by 1/rb, across it by 1/ra: then it is a ball.
	squeeze := q.ra/q.rb - 1
	v = v.mad(q.b, squeeze*v.dot(q.b))
	w := d.mad(q.b, squeeze*d.dot(q.b))
	a, b, c := w.dot(w), v.dot(w), v.dot(v)-q.ra*q.ra
	root := b*b - a*c
	if root <= 0 {
		return -1, -1
	}
	root = math.Sqrt(root)
	return (-b - root) / a, (-b + root) / a
}

// outward is the normal of a drop's surface.
func (q *part) outward(p vec, ms float64) vec {
	v := p.sub(q.a).mad(q.moves, -ms)
	return v.mul(1/(q.ra*q.ra)).mad(q.b, v.dot(q.b)*(1/(q.rb*q.rb)-1/(q.ra*q.ra))).norm()
}

// throughDrop is the light along a ray that enters a drop of the spray at p.
func (t *tracer) throughDrop(i int, p, d vec, depth int, weight float64) vec {
	q := &t.spray.drops[i]
	n := q.outward(p, t.ms)
	cos := max(-d.dot(n), 1e-3)
	f := fresnel(cos, 1/t.liquid.index)
	c := t.room.at(p, d.mad(n, 2*cos)).mul(f)
	inner, _ := refract(d, n, 1/t.liquid.index)
	if t.liquid.scatter > 0 && !t.room.furnace {
		return c.mad(t.room.diffuse(p, n).by(milkWhite), 1-f)
	}
	way := 0.0
	for range maxBounces {
		_, out := q.crossed(p, inner, t.ms)
		p, way = p.mad(inner, max(out, 0)), way+max(out, 0)
		n = q.outward(p, t.ms)
		if leaving, ok := refract(inner, n.mul(-1), t.liquid.index); ok {
			beyond := t.room.at(p, leaving)
			if depth < maxDepth && weight > weak {
				beyond = t.air(p.mad(n, 1e-3), leaving, depth+1, weight*(1-f), true, -1)
			}
			return c.mad(t.dimmed(beyond, way), 1-f)
		}
		inner = inner.mad(n, -2*inner.dot(n))
	}
	return c.mad(t.dimmed(t.room.at(p, inner), way), 1-f)
}
