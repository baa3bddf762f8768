package optics

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"

	"stillwater/internal/phys"
	"stillwater/internal/published"
)

func TestDepthOfField(t *testing.T) {
	for _, row := range published.Rows(t, "depth_of_field_check.csv") {
		// The table's f-numbers are meant as they are; next to a mark is no mark, and stands for itself.
		number := FNumber(row.Number(t, "f_number") * (1 + 1e-9))
		l := Lens{Focal: phys.Length(row.Metres(t, "focal_mm")), Aperture: number,
			Focus: phys.Length(row.Metres(t, "subject_mm"))}
		c := phys.Length(row.Metres(t, "coc_mm"))
		near, far := l.Depth(c)
		assert.InEpsilon(t, row.Metres(t, "H_mm"), float64(l.Hyperfocal(c)), 1e-5, row)
		assert.InDelta(t, row.Metres(t, "near_mm"), float64(near), 0.6e-4, row)
		assert.InDelta(t, row.Metres(t, "far_mm"), float64(far), 0.6e-4, row)
		assert.InDelta(t, row.Number(t, "magnification"), l.Magnification(), 6e-5, row)
		assert.InDelta(t, float64(c), float64(l.DefocusCircle(near)), 1e-9, "at the limit the disc is the circle")
		assert.InDelta(t, float64(c), float64(l.DefocusCircle(far)), 1e-9)
	}
}

// Another way to the disc: two rays from a point through the rim of the lens, bent as a thin lens bends them, to where
// the sensor is.
func TestDefocusByRays(t *testing.T) {
	random := rand.New(rand.NewPCG(16, 1))
	for range 200 {
		f := 0.02 + 0.2*random.Float64()
		l := Lens{Focal: phys.Length(f), Aperture: FNumber(2 + 30*random.Float64()),
			Focus: phys.Length(f * (2 + 20*random.Float64()))}
		point := f * (1.5 + 25*random.Float64())
		sensor := 1 / (1/f - 1/float64(l.Focus)) // the lens equation
		at := func(height float64) float64 {
			slope := height/point - height/f // a thin lens bends a ray at height h by h/f
			return height + slope*sensor
		}
		rim := f / float64(l.Aperture) / 2
		assert.InEpsilon(t, math.Abs(at(rim)-at(-rim)), float64(l.DefocusCircle(phys.Length(point))), 1e-6)
	}
}

// Wide open the depth suffers, closed down diffraction does: the best aperture is the closed form's, to a third of a
// stop, and f/22 costs more than it gives where that is wider.
func TestBestAperture(t *testing.T) {
	l := Lens{Focal: 0.1, Aperture: 16, Focus: 0.5}
	for _, half := range []phys.Length{2e-3, 8e-3, 20e-3} {
		near, far := l.Focus-half, l.Focus+half
		m := l.Magnification()
		k := float64(l.Focal) * m * float64(half/near) // the disc of the near end times N
		closed := math.Sqrt(k / (2.44 * 555e-9 * (1 + m)))
		best := l.BestAperture(near, far, 1, 64)
		assert.InDelta(t, 0, 2*math.Log2(float64(best)/closed), 1./3, half)
		assert.Equal(t, min(11, best), l.BestAperture(near, far, 1, 11), "no further than the lens goes")
		assert.Equal(t, FNumber(45), l.BestAperture(near, far, 45, 64))
	}
	at := func(n FNumber) phys.Length {
		l := l
		l.Aperture = n
		return l.Disc(l.Focus + 2e-3)
	}
	assert.Greater(t, at(22), at(l.BestAperture(l.Focus-2e-3, l.Focus+2e-3, 1, 64)))
}

// A mark is one f-number for light and depth alike: f/22 is 2^4.5, and the depth at close range is
// 2 N c (m+1)/m² (published with the table of depths).
func TestMarkIsOneFNumber(t *testing.T) {
	l := Lens{Focal: 0.1, Aperture: 22, Focus: 0.5}
	const c = 3e-5
	near, far := l.Depth(c)
	byDepth := float64(far-near) * 0.25 * 0.25 / (2 * c * 1.25)
	byLight := float64(l.WorkingFNumber()) / 1.25
	assert.InEpsilon(t, math.Pow(2, 4.5), byLight, 1e-9)
	assert.InEpsilon(t, byLight, byDepth, 1e-3)
}

