package picture

import "math"

// tracer follows rays at one time during the flash.
type tracer struct {
	*stage
	ms float64 // from the moment
}

const (
	maxDepth   = 4    // refractions in a row
	maxBounces = 6    // total reflections in a row
	weak       = 0.04 // of a pixel's light: what is weaker is not followed
)

// meet is the next surface that a ray in air meets.
func (t *tracer) meet(o, d vec, leaving bool) (at float64, n vec, k surface) {
	b := t.body
	at, k = b.fromAir(o, d, t.ms, leaving)
	switch k {
	case skin:
		p := o.mad(d, at)
		n = b.normal(p, t.ms)
		if b.pool && math.Abs(p.y) < b.crest && n.y > 0.8 {
			n = b.rippled(p, n)
		}
	case level:
		p := o.mad(d, at)
		if p.z < t.far {
			return 0, n, none
		}
		n = b.rippled(p, b.waves.normal(p))
	}
	return at, n, k
}

// air is the light that comes to o along a ray in air. from is the index of the sheet that it comes from, or of none.
func (t *tracer) air(o, d vec, depth int, weight float64, leaving bool, from int) vec {
	if t.body == nil {
		return t.thrown(o, d, depth, weight, from)
	}
	at, n, k := t.meet(o, d, leaving)
	if k == none {
		return t.room.at(o, d)
	}
	p := o.mad(d, at)
	cos := -d.dot(n)
	if cos < 0.01 { // a normal that looks away: bend it back
		n = n.mad(d, -(0.01 - cos)).norm()
		cos = max(-d.dot(n), 0.005)
	}
	f := fresnel(cos, 1/t.liquid.index)
	e := 3 * t.body.epsilon
	mirrored := d.mad(n, 2*cos)
	var c vec
	if depth == 0 && weight*f > 0.035 {
		c = t.air(p.mad(n, e), mirrored, depth+1, weight*f, true, -1).mul(f)
	} else {
		c = t.glance(p, mirrored).mul(f)
	}
	if weight*(1-f) > weak {
		inner, _ := refract(d, n, 1/t.liquid.index)
		c = c.mad(t.within(p.mad(n, -e), inner, n, depth+1, weight*(1-f)), 1-f)
	} else {
		c = c.mad(t.glance(p, d), 1-f)
	}
	if depth == 0 && t.body.pool && n.y > 0.98 { // the tray's far edge is out of focus
		if b := smooth(0, 60, p.z-t.far); b < 1 {
			c = mixVec(t.room.at(o, d), c, b)
		}
	}
	return c
}

// thrown is air for a throw: sheets and spray.
func (t *tracer) thrown(o, d vec, depth int, weight float64, from int) vec {
	limit, drop := math.Inf(1), -1
	if t.spray != nil {
		drop, limit = t.spray.meet(o, d, t.ms, limit)
	}
	if c, met := t.throughSheet(o, d, limit, depth, weight, from); met {
		return c
	}
	if drop >= 0 {
		return t.throughDrop(drop, o.mad(d, limit), d, depth, weight)
	}
	return t.room.at(o, d)
}

// glance is the light along a weak ray: the surroundings, and what the flat pool mirrors of them.
func (t *tracer) glance(o, d vec) vec {
	if t.body.pool && d.y < 0 && o.y > -1 && !t.room.furnace {
		q := o.mad(d, -o.y/d.y)
		if q.z > t.far {
			f := fresnel(-d.y, 1/t.liquid.index)
			return t.room.at(q, vec{d.x, -d.y, d.z}).mul(f).mad(t.floorAt(q), 1-f)
		}
	}
	return t.room.at(o, d)
}

// within is the light along a ray in the liquid that began at a surface with normal n; what is reflected weakly inside
// is counted with what leaves.
func (t *tracer) within(o, d, n vec, depth int, weight float64) vec {
	if t.liquid.scatter > 0 {
		return t.milky(o, d, n)
	}
	way := 0.0
	for range maxBounces {
		at, k := t.body.fromWithin(o, d, t.ms)
		way += at
		switch k {
		case floor:
			return t.dimmed(t.floorAt(o.mad(d, at)), way)
		case none:
			return t.dimmed(t.room.at(o, d), way)
		}
		p := o.mad(d, at)
		n := t.body.normal(p, t.ms)
		cos := d.dot(n)
		e := 3 * t.body.epsilon
		if out, ok := refract(d, n.mul(-1), t.liquid.index); ok {
			if depth < maxDepth && weight > weak {
				return t.dimmed(t.air(p.mad(n, e), out, depth+1, weight, true, -1), way)
			}
			return t.dimmed(t.glance(p, out), way)
		}
		d = d.mad(n, -2*cos)
		o = p.mad(n, -e)
	}
	return t.dimmed(t.room.at(o, d), way)
}

// dimmed is light after a way through the liquid, by the law of Beer and Lambert.
func (t *tracer) dimmed(c vec, way float64) vec {
	a := t.liquid.absorbs
	if a == (vec{}) || t.room.furnace {
		return c
	}
	return vec{c.x * math.Exp(-a.x*way), c.y * math.Exp(-a.y*way), c.z * math.Exp(-a.z*way)}
}

// milkWhite is the share of the light that milk gives back: by eye.
var milkWhite = vec{0.94, 0.925, 0.88}

// milky is the light out of a liquid that scatters: what comes through unscattered, and the rest diffuse.
func (t *tracer) milky(o, d, n vec) vec {
	const opaque = 3.0 // mean free paths
	way := opaque / t.liquid.scatter
	through := 0.0
	if v := t.body.distance(o.mad(d, way), t.ms); v > 0 { // thinner than that
		at, k := t.body.fromWithin(o, d, t.ms)
		if k == skin {
			way, through = at, math.Exp(-t.liquid.scatter*at)
		}
	}
	c := t.room.diffuse(o, n).by(milkWhite)
	if t.room.furnace {
		c = grey(1)
	}
	if through < 0.02 {
		return c
	}
	return mixVec(c, t.glance(o.mad(d, way), d), through)
}
