package splash

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// cavity is a collapsing crater in axisymmetric potential flow, in units of its radius and of sqrt(radius/g). Where the
// shipped table comes from a boundary integral with linear elements, this is the method of fundamental solutions: ring
// sources in the air, a little off the surface, whose strengths make the potential right at points of the surface
// (Y. Cao, W. W. Schultz and R. F. Beck, Int. J. Numer. Methods Fluids 12 (1991) 785-803, from memory). No element is
// integrated, and nothing is singular where it is evaluated.
type cavity struct {
	b         float64 // surface tension over density, gravity and radius squared
	r, z, phi []float64
}

// newCavity is a hemisphere at rest whose rim is rounded over 0.15 of its radius, as for the table.
func newCavity(b float64) *cavity {
	c := &cavity{b: b}
	const rim, far = 0.15, 12.
	for i := 0; i <= 100; i++ {
		r := 1.15 * math.Sin(float64(i)*math.Pi/200)
		if i > 60 && r > 1.1499 {
			break
		}
		c.r = append(c.r, r)
	}
	for i := 1; i <= 80; i++ {
		c.r = append(c.r, 1.15+(far-1.15)*math.Pow(float64(i)/80, 2))
	}
	for _, r := range c.r {
		x := 1 - r*r
		depth := math.Sqrt((math.Sqrt(x*x+rim*rim) + x) / 2)
		if r > 1 {
			depth *= math.Exp(-4 * (r - 1) * (r - 1))
		}
		c.z, c.phi = append(c.z, -depth), append(c.phi, 0)
	}
	for range 4 {
		c.space()
	}
	return c
}

// curve is a cubic spline over the length of the surface: of an odd function of that length at the axis, or an even
// one.
type curve struct{ at, value, second []float64 }

func newCurve(at, value []float64, odd bool) curve {
	n := len(at)
	a, b, c, d := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	for i := 1; i < n-1; i++ {
		h, k := at[i]-at[i-1], at[i+1]-at[i]
		a[i], b[i], c[i], d[i] = h/6, (h+k)/3, k/6, (value[i+1]-value[i])/k-(value[i]-value[i-1])/h
	}
	b[0], b[n-1] = 1, 1
	if h := at[1] - at[0]; !odd {
		b[0], c[0], d[0] = h/3, h/6, (value[1]-value[0])/h
	}
	for i := 1; i < n; i++ {
		m := a[i] / b[i-1]
		b[i], d[i] = b[i]-m*c[i-1], d[i]-m*d[i-1]
	}
	second := make([]float64, n)
	second[n-1] = d[n-1] / b[n-1]
	for i := n - 2; i >= 0; i-- {
		second[i] = (d[i] - c[i]*second[i+1]) / b[i]
	}
	return curve{at, value, second}
}

func (c curve) slope(i int) float64 {
	if i == len(c.at)-1 {
		h := c.at[i] - c.at[i-1]
		return (c.value[i]-c.value[i-1])/h + h/6*(c.second[i-1]+2*c.second[i])
	}
	h := c.at[i+1] - c.at[i]
	return (c.value[i+1]-c.value[i])/h - h/6*(2*c.second[i]+c.second[i+1])
}

func (c curve) between(i int, x float64) float64 {
	h := c.at[i+1] - c.at[i]
	p, q := (c.at[i+1]-x)/h, (x-c.at[i])/h
	return p*c.value[i] + q*c.value[i+1] + ((p*p*p-p)*c.second[i]+(q*q*q-q)*c.second[i+1])*h*h/6
}

// outlined is the surface as curves, with normals into the air and curvatures.
type outlined struct {
	length         []float64
	r, z, phi      curve
	nr, nz         []float64
	along, pressed []float64 // d phi/ds, and the curvature's part of the pressure
	bend           []float64
}

func (c *cavity) outline() outlined {
	n := len(c.r)
	o := outlined{length: make([]float64, n), nr: make([]float64, n), nz: make([]float64, n), along: make([]float64, n),
		pressed: make([]float64, n), bend: make([]float64, n)}
	for i := 1; i < n; i++ {
		o.length[i] = o.length[i-1] + math.Hypot(c.r[i]-c.r[i-1], c.z[i]-c.z[i-1])
	}
	o.r, o.z, o.phi = newCurve(o.length, c.r, true), newCurve(o.length, c.z, false), newCurve(o.length, c.phi, false)
	for i := range n {
		dr, dz, dp := o.r.slope(i), o.z.slope(i), o.phi.slope(i)
		if i == 0 {
			dz, dp = 0, 0
		}
		l := math.Hypot(dr, dz)
		first := (dr*o.z.second[i] - dz*o.r.second[i]) / (l * l * l)
		round := first
		if i > 0 {
			round = dz / (c.r[i] * l)
		}
		o.nr[i], o.nz[i], o.along[i] = -dz/l, dr/l, dp/l
		o.pressed[i], o.bend[i] = first+round, math.Abs(first)+math.Abs(round)
	}
	return o
}

