package splash

import (
	"math"
	"slices"
)

// necking is a one-dimensional model of a drop that leaves a tip: slices of constant volume under gravity, surface
// tension and viscosity, the first one held at the tip's rim. Lengths are in capillary lengths, times in
// sqrt(length/g), masses in density times length³. It is the model of Fuchikami, Ishioka and Kiyono 1999, written anew.
type necking struct {
	tip, viscosity, inflow float64
	place, speed           []float64 // of the slices' lower ends; the rim first
	volume                 []float64 // of the slices; none for the rim
	height, radius, force  []float64
}

// outline is a hanging drop at rest, from its lowest point up to the rim.
type outline struct {
	radius, height []float64
	volume         float64
}

// hang integrates Young and Laplace's equation upwards from a lowest point of that curvature, and returns the drop at
// each of the first three heights at which it is as wide as the tip.
func hang(curvature, tip float64) (drops []outline) {
	const ds = 4e-3
	type point [3]float64 // radius, height, angle of the outline
	slope := func(p point) point {
		across := curvature
		if p[0] > 1e-9 {
			across = math.Sin(p[2]) / p[0]
		}
		return point{math.Cos(p[2]), math.Sin(p[2]), 2*curvature - p[1] - across}
	}
	along := func(p, d point, h float64) point { return point{p[0] + h*d[0], p[1] + h*d[1], p[2] + h*d[2]} }
	var p point
	var o outline
	for i := range 5000 {
		middle := along(p, slope(p), ds/2)
		next := along(p, slope(middle), ds)
		if i > 10 && (next[0] < 1e-3 || next[2] < 0) || next[2] > math.Pi {
			return drops
		}
		o.volume += math.Pi * math.Pow((p[0]+next[0])/2, 2) * (next[1] - p[1])
		o.radius, o.height = append(o.radius, next[0]), append(o.height, next[1])
		if i > 0 && (p[0]-tip)*(next[0]-tip) <= 0 {
			drops = append(drops, outline{slices.Clone(o.radius), slices.Clone(o.height), o.volume})
			if len(drops) == 3 {
				return drops
			}
		}
		p = next
	}
	return drops
}

// largestHanging is the largest drop that can hang from a tip.
func largestHanging(tip float64) (largest outline) {
	for curvature := 0.2; curvature < 3; curvature += 0.01 {
		for _, o := range hang(curvature, tip) {
			if o.volume > largest.volume {
				largest = o
			}
		}
	}
	return largest
}

// newNecking cuts a hanging drop into slices, thinner towards its lowest point, and makes it heavier by a fraction.
func newNecking(o outline, tip, viscosity, surplus float64, count int) *necking {
	top := len(o.height) - 1
	n := &necking{tip: tip, viscosity: viscosity, place: []float64{0}, volume: []float64{0}}
	above, i, cut := 0., top, 0.
	for s := 1; s <= count; s++ {
		left := 1 - float64(s)/float64(count)
		want := o.volume * (1 - left*left*(0.3+0.7*left))
		next := func() float64 {
			return math.Pi * math.Pow((o.radius[i]+o.radius[i-1])/2, 2) * (o.height[i] - o.height[i-1])
		}
		for i > 1 && above+next() < want {
			above += next()
			i--
		}
		at := o.height[top]
		if s < count {
			at -= o.height[i] - (o.height[i]-o.height[i-1])*(want-above)/next()
		}
		n.place, n.volume = append(n.place, at), append(n.volume, (want-cut)*(1+surplus))
		cut = want
	}
	n.speed = make([]float64, count+1)
	return n
}

// frustumSlopes is how the side area of a frustum changes with either radius and with its height.
func frustumSlopes(r1, r2, height float64) (by1, by2, byHeight float64) {
	side, sum := math.Hypot(r1-r2, height), r1+r2
	return math.Pi * (side + sum*(r1-r2)/side), math.Pi * (side - sum*(r1-r2)/side), math.Pi * sum * height / side
}

