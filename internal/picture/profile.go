package picture

import "math"

// profile is the signed distance to a body of revolution, as a table over radius and height: whatever made it, a
// distance costs nine reads. Between the nodes it is a quadratic B-spline, whose slope is continuous, so that a
// refracted background shows no facets.
type profile struct {
	step, inverse float64
	low           float64 // height of row 0
	columns, rows int
	nodes         []float32 // column 0 mirrors column 2 across the axis
}

// maxNodes bounds the memory of a profile: 4 bytes each.
const maxNodes = 400_000

// newProfile tabulates a distance from the axis to a radius and between two heights.
func newProfile(radius, low, high, step float64, distance func(r, y float64) float64) *profile {
	for (radius/step+4)*((high-low)/step+4) > maxNodes {
		step *= 1.1
	}
	p := &profile{step: step, inverse: 1 / step, low: low, columns: int(radius/step) + 4, rows: int((high-low)/step) + 4}
	p.nodes = make([]float32, p.columns*p.rows)
	for j := range p.rows {
		for i := range p.columns {
			r, y := math.Abs(float64(i-1))*step, low+float64(j-1)*step
			p.nodes[j*p.columns+i] = float32(distance(r, y))
		}
	}
	return p
}

// node is the first of the nine nodes around a place, and where it is between them; outside of the table at its edge.
func (p *profile) node(r, y float64) (k int, f, g float32) {
	u, v := float32(r*p.inverse+1), float32((y-p.low)*p.inverse+1)
	if last := float32(p.columns - 2); !(u < last) {
		u = last
	}
	if last := float32(p.rows - 2); !(v < last) {
		v = last
	}
	if v < 1 {
		v = 1
	}
	i, j := int(u+0.5), int(v+0.5)
	return (j-1)*p.columns + i - 1, u - float32(i), v - float32(j)
}

// at is the distance at a radius and a height; outside of the table that of its edge.
func (p *profile) at(r, y float64) float64 {
	k, f, g := p.node(r, y)
	a0, a1, a2 := 0.5*(0.5-f)*(0.5-f), 0.75-f*f, 0.5*(0.5+f)*(0.5+f)
	n := p.nodes[k : k+2*p.columns+3]
	low := a0*n[0] + a1*n[1] + a2*n[2]
	n = n[p.columns:]
	middle := a0*n[0] + a1*n[1] + a2*n[2]
	n = n[p.columns:]
	high := a0*n[0] + a1*n[1] + a2*n[2]
	return float64(0.5*(0.5-g)*(0.5-g)*low + (0.75-g*g)*middle + 0.5*(0.5+g)*(0.5+g)*high)
}

// slope is how the distance grows there with radius and height.
func (p *profile) slope(r, y float64) slope {
	k, f, g := p.node(r, y)
	a := [3]float32{0.5 * (0.5 - f) * (0.5 - f), 0.75 - f*f, 0.5 * (0.5 + f) * (0.5 + f)}
	b := [3]float32{0.5 * (0.5 - g) * (0.5 - g), 0.75 - g*g, 0.5 * (0.5 + g) * (0.5 + g)}
	da, db := [3]float32{f - 0.5, -2 * f, f + 0.5}, [3]float32{g - 0.5, -2 * g, g + 0.5}
	var dr, dy float32
	for j := range 3 {
		n := p.nodes[k+j*p.columns:][:3]
		dr += b[j] * (da[0]*n[0] + da[1]*n[1] + da[2]*n[2])
		dy += db[j] * (a[0]*n[0] + a[1]*n[1] + a[2]*n[2])
	}
	return slope{r: float64(dr) * p.inverse, y: float64(dy) * p.inverse}
}

// rim is what differs around the axis: a table over the azimuth.
type rim [rimNodes]struct{ height, radius, thick float32 }

const rimNodes = 256 // a power of two

// turn stands in for the azimuth, 0 to 4 once around, and needs no arc tangent.
func turn(x, z float64) float64 {
	s := math.Abs(x) + math.Abs(z) + 1e-12
	if z >= 0 {
		return 1 - x/s
	}
	return 3 + x/s
}

// azimuth is the angle of a node.
func azimuth(node int) float64 {
	u := 4 * float64(node) / rimNodes
	if u < 2 {
		return math.Atan2(1-math.Abs(1-u), 1-u)
	}
	return math.Atan2(-(1 - math.Abs(u-3)), u-3)
}

// arcs is a rim as rays read it: about each node a polynomial of the place after it, -0.5 to 0.5 (quadratic B-splines).
type arcs [rimNodes]struct{ height, radius, thick [3]float32 }

func (t *rim) arcs() *arcs {
	var list arcs
	spline := func(a, b, c float32) [3]float32 { return [3]float32{(a+c)/8 + 0.75*b, (c - a) / 2, (a+c)/2 - b} }
	for i := range t {
		a, b, c := &t[(i+rimNodes-1)&(rimNodes-1)], &t[i], &t[(i+1)&(rimNodes-1)]
		list[i].height = spline(a.height, b.height, c.height)
		list[i].radius = spline(a.radius, b.radius, c.radius)
		list[i].thick = spline(a.thick, b.thick, c.thick)
	}
	return &list
}

// at is the rim at a turn.
func (t *arcs) at(turn float64) (height, radius, thick float64) {
	x := turn * (rimNodes / 4)
	i := int(x + 0.5)
	f := float32(x - float64(i))
	a := &t[i&(rimNodes-1)]
	return float64(a.height[0] + f*(a.height[1]+f*a.height[2])), float64(a.radius[0] + f*(a.radius[1]+f*a.radius[2])),
		float64(a.thick[0] + f*(a.thick[1]+f*a.thick[2]))
}

// slope is how the rim grows with the turn.
func (t *arcs) slope(turn float64) (height, radius, thick float64) {
	x := turn * (rimNodes / 4)
	i := int(x + 0.5)
	f := 2 * float32(x-float64(i))
	a := &t[i&(rimNodes-1)]
	const per = rimNodes / 4
	return per * float64(a.height[1]+f*a.height[2]), per * float64(a.radius[1]+f*a.radius[2]),
		per * float64(a.thick[1]+f*a.thick[2])
}

// atAzimuth is the rim at an angle.
func (t *arcs) atAzimuth(phi float64) (height, radius, thick float64) {
	return t.at(turn(math.Cos(phi), math.Sin(phi)))
}

// waver adds harmonics of random phase to one column of the table.
func (t *rim) waver(d *dice, into func(node int, by float64), amplitudes ...float64) {
	for m, a := range amplitudes {
		if a == 0 {
			continue
		}
		phase, size := d.between(0, 2*math.Pi), a*d.between(0.6, 1.2)
		for i := range t {
			into(i, size*math.Cos(float64(m)*azimuth(i)+phase))
		}
	}
}