// space puts the points where the surface bends: a quarter of its radius of curvature apart, at most 0.05 in the
// crater and more far off.
func (c *cavity) space() {
	o := c.outline()
	n := len(c.r)
	per, upTo := make([]float64, n), make([]float64, n)
	for i := range n {
		h := 0.05 + 0.12*max(0, math.Hypot(c.r[i], min(c.z[i], 0))-1.6)
		per[i] = 1 / max(min(h, 0.25/(o.bend[i]+1e-9)), 0.015)
	}
	for range 4 {
		before := per[0]
		for i := 1; i < n-1; i++ {
			now := per[i]
			per[i], before = (before+2*now+per[i+1])/4, now
		}
	}
	for i := 1; i < n; i++ {
		upTo[i] = upTo[i-1] + (per[i]+per[i-1])/2*(o.length[i]-o.length[i-1])
	}
	count := int(upTo[n-1]) + 1
	next := &cavity{b: c.b}
	j := 0
	for i := range count + 1 {
		t := upTo[n-1] * float64(i) / float64(count)
		for j < n-2 && upTo[j+1] < t {
			j++
		}
		x := o.length[j] + (o.length[j+1]-o.length[j])*(t-upTo[j])/(upTo[j+1]-upTo[j])
		next.r, next.z = append(next.r, o.r.between(j, x)), append(next.z, o.z.between(j, x))
		next.phi = append(next.phi, o.phi.between(j, x))
	}
	next.r[0] = 0
	*c = *next
}

// elliptic are the complete elliptic integrals of both kinds, by the arithmetic-geometric mean.
func elliptic(m float64) (k, e float64) {
	a, g, sum, power := 1., math.Sqrt(1-m), m/2, 1.
	for range 12 {
		half := (a - g) / 2
		a, g = (a+g)/2, math.Sqrt(a*g)
		sum += power * half * half
		power *= 2
		if half < 1e-9 {
			break
		}
	}
	k = math.Pi / (2 * a)
	return k, k * (1 - sum)
}

// ring is the potential at (r, z) of a ring of sources about the axis, and its gradient.
func ring(r, z, ringR, ringZ float64) (p, byR, byZ float64) {
	dz := z - ringZ
	far, near := (r+ringR)*(r+ringR)+dz*dz, (r-ringR)*(r-ringR)+dz*dz
	k, e := elliptic(4 * r * ringR / far)
	root := math.Sqrt(far)
	if r > 1e-12 {
		byR = 2 / (r * root) * (e*(ringR*ringR-r*r+dz*dz)/near - k)
	}
	return 4 * k / root, byR, -4 * dz * e / (root * near)
}

// offSurface is how far off the surface the sources are, in spacings.
const offSurface = 1.5

// rates are how the points move and their potential changes.
func (c *cavity) rates() (dr, dz, dphi []float64) {
	n := len(c.r)
	o := c.outline()
	matrix, right := make([][]float64, n), append([]float64{}, c.phi...)
	byR, byZ := make([][]float64, n), make([][]float64, n)
	for i := range n {
		matrix[i], byR[i], byZ[i] = make([]float64, n), make([]float64, n), make([]float64, n)
	}
	for j := range n {
		spacing := o.length[min(j+1, n-1)] - o.length[max(j-1, 0)]
		if j > 0 && j < n-1 {
			spacing /= 2
		}
		sourceR := max(c.r[j]+offSurface*spacing*o.nr[j], 0)
		sourceZ := c.z[j] + offSurface*spacing*o.nz[j]
		for i := range n {
			matrix[i][j], byR[i][j], byZ[i][j] = ring(c.r[i], c.z[i], sourceR, sourceZ)
		}
	}
	solve(matrix, right)
	dr, dz, dphi = make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range n - 1 { // the last one is at rest
		var u, w float64
		for j, q := range right {
			u += q * byR[i][j]
			w += q * byZ[i][j]
		}
		if i == 0 {
			u = 0
		}
		dr[i], dz[i], dphi[i] = u, w, (u*u+w*w)/2-c.z[i]+c.b*o.pressed[i]
	}
	return dr, dz, dphi
}

