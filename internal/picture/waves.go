package picture

import "math"

// waves is the pool's surface outside of the core: heights over the radius, with quadratic B-splines. nil is flat.
type waves struct {
	heights []float64 // entry 0 mirrors entry 2
	radius  float64
	crest   float64
}

const waveStep = 0.1 // mm

func newWaves(radius float64, height func(r float64) float64) *waves {
	w := &waves{radius: radius, heights: make([]float64, int(radius/waveStep)+4)}
	for i := range w.heights {
		h := height(math.Abs(float64(i-1)) * waveStep)
		w.heights[i] = h
		w.crest = max(w.crest, h)
	}
	return w
}

// at is the height and the slope at a radius.
func (w *waves) at(r float64) (h, slope float64) {
	x := r/waveStep + 1
	i := int(x + 0.5)
	if i > len(w.heights)-2 {
		return 0, 0
	}
	f := x - float64(i)
	a, b, c := w.heights[i-1], w.heights[i], w.heights[i+1]
	return 0.5*(0.5-f)*(0.5-f)*a + (0.75-f*f)*b + 0.5*(0.5+f)*(0.5+f)*c, ((f-0.5)*a - 2*f*b + (f+0.5)*c) / waveStep
}

// meet is where a ray that goes down meets the surface: waves are low, so a few steps along the ray are enough.
func (w *waves) meet(o, d vec) float64 {
	t := -o.y / d.y
	if w == nil {
		return t
	}
	for range 4 {
		x, z := o.x+d.x*t, o.z+d.z*t
		r := math.Sqrt(x*x + z*z)
		if r > w.radius {
			break
		}
		h, slope := w.at(r)
		miss := o.y + d.y*t - h
		along := d.y - slope*(x*d.x+z*d.z)/max(r, 1e-3)
		step := miss / min(along, 0.5*d.y)
		t -= step
		if math.Abs(step) < 1e-3 {
			break
		}
	}
	return t
}

func (w *waves) normal(p vec) vec {
	if w == nil {
		return vec{0, 1, 0}
	}
	r := math.Sqrt(p.x*p.x + p.z*p.z)
	if r > w.radius || r < 1e-3 {
		return vec{0, 1, 0}
	}
	_, slope := w.at(r)
	return vec{-slope * p.x / r, 1, -slope * p.z / r}.norm()
}
