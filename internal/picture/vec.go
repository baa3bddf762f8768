package picture

import "math"

// vec is a point, a direction, or a linear colour in red, green and blue. Lengths are in mm.
type vec struct{ x, y, z float64 }

func (a vec) add(b vec) vec            { return vec{a.x + b.x, a.y + b.y, a.z + b.z} }
func (a vec) sub(b vec) vec            { return vec{a.x - b.x, a.y - b.y, a.z - b.z} }
func (a vec) mul(s float64) vec        { return vec{a.x * s, a.y * s, a.z * s} }
func (a vec) by(b vec) vec             { return vec{a.x * b.x, a.y * b.y, a.z * b.z} }
func (a vec) mad(b vec, s float64) vec { return vec{a.x + b.x*s, a.y + b.y*s, a.z + b.z*s} }
func (a vec) dot(b vec) float64        { return a.x*b.x + a.y*b.y + a.z*b.z }
func (a vec) len() float64             { return math.Sqrt(a.dot(a)) }
func (a vec) norm() vec                { return a.mul(1 / a.len()) }
func (a vec) cross(b vec) vec          { return vec{a.y*b.z - a.z*b.y, a.z*b.x - a.x*b.z, a.x*b.y - a.y*b.x} }

// luma is the brightness of a linear colour (Rec. 709).
func (a vec) luma() float64 { return 0.2126*a.x + 0.7152*a.y + 0.0722*a.z }

func grey(v float64) vec             { return vec{v, v, v} }
func mix(a, b, t float64) float64    { return a + (b-a)*t }
func mixVec(a, b vec, t float64) vec { return a.mad(b.sub(a), t) }
func clamp(x, low, high float64) float64 { // the built-in min and max are slow, for NaN's sake
	if x < low {
		return low
	}
	if x > high {
		return high
	}
	return x
}
func smooth(from, to, x float64) float64 {
	t := clamp((x-from)/(to-from), 0, 1)
	return t * t * (3 - 2*t)
}
func gauss(x, width float64) float64 { x /= width; return math.Exp(-x * x) }
func fraction(x float64) float64     { return x - math.Floor(x) }
func hypot(x, y float64) float64     { return math.Sqrt(x*x + y*y) } // math.Hypot is slow

// join is the distance to the union of two bodies whose seam is rounded over the width k: the minimum where they differ
// by k or more.
func join(a, b, k float64) float64 {
	if b < a {
		a, b = b, a
	}
	h := k - (b - a)
	if h <= 0 {
		return a
	}
	return a - h*h/(4*k)
}

// dice is a stream of random numbers (splitmix64), the same on every machine.
type dice uint64

func (d *dice) next() uint64 {
	*d += 0x9e3779b97f4a7c15
	z := uint64(*d)
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

func (d *dice) unit() float64                     { return float64(d.next()>>11) / (1 << 53) }
func (d *dice) between(low, high float64) float64 { return low + (high-low)*d.unit() }

// noise is seeded value noise in the plane, smooth to the second derivative, -1 to 1.
func noise(seed uint64, x, y float64) float64 {
	xf, yf := math.Floor(x), math.Floor(y)
	i, j := int64(xf), int64(yf)
	u, v := x-xf, y-yf
	u, v = u*u*u*(u*(u*6-15)+10), v*v*v*(v*(v*6-15)+10)
	a := mix(lattice(seed, i, j), lattice(seed, i+1, j), u)
	return mix(a, mix(lattice(seed, i, j+1), lattice(seed, i+1, j+1), u), v)
}

func lattice(seed uint64, i, j int64) float64 {
	d := dice(seed ^ uint64(i)*0x8da6b343 ^ uint64(j)*0xd8163841<<7)
	return d.unit()*2 - 1
}
