package picture

import (
	"context"
	"fmt"
	"image"
	"math"
	"sync"
	"sync/atomic"

	"stillwater/internal/scene"
)

// Quality is how much work is spent on a picture.
type Quality uint8

const (
	Usual   Quality = iota // what a person looks at
	Preview                // at once, and coarser
	Slow                   // 24 rays in each pixel, to compare with
)

// Options is the size of a picture and how it is made.
type Options struct {
	Width, Height int
	Quality       Quality
	Threads       int    // 0 is one; the picture is the same for any number
	Seed          uint64 // of the sensor's grain
}

// maxPixels bounds the memory of a picture: about 40 bytes each.
const maxPixels = 1920 * 1280

// Render makes the picture. It ends early with the context's error.
func Render(ctx context.Context, w scene.Water, l Light, o Options) (*image.RGBA, error) {
	if o.Width < 8 || o.Height < 8 || o.Width*o.Height > maxPixels {
		return nil, fmt.Errorf("a picture of %d x %d: use at least 8 x 8, and %d pixels or fewer", o.Width, o.Height,
			maxPixels)
	}
	r := &renderer{ctx: ctx, stage: newStage(w, l), light: l, opts: o, pixels: make([]pixel, o.Width*o.Height)}
	if !l.Shut {
		r.expose()
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	return r.develop(), nil
}

// pixel sums the samples of a pixel.
type pixel struct {
	sum    [3]float32
	l, l2  float32 // of the square root of brightness, which is about how the eye sees it
	n      uint16
	moving bool // something small or fast is here: it is sampled whatever its neighbours show
}

func (p *pixel) mean() vec {
	f := 1 / float64(p.n)
	return vec{float64(p.sum[0]) * f, float64(p.sum[1]) * f, float64(p.sum[2]) * f}
}

type renderer struct {
	*stage
	ctx    context.Context
	light  Light
	opts   Options
	pixels []pixel
	times  int // samples of a pixel where something moves
}

// Own choice, by looking: contrasts (of the square root of brightness, 0 to 1) under which pixels between samples are
// blended, and over which an edge is sampled again.
const (
	calm      = 0.026
	calmFar   = 0.012 // the same between samples four pixels apart
	edge      = 0.06
	restless  = 0.0035 // variance
	atEdges   = 2
	restlessN = 3
)

// expose takes the samples.
func (r *renderer) expose() {
	perPixel := r.camera.width / float64(r.opts.Width)
	if r.body != nil {
		r.body.epsilon, r.body.least = 0.02*perPixel, 0.35*perPixel
	}
	r.mark()
	if r.opts.Quality == Slow {
		r.rows(1, func(y int, t *tracer) {
			for x := range r.opts.Width {
				r.sample(t, x, y, 24)
			}
		})
		return
	}
	r.rows(4, func(y int, t *tracer) {
		for x := 0; x < r.opts.Width; x += 4 {
			r.first(t, x, y)
		}
	})
	r.between(4, calmFar)
	if r.opts.Quality == Preview {
		r.between(2, math.Inf(1))
		return
	}
	r.between(2, calm)
	r.smoothEdges()
}

// mark finds the pixels that small parts cross during the flash, and how many samples their way needs.
func (r *renderer) mark() {
	r.times = 1
	half := float64(r.opts.Width) / 2
	parts := r.parts()
	for i := range parts {
		q := &parts[i]
		c, radius := q.bounds(flashLasts * r.decay)
		x, y, scale := r.camera.project(c)
		px, py, pr := half+x*half, float64(r.opts.Height)/2-y*half, radius*scale*half+1
		way := q.moves.len() * r.decay * scale * half
		r.times = max(r.times, int(clamp(1.5*way, 1, 14)))
		for j := max(int(py-pr), 0); j <= min(int(py+pr), r.opts.Height-1); j++ {
			for k := max(int(px-pr), 0); k <= min(int(px+pr), r.opts.Width-1); k++ {
				r.pixels[j*r.opts.Width+k].moving = true
			}
		}
	}
}

// parts are the small things of the scene.
func (s *stage) parts() []part {
	switch {
	case s.spray != nil:
		return s.spray.drops
	case s.body != nil && s.body.parts != nil:
		return s.body.parts.parts
	}
	return nil
}

// rows runs f over every n-th row, on all threads.
func (r *renderer) rows(n int, f func(y int, t *tracer)) {
	var next atomic.Int64
	var workers sync.WaitGroup
	for range max(r.opts.Threads, 1) {
		workers.Go(func() {
			t := &tracer{stage: r.stage}
			for r.ctx.Err() == nil {
				y := int(next.Add(1)-1) * n
				if y >= r.opts.Height {
					return
				}
				f(y, t)
			}
		})
	}
	workers.Wait()
}

// first takes the first samples of a pixel.
func (r *renderer) first(t *tracer, x, y int) {
	n := 1
	if r.pixels[y*r.opts.Width+x].moving && r.opts.Quality != Preview {
		n = r.times
	}
	r.sample(t, x, y, n)
}

// sample takes n more samples of a pixel: spread evenly over its area, the lens and the flash's light.
func (r *renderer) sample(t *tracer, x, y, n int) {
	p := &r.pixels[y*r.opts.Width+x]
	half := float64(r.opts.Width) / 2
	d := dice(uint64(y)<<32 ^ uint64(x)<<8)
	a, b, c := d.unit(), d.unit(), d.unit()
	for range n {
		k := float64(p.n)
		u, v, lens, turned, when := 0.5, 0.5, 0.0, 0.0, 0.3
		if p.n > 0 || n > 1 { // a sequence of R. M. Kind, "R2", from memory: low discrepancy in the plane
			u, v = fraction(a+k*0.7548776662), fraction(b+k*0.5698402910)
			lens, turned = fraction(b+k*0.8191725134+0.31), fraction(c+k*0.6710436067)
			when = fraction(c + k*0.6180339887)
		}
		sin, cos := math.Sincos(2 * math.Pi * turned)
		radius := math.Sqrt(lens)
		o, way := r.camera.ray((float64(x)+u-half)/half, (float64(r.opts.Height)/2-float64(y)-v)/half, radius*cos,
			radius*sin)
		t.ms = r.momentOf(when)
		p.add(t.air(o, way, 0, 1, false, -1).mul(r.gain))
	}
}

// momentOf spreads times as the flash's light is spread: it decays exponentially.
func (r *renderer) momentOf(share float64) float64 {
	if r.decay == 0 {
		return 0
	}
	return -r.decay * math.Log(1-share*(1-math.Exp(-flashLasts)))
}

func (p *pixel) add(c vec) {
	c = vec{shoulder(c.x), shoulder(c.y), shoulder(c.z)}
	l := math.Sqrt(c.luma())
	p.sum[0] += float32(c.x)
	p.sum[1] += float32(c.y)
	p.sum[2] += float32(c.z)
	p.l += float32(l)
	p.l2 += float32(l * l)
	p.n++
}

// between fills in the pixels halfway between those n apart: blended where these differ little, else sampled.
func (r *renderer) between(n int, contrast float64) {
	h, w := n/2, r.opts.Width
	r.rows(h, func(y int, t *tracer) {
		for x := 0; x < w; x += h {
			if x%n == 0 && y%n == 0 {
				continue
			}
			p := &r.pixels[y*w+x]
			if c, l, ok := r.blended(x, y, n, contrast); ok && (!p.moving || r.opts.Quality == Preview) {
				*p = pixel{sum: [3]float32{float32(c.x), float32(c.y), float32(c.z)}, l: l, l2: l * l, n: 1}
				continue
			}
			r.first(t, x, y)
		}
	})
}

// blended is the mean of the pixels n apart around one; false where they differ.
func (r *renderer) blended(x, y, n int, contrast float64) (c vec, l float32, ok bool) {
	w, h := r.opts.Width, r.opts.Height
	x0, y0 := x/n*n, y/n*n
	x1, y1 := x0+n, y0+n
	if x1 >= w {
		x1 = x0
	}
	if y1 >= h {
		y1 = y0
	}
	low, high := float32(9), float32(-9)
	fx, fy := float64(x-x0)/float64(n), float64(y-y0)/float64(n)
	corners := [4]struct {
		p *pixel
		w float64
	}{{&r.pixels[y0*w+x0], (1 - fx) * (1 - fy)}, {&r.pixels[y0*w+x1], fx * (1 - fy)},
		{&r.pixels[y1*w+x0], (1 - fx) * fy}, {&r.pixels[y1*w+x1], fx * fy}}
	for _, q := range corners {
		each := q.p.l / float32(q.p.n)
		low, high = min(low, each), max(high, each)
		c = c.mad(q.p.mean(), q.w)
		l += each * float32(q.w)
	}
	return c, l, float64(high-low) < contrast
}

// smoothEdges takes more samples where neighbours differ, and still more where samples do.
func (r *renderer) smoothEdges() {
	w, h := r.opts.Width, r.opts.Height
	levels := make([]float32, w*h)
	for k := range r.pixels {
		levels[k] = r.pixels[k].l / float32(max(r.pixels[k].n, 1))
	}
	r.rows(1, func(y int, t *tracer) {
		for x := range w {
			low, high := float32(9), float32(-9)
			for j := max(y-1, 0); j <= min(y+1, h-1); j++ {
				for _, l := range levels[j*w+max(x-1, 0) : j*w+min(x+2, w)] {
					low, high = min(low, l), max(high, l)
				}
			}
			if high-low < edge {
				continue
			}
			r.sample(t, x, y, atEdges)
			p := &r.pixels[y*w+x]
			m := p.l / float32(p.n)
			if p.l2/float32(p.n)-m*m > restless {
				r.sample(t, x, y, restlessN)
			}
		}
	})
}