// Diffraction alone exceeds the circle of confusion from an f-number on: 2.44 lambda N (1+m) = c.
func TestNarrowestSharp(t *testing.T) {
	l := Lens{Focal: 0.1, Aperture: 16, Focus: 0.5}
	closed := 3e-5 / (2.44 * 555e-9 * 1.25) // 17.7
	sharp := l.NarrowestSharp(3e-5, 2.8, 32)
	assert.Equal(t, FNumber(16), sharp)
	assert.Less(t, float64(ExactFNumber(sharp)), closed)
	assert.Equal(t, FNumber(11), l.NarrowestSharp(3e-5, 2.8, 11), "no further than the lens goes")
	assert.Zero(t, l.NarrowestSharp(1e-6, 2.8, 32))
}

// The nearest focus from the sensor is the sum of the lens equation's two distances.
func TestNearestFocus(t *testing.T) {
	for _, s := range []float64{0.11, 0.15, 0.5, 3} { // of a lens of 50 mm
		image := 1 / (1/0.05 - 1/s)
		assert.InEpsilon(t, s, float64(NearestFocus(0.05, phys.Length(s+image))), 1e-9)
	}
	assert.InEpsilon(t, 0.15, float64(NearestFocus(0.1, 0.3)), 1e-9, "nearer than a thin lens: life size")
}

// The field is what projects onto the sensor, and nearer by the lens equation.
func TestField(t *testing.T) {
	l := Lens{Focal: 0.1, Aperture: 16, Focus: 0.5}
	image := 1 / (1/0.1 - 1/0.5)
	assert.InEpsilon(t, 0.036*0.5/image, float64(l.Field(0.036)), 1e-9)
	assert.InEpsilon(t, 0.5, float64(l.FocusFor(0.036, l.Field(0.036))), 1e-9)
}

// The table of blur, and what it becomes in the picture.
func TestBlur(t *testing.T) {
	l := Lens{Focal: 0.1, Aperture: 16, Focus: 0.5} // a quarter of life size
	p := Picture{Sensor: 0.036, Pixels: 6000, Print: 0.36}
	for _, row := range published.Rows(t, "motion_blur_check.csv") {
		v, lasts := phys.Speed(row.Number(t, "speed_m_s")), phys.Time(row.Number(t, "t0_1_us")*1e-6)
		b := BlurOf(v, lasts, l, p)
		assert.InDelta(t, row.Metres(t, "blur_mm"), float64(b.Subject), 0.6e-7, row)
		assert.InEpsilon(t, row.Metres(t, "blur_mm")/4*10, float64(b.Print), 4e-3, "a print ten times the sensor")
		assert.InEpsilon(t, row.Metres(t, "blur_mm")/4/6e-6, b.Pixels, 4e-3, "pixels of 6 um")
	}
	// 0.2 mm on the print is 0.02 mm on the sensor and 0.08 mm at the subject: at 4 m/s 20 us.
	assert.InEpsilon(t, 20e-6, float64(LongestLight(4, l, p)), 1e-9)
}

// How often something is within limits, against drawing it many times (seed 16, 2).
func TestWithinBand(t *testing.T) {
	assert.InDelta(t, 0.6827, WithinBand(1, 1, 0, 1), 5e-5)
	assert.InDelta(t, 0.9545, WithinBand(2, 2, 0, 1), 5e-5)
	assert.Equal(t, 1.0, WithinBand(1, 1, 1, 0))
	assert.Zero(t, WithinBand(1, 1, 3, 0), "larger than the room for it")
	random := rand.New(rand.NewPCG(16, 2))
	const n = 40000
	inside := 0
	for range n {
		if x := 5 * random.NormFloat64(); x-2 > -6 && x+2 < 9 {
			inside++
		}
	}
	p := WithinBand(6, 9, 4, 5)
	assert.InDelta(t, float64(inside)/n, p, 4*math.Sqrt(p*(1-p)/n))
}
