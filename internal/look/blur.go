package look

import "math"

// Blur is the motion blur of the liquid in pixels of the image, from its structure function along and across the
// motion: along it places stay alike over the smear, across it only over the liquid's own structure. Along and Across
// are the distances at which half of the final difference is reached.
type Blur struct {
	Along, Across float64
	Smear         float64 // of an even smear that explains the difference; 0 none
}

const (
	// farApart is the distance in pixels at which two places count as unlike: of the image, of 400 to 1000 along a side.
	farApart = 24
	// minPairs of pixels, fewer say nothing.
	minPairs = 200
)

// BlurOf measures the liquid, whose motion is mostly along x or along y; false where there is too little of it.
//
// An even smear of length L over structure without a scale of its own is alike as 1 - d/L, half so at L/2; two widths
// add as squares. A flash that decays exponentially is alike as exp(-d/λ), half so at 0.69 λ, which is how far the
// liquid moves while the light falls to half: so Smear is twice that way.
func BlurOf(i *Image, l Liquid, alongX bool) (b Blur, ok bool) {
	if !l.Found {
		return b, false
	}
	light := make([]float64, len(i.Light))
	for k := range light {
		light[k] = float64(i.Light[k])
	}
	light = smooth(light, i.Width, i.Height) // of the sensor's noise
	across, ok1 := halfWay(light, l, i.Width, i.Width)
	along, ok2 := halfWay(light, l, i.Width, 1)
	if !alongX {
		along, across = across, along
	}
	b.Along, b.Across = along, across
	if d := along*along - across*across; d > 0 {
		b.Smear = 2 * math.Sqrt(d)
	}
	return b, ok1 && ok2
}

// halfWay is the distance at which pixels of the liquid differ half as much as far apart, in a direction that is a step
// of so many pixels in the image's rows.
func halfWay(light []float64, l Liquid, width, step int) (distance float64, ok bool) {
	differ := func(d int) (mean float64, pairs int) {
		sum := 0.0
		for y := l.minY; y <= l.maxY; y++ {
			for x := l.minX; x <= l.maxX; x++ {
				k := y*width + x
				to := k + d*step
				if step == 1 && x+d > l.maxX || step != 1 && y+d > l.maxY || !l.mask[k] || !l.mask[to] {
					continue
				}
				sum += (light[k] - light[to]) * (light[k] - light[to])
				pairs++
			}
		}
		return sum / float64(max(pairs, 1)), pairs
	}
	final, pairs := differ(farApart)
	if pairs < minPairs || final == 0 {
		return 0, false
	}
	before := 0.0
	for d := 1; d <= farApart; d++ {
		now, _ := differ(d)
		if now >= final/2 {
			return float64(d-1) + (final/2-before)/(now-before), true
		}
		before = now
	}
	return farApart, true
}
