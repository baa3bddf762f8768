package picture

import "math"

// slope is how a function of the place grows with radius, height and turn.
type slope struct{ r, y, turn float64 }

// normal is the direction out of the liquid.
func (b *body) normal(p vec, ms float64) vec {
	g := b.growth(p, ms)
	if c := b.cellAt(p); c.count > 0 {
		g = b.joined(c, p, g, ms)
	}
	if s := g.len(); s > 0 {
		return g.mul(1 / s)
	}
	return vec{0, 1, 0}
}

// joined is how the distance grows that has the parts of a cell, from four places around p. What g is the growth of is
// even there.
func (b *body) joined(c *cell, p, g vec, ms float64) vec {
	e, d := 2*b.epsilon, b.revolved(p, ms)
	at := func(x, y, z float64) float64 {
		v := vec{x * e, y * e, z * e}
		return b.withParts(d+g.dot(v), c, p.add(v), ms)
	}
	k, l, m, n := at(1, -1, -1), at(-1, -1, 1), at(-1, 1, -1), at(1, 1, 1)
	return vec{k - l - m + n, -k - l + m + n, -k + l - m + n}
}

// growth is the gradient of revolved.
func (b *body) growth(p vec, ms float64) vec {
	up := vec{0, 1, 0}
	if b.profile == nil {
		return up
	}
	x, y, lean := p.x, p.y, 0.0
	if y > 0 {
		lean = b.lean
	}
	x -= lean * y
	r := math.Sqrt(x*x + p.z*p.z)
	if r > b.radius {
		return up
	}
	wide, high := 1-b.widens*ms, 1.0
	if y > 0 {
		high -= b.rises * ms
	}
	s := b.grows(r*wide, y*high, x, p.z)
	s.r, s.y = s.r*wide, s.y*high
	if r < 1e-6 {
		return vec{0, s.y, 0}
	}
	sum := math.Abs(x) + math.Abs(p.z) + 1e-12
	tx, tz := -math.Abs(p.z)/(sum*sum), x/(sum*sum) // of turn
	if p.z < 0 {
		tx = -tx
	}
	g := vec{s.r*x/r + s.turn*tx, s.y, s.r*p.z/r + s.turn*tz}
	g.y -= lean * g.x
	return g
}

// grows is growth over radius, height and turn; x and z give the turn.
func (b *body) grows(r, y, x, z float64) slope {
	if b.plain(r, y) {
		s := b.profile.slope(r, y)
		return s
	}
	at := turn(x, z)
	h, w, thick := b.rim.at(at)
	dh, dw, dthick := b.rim.slope(at)
	if b.dome {
		u, ur, uy := b.domeWeight(r, y)
		square, edge := min(u*u, 2), min(u, 1.2)
		s := b.profile.slope(r-w*square, y-h*u)
		du := -s.y * h
		if u*u < 2 {
			du -= 2 * u * w * s.r
		}
		if u < 1.2 {
			du -= thick
		}
		return slope{s.r + du*ur, s.y + du*uy, -s.r*dw*square - s.y*dh*u - dthick*edge}
	}
	u, uy := y/b.height, 1/b.height
	if u > 1.3 {
		u, uy = 1.3, 0
	}
	q := y * y / (y + 1.5)
	s := b.profile.slope(r-w*u*u, y-h*q)
	return slope{s.r, s.y*(1-h*(q+3*y/(y+1.5))/(y+1.5)) - (2*w*u*s.r+thick)*uy, -s.r*dw*u*u - s.y*dh*q - dthick*u}
}

// domeWeight is how much a dome's rim counts at a place, and how that grows with radius and height.
func (b *body) domeWeight(r, y float64) (u, ur, uy float64) {
	high := 2.5 * (y/b.level - 0.2)
	u = r * r / (b.height * b.height)
	if high < 1 {
		return u * high, 2 * u / r * high, u * 2.5 / b.level
	}
	return u, 2 * u / r, 0
}
