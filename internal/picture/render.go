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
	r := &renderer{stage: newStage(w, l), light: l, opts: o, pixels: make([]pixel, o.Width*o.Height)}
	if !l.Shut && !l.Unlit {
		r.expose(ctx)
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	return r.develop(ctx), nil
}

// pixel sums the samples of a pixel.
type pixel struct {
	sum    [3]float32
	l, l2  float32 // of the square root of brightness, which is about how the eye sees it
	n      uint16
	moving bool // something small or fast is here: it is sampled whatever its neighbours show
	every  int8 // waves are so narrow here that pixels farther apart are not blended; 0: there are none
}

func (p *pixel) mean() vec {
	f := 1 / float64(p.n)
	return vec{float64(p.sum[0]) * f, float64(p.sum[1]) * f, float64(p.sum[2]) * f}
}

type renderer struct {
	*stage
	light  Light
	opts   Options
	pixels []pixel
	times  int // samples of a pixel where something moves
}

// Own choice, by looking: contrasts (of the square root of brightness, 0 to 1) under which pixels between samples are
// blended, and over which an edge is sampled again.
const (
	blendBelow    = 0.026
	blendBelowFar = 0.012 // the same between samples four pixels apart
	edge          = 0.06
	noiseAbove    = 0.0035 // variance
	inRow         = 0.03   // as blendBelow, between the rows of a pixel of narrow waves
	sharp         = 2.5    // of 480 pixels, how many beside an edge need no samples of their own
	edgeSamples   = 2
	noiseSamples  = 3
)

// expose takes the samples.
func (r *renderer) expose(ctx context.Context) {
	perPixel := r.camera.width / float64(r.opts.Width)
	if r.body != nil {
		r.body.epsilon, r.body.least = 0.05*perPixel, 0.35*perPixel
	}
	r.mark()
	r.markWaves()
	if r.opts.Quality == Slow {
		r.rows(ctx, 1, func(y int, t *tracer) {
			for x := range r.opts.Width {
				r.sample(t, x, y, 24)
			}
		})
		return
	}
	r.rows(ctx, 4, func(y int, t *tracer) {
		for x := 0; x < r.opts.Width; x += 4 {
			r.first(t, x, y)
		}
	})
	r.between(ctx, 4, blendBelowFar)
	if r.opts.Quality == Preview {
		r.between(ctx, 2, math.Inf(1))
		return
	}
	r.between(ctx, 2, blendBelow)
	r.smoothEdges(ctx)
}

// mark finds the pixels that small parts cross during the flash, and how many samples their way needs.
func (r *renderer) mark() {
	r.times = 1
	half := float64(r.opts.Width) / 2
	parts := r.parts()
	for i := range parts {
		q := &parts[i]
		c, radius := q.bounds(r.flash.over())
		x, y, scale := r.camera.project(c)
		px, py, pr := half+x*half, float64(r.opts.Height)/2-y*half, radius*scale*half+1
		way := q.moves.len() * r.flash.middle() * scale * half
		r.times = max(r.times, int(clamp(1.5*way, 1, 14)))
		for j := max(int(py-pr), 0); j <= min(int(py+pr), r.opts.Height-1); j++ {
			for k := max(int(px-pr), 0); k <= min(int(px+pr), r.opts.Width-1); k++ {
				r.pixels[j*r.opts.Width+k].moving = true
			}
		}
	}
}

