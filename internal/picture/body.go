package picture

import "math"

// body is all liquid with a volume: a body of revolution that waves around its axis, a pool around it, and parts.
type body struct {
	pool       bool
	depth      float64 // of the pool
	deepest    float64 // of its surface, in the crater
	profile    *profile
	radius     float64 // of the profile; the pool is flat beyond
	crest      float64 // outside of the core nothing of the profile is higher than this, nor lower than its negative
	core       float64 // radius of what is higher, and of the crater
	top        float64 // of the core
	dome       bool    // the rim is a dome's, not a crown's
	rim        *arcs
	height     float64 // of the crown; radius of the dome
	level      float64 // of the dome's middle
	lean       float64
	widens     float64 // per ms, as a fraction
	rises      float64
	breeze     float64 // slope of the small waves that a pool always has
	waves      *waves
	wavelength float64
	parts      *grid

	epsilon, least float64 // how near is a hit; the shortest step
}

// surface is what a ray meets.
type surface uint8

const (
	none  surface = iota
	skin          // of the liquid
	level         // the pool outside of the core
	floor         // of the pool
)

// distance is about the signed distance to the liquid, negative inside, at a time from the moment.
func (b *body) distance(p vec, ms float64) float64 {
	c := b.cellAt(p)
	return b.near(c, p, ms, true)
}

var noParts = cell{free: 1e6}

func (b *body) cellAt(p vec) *cell {
	if b.parts == nil {
		return &noParts
	}
	return b.parts.cell(p)
}

// near is distance for a place in a cell, of the parts alone or with the body of revolution.
func (b *body) near(c *cell, p vec, ms float64, whole bool) float64 {
	d := 1e6
	if whole {
		d = b.revolved(p, ms)
	}
	if c.count == 0 {
		return min(d, float64(c.free))
	}
	return b.withParts(d, c, p, ms)
}

// withParts joins the parts of a cell to what is so far away.
func (b *body) withParts(d float64, c *cell, p vec, ms float64) float64 {
	for _, i := range b.parts.list[c.first : c.first+uint32(c.count)] {
		q := &b.parts.parts[i]
		d = join(d, q.distance(p, ms), q.join)
	}
	return d
}

// revolved is the distance to pool, crater, crown, column and dome.
func (b *body) revolved(p vec, ms float64) float64 {
	if b.profile == nil {
		if b.pool {
			return p.y
		}
		return 1e6
	}
	x, y := p.x, p.y
	if y > 0 {
		x -= b.lean * y
	}
	r := math.Sqrt(x*x + p.z*p.z)
	if r > b.radius {
		return y
	}
	if ms != 0 {
		r *= 1 - b.widens*ms
		if y > 0 {
			y *= 1 - b.rises*ms
		}
	}
	if b.plain(r, y) {
		return b.profile.at(r, y)
	}
	h, w, thick := b.rim.at(turn(x, p.z))
	if b.dome {
		u := r / b.height
		u *= u * clamp(2.5*(y/b.level-0.2), 0, 1)
		return b.profile.at(r-w*min(u*u, 2), y-h*u) - thick*min(u, 1.2)
	}
	u := min(y/b.height, 1.3)
	return b.profile.at(r-w*u*u, y*(1-h*y/(y+1.5))) - thick*u
}

// plain reports that the rim does not count at a radius and a height.
func (b *body) plain(r, y float64) bool {
	return b.rim == nil || y <= 0 || b.dome && (r < 0.3*b.height || y < 0.2*b.level)
}

// rippled tilts the normal of the pool by its small waves.
func (b *body) rippled(p, n vec) vec {
	if b.breeze == 0 {
		return n
	}
	n.x += b.breeze * math.Sin(p.x*0.11+1.7*math.Sin(p.z*0.05))
	n.z += b.breeze * math.Cos(p.z*0.09+1.3*math.Sin(p.x*0.06+1))
	return n.norm()
}

// span is a part of a ray.
type span struct{ from, to float64 }

func (s span) holds(t float64) bool { return t >= s.from && t <= s.to }

var nowhere = span{1, -1}

// through is the part of a ray inside a box.
func through(o, d, low, high vec) span {
	s := span{0, 1e9}
	s.cut(o.x, d.x, low.x, high.x)
	s.cut(o.y, d.y, low.y, high.y)
	s.cut(o.z, d.z, low.z, high.z)
	if s.from > s.to {
		return nowhere
	}
	return s
}

// cut leaves what is between two planes across an axis. (The built-in min and max are slow.)
func (s *span) cut(o, d, low, high float64) {
	i := 1 / d
	t, u := (low-o)*i, (high-o)*i
	if t > u {
		t, u = u, t
	}
	if t > s.from {
		s.from = t
	}
	if u < s.to {
		s.to = u
	}
}

// path says where on a ray which part of the liquid can be.
type path struct {
	waves, core, parts span
	end                float64
}

// pathOf is the path of a ray in air.
func (b *body) pathOf(o, d vec) path {
	p := path{waves: nowhere, core: nowhere, parts: nowhere}
	if b.parts != nil {
		p.parts = through(o, d, b.parts.low, b.parts.high)
	}
	if b.profile != nil {
		p.core = through(o, d, vec{-b.core, -b.depth, -b.core}, vec{b.core, b.top, b.core})
	}
	if b.pool && b.inCore(o.x, o.z) && o.y < b.crest && d.y >= 0 {
		p.waves = span{0, (b.crest - o.y) / max(d.y, 1e-3)}
	}
	return p
}

// next is where on a ray, from t on, something can be.
func (p *path) next(t float64) float64 {
	n := math.Inf(1)
	for _, s := range [3]span{p.waves, p.core, p.parts} {
		if s.to >= t {
			n = min(n, max(s.from, t))
		}
	}
	return n
}

