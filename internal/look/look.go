// Package look measures a frame in linear light: whether it is black, how bright its background is and how much of it
// is burnt out, where the liquid is against a frame without any, how its edges stand out, how far the motion smears
// them, and how far from its place the liquid is, which is what the delay is to be corrected by. From that it suggests
// a verdict and the next move; the person decides.
//
// A frame's levels are taken for those of sRGB (IEC 61966-2-1); a camera's own curve lifts or lowers them by half a
// stop or so. All is measured on a frame that was made smaller: what is finer than its pixels is not seen.
package look

import (
	"image"
	"math"
	"slices"

	"stillwater/internal/optics"
)

// Image is a frame's light: of each pixel the luminance, 1 is white, and whether a channel was burnt out.
type Image struct {
	Width, Height int
	Light         []float32 // row by row
	Clipped       []float32 // the share of what the pixel was made of, 0 to 1
	Scale         float64   // pixels of the frame as stored along one of these
}

// At is the light of a pixel.
func (i *Image) At(x, y int) float64 { return float64(i.Light[y*i.Width+x]) }

// burnt is the level from which a channel counts as burnt out, of 255: one less than all, as JPEG's rounding has it.
const burnt = 254

// samples is about how many of a box's pixels are read along each side.
const samples = 4

// NewImage scales a picture down until its longer side has at most longest pixels, in linear light with the weights of
// IEC 61966-2-1 (from memory). Each pixel is the mean of a box of the picture's, or of sixteen or more of the box where
// that is large.
func NewImage(img image.Image, longest int) Image {
	b := img.Bounds()
	n := max((max(b.Dx(), b.Dy())+longest-1)/longest, 1)
	out := Image{Width: max(b.Dx()/n, 1), Height: max(b.Dy()/n, 1), Scale: float64(n)}
	out.Light, out.Clipped = make([]float32, out.Width*out.Height), make([]float32, out.Width*out.Height)
	linear, stride := linearTable(), max(n/samples, 1)
	at := pixels(img)
	for y := range out.Height {
		for x := range out.Width {
			sum, clipped, count := 0.0, 0, 0
			for v := y*n + stride/2; v < min((y+1)*n, b.Dy()); v += stride {
				for u := x*n + stride/2; u < min((x+1)*n, b.Dx()); u += stride {
					red, green, blue := at(b.Min.X+u, b.Min.Y+v)
					sum += 0.2126*linear[red] + 0.7152*linear[green] + 0.0722*linear[blue]
					if max(red, green, blue) >= burnt {
						clipped++
					}
					count++
				}
			}
			out.Light[y*out.Width+x] = float32(sum / float64(count))
			out.Clipped[y*out.Width+x] = float32(clipped) / float32(count)
		}
	}
	return out
}

func linearTable() (table [256]float64) {
	for i := range table {
		table[i] = optics.Level(float64(i) / 255).Linear()
	}
	return table
}

// pixels reads a picture's levels; the usual kinds without a detour.
func pixels(img image.Image) func(x, y int) (r, g, b uint8) {
	switch p := img.(type) {
	case *image.RGBA:
		return func(x, y int) (uint8, uint8, uint8) {
			o := p.PixOffset(x, y)
			return p.Pix[o], p.Pix[o+1], p.Pix[o+2]
		}
	case *image.YCbCr:
		return func(x, y int) (uint8, uint8, uint8) {
			c := p.YCbCrAt(x, y)
			r, g, b, _ := c.RGBA()
			return uint8(r >> 8), uint8(g >> 8), uint8(b >> 8)
		}
	}
	return func(x, y int) (uint8, uint8, uint8) {
		r, g, b, _ := img.At(x, y).RGBA()
		return uint8(r >> 8), uint8(g >> 8), uint8(b >> 8)
	}
}

// Tones is how bright a frame is.
type Tones struct {
	Median    optics.Level // of all of it: of the background, where that fills most of the frame
	Brightest optics.Level // of all but one pixel in a thousand, which may be a hot one
	Clipped   float64      // the share that is burnt out
	Black     bool         // it shows nothing: the flash did not fire, or the shutter was shut
}

// TonesOf measures the tones of an image.
func TonesOf(i *Image) Tones {
	sorted := slices.Clone(i.Light)
	slices.Sort(sorted)
	at := func(share float64) optics.Level {
		return optics.LevelOf(float64(sorted[min(int(share*float64(len(sorted))), len(sorted)-1)]))
	}
	t := Tones{Median: at(0.5), Brightest: at(0.999)}
	for _, c := range i.Clipped {
		t.Clipped += float64(c) / float64(len(i.Clipped))
	}
	t.Black = t.Brightest < optics.BlackLevel
	return t
}

// stopsOf is an exposure from white, of light that may be none.
func stopsOf(light float64) float64 { return math.Log2(max(light, 1.0/4096)) }