// markWaves finds the pixels where the pool's waves are narrow in the picture.
func (r *renderer) markWaves() {
	if r.body == nil || r.body.waves == nil || r.body.wavelength == 0 {
		return
	}
	w, h := r.opts.Width, r.opts.Height
	half := float64(w) / 2
	for y := range h {
		for x := range w {
			o, d := r.camera.ray((float64(x)+0.5-half)/half, (float64(h)/2-float64(y)-0.5)/half, 0, 0)
			if d.y >= 0 {
				continue
			}
			p := o.mad(d, -o.y/d.y)
			radius := hypot(p.x, p.z)
			if radius > r.body.radius || radius < 1 {
				continue
			}
			x0, y0, _ := r.camera.project(p)
			x1, y1, _ := r.camera.project(p.mad(vec{p.x, 0, p.z}, r.body.wavelength/radius))
			switch long := hypot(x1-x0, y1-y0) * half; {
			case long < 12:
				r.pixels[y*w+x].every = 1
			case long < 24:
				r.pixels[y*w+x].every = 2
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

// rows runs f over every n-th row, on all threads, until the context ends.
func (r *renderer) rows(ctx context.Context, n int, f func(y int, t *tracer)) {
	var next atomic.Int64
	var workers sync.WaitGroup
	for range max(r.opts.Threads, 1) {
		workers.Go(func() {
			t := &tracer{stage: r.stage}
			for ctx.Err() == nil {
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
		t.ms = r.flash.at(when)
		p.add(t.air(o, way, 0, 1, false, -1))
	}
}

// sampleRows samples a pixel of narrow waves in even rows: noise would show as dots along the crests. Where the outer
// rows and what is there already differ little, they are enough.
func (r *renderer) sampleRows(t *tracer, x, y int) {
	p, middle := &r.pixels[y*r.opts.Width+x], r.pixels[y*r.opts.Width+x]
	first := middle.l / float32(middle.n)
	*p = pixel{moving: p.moving, every: p.every}
	low := r.sampleRow(t, p, x, y, 0)
	high := r.sampleRow(t, p, x, y, 3)
	if max(low, high, first)-min(low, high, first) < inRow {
		p.add(middle.mean())
		return
	}
	r.sampleRow(t, p, x, y, 1)
	r.sampleRow(t, p, x, y, 2)
}

// sampleRow samples a pixel in one of four rows, and says how bright that is.
func (r *renderer) sampleRow(t *tracer, p *pixel, x, y, row int) float32 {
	half := float64(r.opts.Width) / 2
	t.ms = r.flash.at(0.3)
	u, v := 0.25+0.5*float64(row&1), (float64(row)+0.5)/4
	o, way := r.camera.ray((float64(x)+u-half)/half, (float64(r.opts.Height)/2-float64(y)-v)/half, 0, 0)
	before := p.l
	p.add(t.air(o, way, 0, 1, false, -1))
	return p.l - before
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
func (r *renderer) between(ctx context.Context, n int, contrast float64) {
	h, w := n/2, r.opts.Width
	r.rows(ctx, h, func(y int, t *tracer) {
		for x := 0; x < w; x += h {
			if x%n == 0 && y%n == 0 {
				continue
			}
			p := &r.pixels[y*w+x]
			narrow := p.moving || p.every > 0 && int(p.every) < n
			if c, l, ok := r.blended(x, y, n, contrast); ok && (!narrow || r.opts.Quality == Preview) {
				p.sum, p.l, p.l2, p.n = [3]float32{float32(c.x), float32(c.y), float32(c.z)}, l, l*l, 1
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
func (r *renderer) smoothEdges(ctx context.Context) {
	w := r.opts.Width
	edges := r.edges(ctx)
	soft := r.softness()
	size := max(float64(r.opts.Width)/480, 1) // of the picture, as it is looked at as a whole
	if soft > sharp*size {
		edges = spread(edges, w, r.opts.Height, int(math.Ceil(soft)))
	}
	r.rows(ctx, 1, func(y int, t *tracer) {
		for x := range w {
			if !edges[y*w+x] {
				continue
			}
			p := &r.pixels[y*w+x]
			if soft > sharp*size { // the sample through the lens's middle counts no more than others
				*p = pixel{}
				r.sample(t, x, y, int(clamp(4*soft/size, 8, 32)))
				continue
			}
			if p.every > 0 && !p.moving {
				r.sampleRows(t, x, y)
				continue
			}
			r.sample(t, x, y, edgeSamples)
			m := p.l / float32(p.n)
			if p.l2/float32(p.n)-m*m > noiseAbove {
				r.sample(t, x, y, noiseSamples)
			}
		}
	})
}

// edges are the pixels that differ from a neighbour.
func (r *renderer) edges(ctx context.Context) []bool {
	w, h := r.opts.Width, r.opts.Height
	levels := make([]float32, w*h)
	for k := range r.pixels {
		levels[k] = r.pixels[k].l / float32(max(r.pixels[k].n, 1))
	}
	edges := make([]bool, w*h)
	r.rows(ctx, 1, func(y int, _ *tracer) {
		for x := range w {
			low, high := float32(9), float32(-9)
			for j := max(y-1, 0); j <= min(y+1, h-1); j++ {
				for _, l := range levels[j*w+max(x-1, 0) : j*w+min(x+2, w)] {
					low, high = min(low, l), max(high, l)
				}
			}
			edges[y*w+x] = high-low >= edge
		}
	})
	return edges
}

// softness is how many pixels beside a sharp edge its light can be: by the lens, and by what moves during the flash.
func (r *renderer) softness() float64 {
	c := &r.camera
	perMm := float64(r.opts.Width) / c.width
	deep, speed := 0.0, 0.0 // mm from the focus spot, mm per ms
	for i := range r.sheets {
		deep, speed = max(deep, math.Abs(r.sheets[i].z)), max(speed, r.sheets[i].moves.len())
	}
	if b := r.body; b != nil && b.profile != nil {
		deep = 0.6 * b.core
		if b.parts != nil {
			deep = max(deep, b.parts.high.z, -b.parts.low.z)
		}
		speed = max(math.Abs(b.rises)*b.height, math.Abs(b.widens)*b.core)
	}
	from := c.distance * c.focus
	circle := func(at float64) float64 { return c.aperture * math.Abs(at-from) / from * c.distance / at }
	lens := max(circle(c.distance-min(deep, 0.5*c.distance)), circle(c.distance+deep))
	return (lens + speed*2*r.flash.middle()) * perMm
}

// spread marks all that is so near to a marked pixel, in a square.
func spread(marked []bool, w, h, by int) []bool {
	across := make([]bool, len(marked))
	for k, m := range marked {
		if m {
			x := k % w
			for i := max(x-by, 0); i <= min(x+by, w-1); i++ {
				across[k-x+i] = true
			}
		}
	}
	out := make([]bool, len(marked))
	for k, m := range across {
		if m {
			for y := max(k/w-by, 0); y <= min(k/w+by, h-1); y++ {
				out[y*w+k%w] = true
			}
		}
	}
	return out
}
