package look

import (
	"math"
	"slices"
	"stillwater/internal/outliers"
)

// Point is a place in an image, in its pixels from the top left.
type Point struct{ X, Y float64 }

// Liquid is what differs from the empty frame.
type Liquid struct {
	Found      bool
	Middle     Point   // of its area, as far as it is seen
	Min, Max   Point   // the box
	Share      float64 // of the image's pixels that differ
	Contrast   float64 // stops between light and dark within a few pixels of its edges, of the stronger half
	mask       []bool
	minX, minY int
	maxX, maxY int
}

const (
	// differs is by how many stops a place must differ at least: what a flash varies by from shot to shot is less.
	// Common practice, no source.
	differs = 0.25
	// noisy is how many times the usual difference, which is noise, it must be besides.
	noisy = 6
	// smallest is the share of the image that liquid has at least; less is a stain or noise.
	smallest = 0.0005
	// besides is the share of the largest piece that another one must have to belong to the liquid.
	besides = 0.05
	// edgeReach is how far around a pixel its contrast is looked for.
	edgeReach = 2
)

// Find compares a frame with the session's empty one, of the same size. Where the whole frame is brighter or darker,
// that is taken out first.
func Find(i, empty *Image) Liquid {
	if i.Width != empty.Width || i.Height != empty.Height {
		return Liquid{}
	}
	change := make([]float64, len(i.Light))
	for k := range change {
		change[k] = stopsOf(float64(i.Light[k])+floor) - stopsOf(float64(empty.Light[k])+floor)
	}
	usual := outliers.Median(change)
	for k := range change {
		change[k] = math.Abs(change[k] - usual)
	}
	// the median of what differs is 0.67 standard deviations, if it is noise
	change = smooth(change, i.Width, i.Height)
	limit := max(differs, noisy*outliers.Median(change))
	mask := make([]bool, len(change))
	for k, c := range change {
		mask[k] = c > limit
	}
	return i.pieces(mask)
}

// floor is added to all light so that the darkest levels, which are noise, do not differ by stops.
const floor = 0.004

// smooth is the mean of three by three pixels.
func smooth(values []float64, width, height int) []float64 {
	out := make([]float64, len(values))
	for y := range height {
		for x := range width {
			sum, n := 0.0, 0.0
			for v := max(y-1, 0); v <= min(y+1, height-1); v++ {
				for u := max(x-1, 0); u <= min(x+1, width-1); u++ {
					sum, n = sum+values[v*width+u], n+1
				}
			}
			out[y*width+x] = sum / n
		}
	}
	return out
}

// pieces keeps the larger connected pieces of a mask and measures them.
func (i *Image) pieces(mask []bool) Liquid {
	label := make([]int32, len(mask))
	var sizes []int
	var waiting []int
	for start, in := range mask {
		if !in || label[start] != 0 {
			continue
		}
		sizes = append(sizes, 0)
		name := int32(len(sizes))
		waiting, label[start] = append(waiting[:0], start), name
		for len(waiting) > 0 {
			k := waiting[len(waiting)-1]
			waiting = waiting[:len(waiting)-1]
			sizes[name-1]++
			x, y := k%i.Width, k/i.Width
			for v := max(y-1, 0); v <= min(y+1, i.Height-1); v++ {
				for u := max(x-1, 0); u <= min(x+1, i.Width-1); u++ {
					if to := v*i.Width + u; mask[to] && label[to] == 0 {
						label[to] = name
						waiting = append(waiting, to)
					}
				}
			}
		}
	}
	if len(sizes) == 0 || float64(slices.Max(sizes)) < smallest*float64(len(mask)) {
		return Liquid{}
	}
	least := max(besides*float64(slices.Max(sizes)), smallest*float64(len(mask)))
	kept := make([]bool, len(mask))
	for k, name := range label {
		kept[k] = name != 0 && float64(sizes[name-1]) >= least
	}
	return i.measure(kept)
}

func (i *Image) measure(mask []bool) Liquid {
	l := Liquid{Found: true, mask: mask, minX: i.Width, minY: i.Height}
	count := 0
	var sum Point
	var contrasts []float64
	for k, in := range mask {
		if !in {
			continue
		}
		x, y := k%i.Width, k/i.Width
		count++
		sum.X, sum.Y = sum.X+float64(x)+0.5, sum.Y+float64(y)+0.5
		l.minX, l.maxX, l.minY, l.maxY = min(l.minX, x), max(l.maxX, x), min(l.minY, y), max(l.maxY, y)
		contrasts = append(contrasts, i.contrast(x, y))
	}
	slices.Sort(contrasts)
	l.Contrast = contrasts[len(contrasts)*3/4]
	l.Min, l.Max = Point{float64(l.minX), float64(l.minY)}, Point{float64(l.maxX + 1), float64(l.maxY + 1)}
	l.Middle = Point{sum.X / float64(count), sum.Y / float64(count)}
	l.Share = float64(count) / float64(len(mask))
	return l
}

// contrast is between the lightest and the darkest pixel around one, in stops.
func (i *Image) contrast(x, y int) float64 {
	low, high := math.Inf(1), 0.0
	for v := max(y-edgeReach, 0); v <= min(y+edgeReach, i.Height-1); v++ {
		for u := max(x-edgeReach, 0); u <= min(x+edgeReach, i.Width-1); u++ {
			low, high = min(low, i.At(u, v)), max(high, i.At(u, v))
		}
	}
	return stopsOf(high+floor) - stopsOf(low+floor)
}
