package picture

import "math"

// sheet is one layer of thrown liquid: maps over x and y of how far inside its edge a place is, where its middle is
// and how thick it is. A ray crosses it as it crosses a thin lens: it bends at both faces where it meets the middle.
type sheet struct {
	x0, y0, inverse float64
	nx, ny          int
	edges           []float32 // mm inside the edge
	middles         []float32 // z
	halves          []float32 // half of the thickness, without the rim
	z               float64   // about where the layer is
	rim             float64   // radius of its edge
	moves           vec
}

// splines are the weights of a cubic B-spline and of its slope.
func splines(f float64) (w, slope [4]float64) {
	g := 1 - f
	return [4]float64{g * g * g / 6, (4 - 6*f*f + 3*f*f*f) / 6, (4 - 6*g*g + 3*g*g*g) / 6, f * f * f / 6},
		[4]float64{-g * g / 2, (-4*f + 3*f*f) / 2, (4*g - 3*g*g) / 2, f * f / 2}
}

// corner is the first node and the place between the nodes; false outside of the maps.
func (s *sheet) corner(x, y float64) (k int, f, g float64, ok bool) {
	u, v := (x-s.x0)*s.inverse, (y-s.y0)*s.inverse
	if !(u >= 1 && v >= 1 && u < float64(s.nx-2) && v < float64(s.ny-2)) {
		return 0, 0, 0, false
	}
	i, j := int(u), int(v)
	return (j-1)*s.nx + i - 1, u - float64(i), v - float64(j), true
}

// middle is z at a place.
func (s *sheet) middle(x, y float64) (float64, bool) {
	k, f, g, ok := s.corner(x, y)
	if !ok || s.edges[k+s.nx+1] < float32(-4/s.inverse) {
		return 0, false
	}
	wx, _ := splines(f)
	wy, _ := splines(g)
	z := 0.0
	for j := range 4 {
		r := s.middles[k+j*s.nx:][:4]
		z += wy[j] * (wx[0]*float64(r[0]) + wx[1]*float64(r[1]) + wx[2]*float64(r[2]) + wx[3]*float64(r[3]))
	}
	return z, true
}

// read is a map's value and slopes.
func (s *sheet) read(m []float32, k int, wx, sx, wy, sy *[4]float64) (v, dx, dy float64) {
	for j := range 4 {
		r := m[k+j*s.nx:][:4]
		a, b, c, d := float64(r[0]), float64(r[1]), float64(r[2]), float64(r[3])
		w := wx[0]*a + wx[1]*b + wx[2]*c + wx[3]*d
		v += wy[j] * w
		dy += sy[j] * w
		dx += wy[j] * (sx[0]*a + sx[1]*b + sx[2]*c + sx[3]*d)
	}
	return v, dx * s.inverse, dy * s.inverse
}

// skinAt is the layer's slope and half thickness at a place; false beyond its edge.
func (s *sheet) skinAt(x, y float64) (fx, fy, half, hx, hy float64, ok bool) {
	k, f, g, ok := s.corner(x, y)
	if !ok {
		return
	}
	wx, sx := splines(f)
	wy, sy := splines(g)
	e, ex, ey := s.read(s.edges, k, &wx, &sx, &wy, &sy)
	if e <= 0 {
		return 0, 0, 0, 0, 0, false
	}
	_, fx, fy = s.read(s.middles, k, &wx, &sx, &wy, &sy)
	half, hx, hy = s.read(s.halves, k, &wx, &sx, &wy, &sy)
	if u := e / s.rim; u < 3.2 { // the rim is round, and goes over into the film
		round, slope := 1.0, 0.0
		if u < 1 {
			round = math.Sqrt(max(u*(2-u), 1e-4))
			slope = (1 - u) / round
		}
		w := (u - 1) / 2.2
		w = clamp(w, 0, 1)
		film := w * w * (3 - 2*w)
		steep := 6 * w * (1 - w) / 2.2
		d := (1-film)*slope + steep*(half/s.rim-round)
		hx, hy = film*hx+d*ex, film*hy+d*ey
		half = mix(s.rim*round, half, film)
	}
	return fx, fy, half, hx, hy, true
}

// throughSheet follows a ray through the next layer before limit; false if it meets none.
func (t *tracer) throughSheet(o, d vec, limit float64, depth int, weight float64, from int) (vec, bool) {
	if d.z > -0.2 || weight < weak {
		return vec{}, false
	}
	for i := from + 1; i < len(t.sheets); i++ {
		s := &t.sheets[i]
		start := o.mad(s.moves, -t.ms)
		at := (s.z - start.z) / d.z
		var met bool
		var z float64
		for range 2 {
			if z, met = s.middle(start.x+d.x*at, start.y+d.y*at); !met {
				break
			}
			at = (z - start.z) / d.z
		}
		if !met || at <= 0 || at > limit {
			continue
		}
		fx, fy, half, hx, hy, ok := s.skinAt(start.x+d.x*at, start.y+d.y*at)
		if !ok {
			continue
		}
		return t.crossed(o.mad(d, at), d, vec{-fx, -fy, 1}, vec{-hx, -hy, 0}, half, depth, weight, i), true
	}
	return vec{}, false
}

// crossed is the light along a ray that crosses a layer at p.
func (t *tracer) crossed(p, d, middle, swell vec, half float64, depth int, weight float64, i int) vec {
	front, back := middle.add(swell).norm(), middle.sub(swell).norm()
	cos := -d.dot(front)
	if cos < 0.02 {
		cos = 0.02
	}
	f := fresnel(cos, 1/t.liquid.index)
	c := t.room.at(p, d.mad(front, 2*cos)).mul(f)
	inner, ok := refract(d, front, 1/t.liquid.index)
	if !ok {
		return t.room.at(p, d)
	}
	way := 2 * half / max(-inner.z, 0.3)
	var beyond vec
	if out, ok := refract(inner, back, t.liquid.index); ok {
		beyond = t.air(p.mad(inner, way/2), out, depth+1, weight*(1-f), false, i)
	} else {
		beyond = t.room.at(p, inner.mad(back, -2*inner.dot(back)))
	}
	beyond = t.dimmed(beyond, way)
	if t.liquid.scatter > 0 && !t.room.furnace {
		white := t.room.diffuse(p, front).by(milkWhite)
		beyond = mixVec(white, beyond, math.Exp(-t.liquid.scatter*way))
	}
	return c.mad(beyond, 1-f)
}