// inCore reports whether a place is above or below what is not simply the pool.
func (b *body) inCore(x, z float64) bool {
	return b.profile != nil && math.Abs(x) < b.core && math.Abs(z) < b.core
}

// fromAir finds where a ray in air meets the liquid; leaving says that it starts at a surface.
func (b *body) fromAir(o, d vec, ms float64, leaving bool) (float64, surface) {
	p := b.pathOf(o, d)
	pool := math.Inf(1)
	if b.pool && d.y < 0 {
		pool = b.waves.meet(o, d)
		if b.inCore(o.x+d.x*pool, o.z+d.z*pool) {
			p.waves = span{max((b.crest-o.y)/d.y, 0), max((-b.crest-o.y)/d.y, p.core.to)}
		}
	}
	p.end = max(p.waves.to, min(max(p.core.to, p.parts.to), pool))
	if p.end > 0 {
		if t, met := b.march(o, d, ms, 1, p, leaving); met {
			return t, skin
		}
	}
	if pool > 0 && !math.IsInf(pool, 1) {
		return pool, level
	}
	return 0, none
}

// fromWithin finds where a ray in the liquid meets its surface or the floor of the pool.
func (b *body) fromWithin(o, d vec, ms float64) (float64, surface) {
	end, down := 1e4, b.pool && d.y < 0
	if down {
		end = (-b.deepest - o.y) / d.y // below it there is nothing but the floor
		if end <= 0 || o.y < b.crest && b.misses(o, d) {
			return (-b.depth - o.y) / d.y, floor
		}
	}
	all := span{0, end}
	if t, met := b.march(o, d, ms, -1, path{waves: all, core: all, parts: all, end: end}, true); met {
		return t, skin
	}
	if down {
		return (-b.depth - o.y) / d.y, floor
	}
	return 0, none
}

// misses reports whether a ray that goes down in the pool passes the crater by.
func (b *body) misses(o, d vec) bool {
	if b.profile == nil {
		return true
	}
	t := max(-o.dot(d), 0)
	q := o.mad(d, t)
	return q.dot(q) > b.core*b.core
}

// march walks along a ray to the surface, from outside (side 1) or from inside (-1).
func (b *body) march(o, d vec, ms, side float64, way path, leaving bool) (float64, bool) {
	t := 0.0
	if leaving {
		t = b.least
	}
	t = way.next(t)
	start, last, lastAt, aimed := t, -1.0, t, false
	for range 160 {
		if t > way.end {
			return t, false
		}
		p, c := o.mad(d, t), &noParts
		if way.parts.holds(t) {
			c = b.cellAt(p)
		}
		whole := way.waves.holds(t) || way.core.holds(t)
		if !whole && c.count == 0 {
			t, last = max(way.ahead(t, float64(c.free)), t+b.least), -1
			continue
		}
		var v float64
		if c.count == 0 && side > 0 { // grid.past sees to the parts
			v = b.revolved(p, ms)
		} else {
			v = side * b.near(c, p, ms, whole)
		}
		if leaving && v < b.epsilon && v > -4*b.epsilon && t-start < 1.5*b.least {
			t += b.least // still at the surface that the ray starts from
			continue
		}
		if v < b.epsilon {
			if v < 0 && last > 0 {
				t = b.between(o, d, ms, side, lastAt, t, last, v)
			}
			return t, true
		}
		if !aimed && last > 0 && v+last < t-lastAt { // the two free balls do not touch: go back
			t, last = lastAt+max(last*0.9, b.least), -1
			continue
		}
		stride := 1.4
		aimed = last > 0 && v < last && v < 14*b.least
		if aimed { // near and approaching: to just past where the last slope has its zero
			stride = clamp(1.03*(t-lastAt)/(last-v), 0.9, 5)
		}
		last, lastAt = v, t
		ahead := v * stride
		if !whole {
			ahead = min(ahead, way.begins(t)-t)
		}
		if ahead < b.least {
			ahead = b.least
		}
		if end := t + ahead; side < 0 || c.count > 0 || way.parts.from > end || way.parts.to < t {
			t = end
		} else {
			t = b.parts.past(o, d, max(t, way.parts.from), end)
		}
	}
	return t, false
}

// begins is where the body of revolution begins, from t on.
func (p *path) begins(t float64) float64 {
	n := math.Inf(1)
	if p.waves.from > t && p.waves.to > t {
		n = p.waves.from
	}
	if p.core.from > t && p.core.from < n && p.core.to > t {
		n = p.core.from
	}
	return n
}

// ahead is how far a ray may go from t where no body is, with no part nearer than free.
func (p *path) ahead(t, free float64) float64 {
	if !p.parts.holds(t) {
		return p.next(t + 1e-9)
	}
	n := min(t+free, p.begins(t))
	if n > p.parts.to {
		n = min(p.next(p.parts.to+1e-9), 1e9)
	}
	return n
}

// between finds the surface between two places on both sides of it: false position, in the Illinois way.
func (b *body) between(o, d vec, ms, side, t0, t1, v0, v1 float64) (t float64) {
	kept := 0 // which end stayed last
	for range 20 {
		t = t0 + (t1-t0)*v0/(v0-v1)
		q := o.mad(d, t)
		v := side * b.near(b.cellAt(q), q, ms, true)
		switch {
		case math.Abs(v) < 0.5*b.epsilon:
			return t
		case v > 0:
			t0, v0 = t, v
			if kept == 1 {
				v1 *= 0.5
			}
			kept = 1
		default:
			t1, v1 = t, v
			if kept == 0 {
				v0 *= 0.5
			}
			kept = 0
		}
	}
	return t
}