// pull fills in the slices' shapes and the accelerations. The surface joins the middles of neighbouring slices.
func (n *necking) pull() {
	last := len(n.place) - 1
	n.height, n.radius = make([]float64, last+1), make([]float64, last+1)
	n.force = make([]float64, last+1)
	tension := make([]float64, last+2)
	for j := 1; j <= last; j++ {
		n.height[j] = n.place[j] - n.place[j-1]
		n.radius[j] = math.Sqrt(n.volume[j] / (math.Pi * n.height[j]))
	}
	n.radius[0] = n.tip
	bottom := func(j int) float64 { // of the radius of slice j; 0 below the last
		if j > last {
			return 0
		}
		return n.radius[j]
	}
	for j := 0; j <= last; j++ { // the frustum from the middle of slice j to that of the next
		height := n.height[j] / 2
		if j < last {
			height += n.height[j+1] / 2
		}
		by1, by2, byHeight := frustumSlopes(n.radius[j], bottom(j+1), height)
		if j > 0 {
			tension[j] += byHeight/2 - by1*n.radius[j]/(2*n.height[j])
		}
		if j < last {
			tension[j+1] += byHeight/2 - by2*n.radius[j+1]/(2*n.height[j+1])
		}
	}
	for j := 1; j <= last; j++ {
		tension[j] += 3 * n.viscosity * n.volume[j] / (n.height[j] * n.height[j]) * (n.speed[j] - n.speed[j-1])
	}
	for j := 1; j <= last; j++ {
		mass := n.volume[j] / 2
		if j < last {
			mass += n.volume[j+1] / 2
		}
		n.force[j] = (tension[j+1]-tension[j])/mass + 1
	}
}

// step is a time step short enough for capillary waves from slice to slice, for viscosity and for the motion.
func (n *necking) step() float64 {
	step := 2e-3
	for j := 1; j < len(n.place); j++ {
		h := n.height[j]
		step = min(step, 0.4*h*h/math.Sqrt(8*(n.radius[j]+h)), h*h/(30*n.viscosity))
		if d := math.Abs(n.speed[j] - n.speed[j-1]); d > 0 {
			step = min(step, 0.1*h/d)
		}
	}
	return step
}

// divide halves a slice; share is the place of the cut within it.
func (n *necking) divide(j int, share float64) {
	n.volume[j] *= share
	n.volume = slices.Insert(n.volume, j, n.volume[j]*(1-share)/share)
	n.volume[j], n.volume[j+1] = n.volume[j+1], n.volume[j]
	n.place = slices.Insert(n.place, j, n.place[j-1]+(n.place[j]-n.place[j-1])*share)
	n.speed = slices.Insert(n.speed, j, n.speed[j-1]+(n.speed[j]-n.speed[j-1])*share)
	n.pull()
}

// detached is the drop when the neck is 3 % of the tip: what is below the neck.
type detached struct{ volume, length, centre, speed float64 }

// release is where its lowest point would have been released at rest, once it is round.
func (d detached) release() float64 {
	return d.centre + math.Cbrt(6*d.volume/math.Pi)/2 - d.speed*d.speed/2
}

// run lets the drop go; false if it still hangs after 30 units of time.
func (n *necking) run() (detached, bool) {
	n.pull()
	for t := 0.; t < 30; {
		step := n.step()
		for j := 1; j < len(n.place); j++ {
			n.speed[j] += n.force[j] * step
			n.place[j] += n.speed[j] * step
		}
		t += step
		if n.volume[1] += n.inflow * step; n.volume[1] > 2*n.volume[2] {
			n.divide(1, 0.5)
		}
		n.pull()
		for j := 2; j < len(n.place)-1; j++ {
			if n.height[j] > 0.12*n.tip && n.radius[j] < 0.9*n.tip {
				n.divide(j, 0.5)
				break
			}
		}
		if neck := n.neck(); neck > 0 && n.radius[neck] < 0.03*n.tip {
			return n.below(neck), true
		}
	}
	return detached{}, false
}

// neck is the thinnest slice, not counting the drop's lowest part.
func (n *necking) neck() (at int) {
	for j := 2; j < len(n.place)-4; j++ {
		if n.radius[j] < 0.95*n.tip && (at == 0 || n.radius[j] < n.radius[at]) {
			at = j
		}
	}
	return at
}

func (n *necking) below(neck int) detached {
	last := len(n.place) - 1
	d := detached{length: n.place[last]}
	for j := neck + 1; j <= last; j++ {
		d.volume += n.volume[j]
		d.centre += n.volume[j] * (n.place[j] + n.place[j-1]) / 2
		d.speed += n.volume[j] * (n.speed[j] + n.speed[j-1]) / 2
	}
	d.centre, d.speed = d.centre/d.volume, d.speed/d.volume
	return d
}
