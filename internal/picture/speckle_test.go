package picture

import (
	"context"
	"testing"

	"github.com/stretchr/testify/assert"
)

// waved is a picture's levels, in the square root of brightness, and where its waves are near and narrow. Marked says
// that these are known when it is made; many, that each of them gets 24 rays, and nothing else is made.
func waved(name string, marked, many bool) (levels []float64, near []bool) {
	w := waters()[name]
	const width, height = 480, 320
	r := &renderer{stage: newStage(w, studioOf(w)), light: studioOf(w),
		opts: Options{Width: width, Height: height, Threads: 2}, pixels: make([]pixel, width*height)}
	r.markWaves()
	near = make([]bool, len(r.pixels))
	for k := range r.pixels {
		near[k] = r.pixels[k].every == 1
		r.pixels[k].every = 0
	}
	if !marked {
		r.body.wavelength = 0
	}
	if many {
		r.body.epsilon, r.body.least = 0.005, 0.045
		r.rows(context.Background(), 1, func(y int, t *tracer) {
			for x := range width {
				if near[y*width+x] {
					r.sample(t, x, y, 24)
				}
			}
		})
	} else {
		r.expose(context.Background())
	}
	levels = make([]float64, len(r.pixels))
	for k := range r.pixels {
		levels[k] = float64(r.pixels[k].l) / float64(max(r.pixels[k].n, 1))
	}
	return levels, near
}

// dots is the variance of what levels are off from those of many rays, from a pixel to those beside it, along the
// crests of near waves.
func dots(levels, many []float64, near []bool) float64 {
	sum, n := 0.0, 0.0
	for k := 1; k < len(near)-1; k++ {
		if near[k-1] && near[k] && near[k+1] {
			d := levels[k] - many[k] - (levels[k-1]-many[k-1]+levels[k+1]-many[k+1])/2
			sum, n = sum+d*d, n+1
		}
	}
	return sum / n
}

// The near waves have no speckle: pixels beside each other differ as those of a picture of 24 rays each do. Taken at
// random, as pixels elsewhere are, as few rays leave dots along the crests, of twice the variance and more.
func TestNearWavesHaveNoSpeckle(t *testing.T) {
	for _, name := range []string{"dome", "crater"} {
		many, near := waved(name, false, true)
		rows, _ := waved(name, true, false)
		random, _ := waved(name, false, false)
		a, b := dots(rows, many, near), dots(random, many, near)
		t.Logf("%s: variance from many rays %.3g in rows, %.3g at random", name, a*1e6, b*1e6)
		assert.Less(t, a, b/2, name)
	}
}