// solve replaces the right side by the solution, by Gauss with pivots.
func solve(m [][]float64, right []float64) {
	n := len(m)
	for k := range n {
		best := k
		for i := k + 1; i < n; i++ {
			if math.Abs(m[i][k]) > math.Abs(m[best][k]) {
				best = i
			}
		}
		m[k], m[best], right[k], right[best] = m[best], m[k], right[best], right[k]
		row := m[k]
		for i := k + 1; i < n; i++ {
			f := m[i][k] / row[k]
			line := m[i]
			for j := k + 1; j < n; j++ {
				line[j] -= f * row[j]
			}
			right[i] -= f * right[k]
		}
	}
	for i := n - 1; i >= 0; i-- {
		for j := i + 1; j < n; j++ {
			right[i] -= m[i][j] * right[j]
		}
		right[i] /= m[i][i]
	}
}

// step is one step of Runge and Kutta's method of fourth order.
func (c *cavity) step() float64 {
	r0, z0, p0 := c.r, c.z, c.phi
	u, w, f := c.rates()
	dt := 0.02
	for i := 1; i < len(r0)-1; i++ {
		h := math.Hypot(r0[i]-r0[i-1], z0[i]-z0[i-1])
		dt = min(dt, 0.35*math.Sqrt(h*h*h/c.b), 0.3*h/(math.Hypot(u[i], w[i])+1e-9))
	}
	sumR, sumZ, sumP := plus(r0, u, dt/6), plus(z0, w, dt/6), plus(p0, f, dt/6)
	for _, s := range []struct{ part, weight float64 }{{0.5, 1. / 3}, {0.5, 1. / 3}, {1, 1. / 6}} {
		c.r, c.z, c.phi = plus(r0, u, s.part*dt), plus(z0, w, s.part*dt), plus(p0, f, s.part*dt)
		u, w, f = c.rates()
		sumR, sumZ, sumP = plus(sumR, u, s.weight*dt), plus(sumZ, w, s.weight*dt), plus(sumP, f, s.weight*dt)
	}
	c.r, c.z, c.phi = sumR, sumZ, sumP
	return dt
}

func plus(a, b []float64, by float64) []float64 {
	sum := make([]float64, len(a))
	for i := range a {
		sum[i] = a[i] + by*b[i]
	}
	return sum
}

// smooth takes out what alternates from point to point (M. S. Longuet-Higgins and E. D. Cokelet 1976).
func smooth(y []float64, odd float64) {
	was := append([]float64{}, y...)
	value := func(i int) float64 {
		if i < 0 {
			return odd * was[-i]
		}
		return was[i]
	}
	for i := range len(y) - 2 {
		y[i] = (-value(i-2) + 4*value(i-1) + 10*value(i) + 4*value(i+1) - value(i+2)) / 16
	}
}

// run follows the axis until the column is highest, or only until it emerges.
func (c *cavity) run(whole bool) (emerges, highest float64) {
	before, top := c.z[0], math.Inf(-1)
	for at, n := 0., 0; at < 4; n++ {
		dt := c.step()
		at += dt
		if emerges == 0 && c.z[0] > 0 {
			if emerges = at - dt*c.z[0]/(c.z[0]-before); !whole {
				return emerges, 0
			}
		}
		if before = c.z[0]; before < top-0.01 {
			return emerges, highest
		}
		if before > top {
			top, highest = before, at
		}
		if n%4 == 0 {
			smooth(c.r, -1)
			smooth(c.z, 1)
			smooth(c.phi, 1)
			c.r[0] = 0
		}
		c.space()
	}
	return emerges, highest
}

// The middle of the collapse table, computed by another method: a column emerges and is highest when the table says,
// within its rounding and a percent; from row to row it changes by 4 to 13 %.
func TestCollapseTableBySources(t *testing.T) {
	for _, row := range []struct {
		b     float64
		whole bool
	}{{0.05, false}, {0.075, true}, {0.103, true}} {
		emerges, highest := newCavity(row.b).run(row.whole)
		wantEmerges, wantHighest := collapse(row.b)
		t.Logf("b %.3f: emerges %.3f (table %.2f), highest %.2f (table %.2f)", row.b, emerges, wantEmerges, highest,
			wantHighest)
		require.Positive(t, emerges)
		assert.InEpsilon(t, wantEmerges, emerges, 0.015)
		if row.whole {
			assert.InEpsilon(t, wantHighest, highest, 0.02)
		}
	}
}
