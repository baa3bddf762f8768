package picture

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
	"stillwater/internal/scene"
)

// The floor's light is that of weak lenses over it, as far as waves are low: 1 + (1 - 1/n) depth times the surface's
// curvature, crests bright and troughs dark (geometrical optics of small slopes; M. V. Berry's caustics in that limit,
// from memory). The sum of it is the light that came, whatever the waves.
func TestCausticsAreTheLightOfTheWaves(t *testing.T) {
	w := scene.Water{Liquid: "water", Pool: true,
		Rings: &scene.Rings{Front: 16 * millimetre, Wavelength: 6 * millimetre, Height: 0.02 * millimetre}}
	s := newStage(w, Studio())
	require.NotNil(t, s.caustic)
	b := s.body
	scale := b.radius * 1.3 / float64(len(s.caustic))
	lens := func(r float64) float64 {
		const e = 0.4
		h := func(r float64) float64 { return b.surfaceBelow(math.Abs(r)) }
		curved := (h(r+e)-2*h(r)+h(r-e))/(e*e) + (h(r+e)-h(r-e))/(2*e)/r
		return 1 - (1-1/1.333)*b.depth*curved
	}
	var want, got []float64
	for k := 20; k < len(s.caustic)*6/10; k++ {
		sum, area := 0.0, 0.0 // under a softbox, as the floor is
		for j := -9; j <= 9; j++ {
			r, weight := (float64(k+j)+0.5)*scale, 1-math.Abs(float64(j))/10
			sum, area = sum+weight*r*lens(r), area+weight*r
		}
		want, got = append(want, sum/area), append(got, float64(s.caustic[k]))
	}
	slope, correlation := fitted(want, got)
	t.Logf("caustics by curvature: slope %.2f, correlation %.3f, from %.2f to %.2f", slope, correlation, least(got),
		most(got))
	assert.Greater(t, correlation, 0.9)
	assert.InDelta(t, 1, slope, 0.3)
	assert.Greater(t, most(got)-least(got), 0.05, "there is something to see")
}

// fitted is how b follows a: the slope of the line through both, and their correlation.
func fitted(a, b []float64) (slope, correlation float64) {
	var ma, mb, ab, aa, bb float64
	for i := range a {
		ma, mb = ma+a[i]/float64(len(a)), mb+b[i]/float64(len(b))
	}
	for i := range a {
		ab, aa, bb = ab+(a[i]-ma)*(b[i]-mb), aa+(a[i]-ma)*(a[i]-ma), bb+(b[i]-mb)*(b[i]-mb)
	}
	return ab / aa, ab / math.Sqrt(aa*bb)
}

func least(list []float64) float64 {
	v := math.Inf(1)
	for _, x := range list {
		v = min(v, x)
	}
	return v
}

func most(list []float64) float64 {
	v := math.Inf(-1)
	for _, x := range list {
		v = max(v, x)
	}
	return v
}

// A flat pool's floor is even, a higher wave's less so.
func TestHigherWavesMakeStrongerCaustics(t *testing.T) {
	contrast := func(high phys.Length) float64 {
		w := scene.Water{Liquid: "water", Pool: true, Crater: &scene.Crater{Radius: 4 * millimetre, Depth: 2 * millimetre},
			Rings: &scene.Rings{Front: 14 * millimetre, Wavelength: 4 * millimetre, Height: high * millimetre}}
		light := []float64{}
		for _, c := range newStage(w, Studio()).caustic {
			light = append(light, float64(c))
		}
		n := len(light)
		return most(light[n*4/10:n*7/10]) - least(light[n*4/10:n*7/10])
	}
	assert.Greater(t, contrast(0.1), 2*contrast(0.01))
}

// The layers of a sheet are bodies of their own, each with holes where others have liquid. A layer behind holes of
// those before it is seen as if they were not there, and where all have holes there is the empty room.
func TestEachLayerOfASheetHasItsOwnHoles(t *testing.T) {
	w := waters()["sheet"]
	s := newStage(w, ThrowStudio())
	s.spray = nil
	require.Greater(t, len(s.sheets), 2)
	layers := func(from, to int) *stage {
		some := *s
		some.sheets = s.sheets[from:to]
		return &some
	}
	seen := func(s *stage, x, y float64) vec {
		o, way := s.camera.ray(x, y, 0, 0)
		return (&tracer{stage: s}).air(o, way, 0, 1, false, -1)
	}
	alone, none, total := make([]int, len(s.sheets)), 0, 0
	for y := -0.6; y < 0.6; y += 0.02 {
		for x := -0.98; x < 0.98; x += 0.02 {
			room, all := seen(layers(0, 0), x, y), seen(s, x, y)
			first, met := len(s.sheets), 0
			for i := range s.sheets {
				if seen(layers(i, i+1), x, y) != room {
					first, met = min(first, i), met+1
				}
			}
			total++
			require.Equal(t, seen(layers(first, len(s.sheets)), x, y), all, "layer %d at %.2f, %.2f", first, x, y)
			switch met {
			case 0:
				none++
			case 1:
				alone[first]++
			}
		}
	}
	t.Logf("of %d rays %d pass all layers by; met by one layer alone: %v", total, none, alone)
	assert.Positive(t, none)
	for i, n := range alone {
		assert.Greater(t, n, 10, "layer %d is nowhere alone", i)
	}
}

// gridOf is a sheet of 48 parcels of film side by side.
func gridOf() (s scene.Sheet) {
	s = *waters()["sheet"].Sheet
	s.Thickness = 0.4 * millimetre
	for i := range 8 {
		for j := range 6 {
			s.Parcels = append(s.Parcels, scene.Parcel{
				At:       scene.Point{X: s.At.X + s.Length*phys.Length(i*2-7)/16, Y: s.At.Y + s.Width*phys.Length(j*2-5)/12},
				Velocity: s.Velocity, Form: scene.Film, Size: s.Thickness})
		}
	}
	return s
}

// A sheet's middle layer is what its parcels are: a parcel that has torn opens it where that is, and a drop flies there
// with the parcel's own speed; the more have torn, the less film there is.
func TestParcelsAreSeen(t *testing.T) {
	film := func(s scene.Sheet, detail uint64) (middle sheet, parts []part, covered int) {
		sheets, parts := throwSheets(s, detail)
		for _, e := range sheets[1].edges {
			if e > 0 {
				covered++
			}
		}
		return sheets[1], parts, covered
	}
	opened, stood := 0, 0
	for detail := range uint64(6) {
		whole := gridOf()
		before, _, much := film(whole, detail)
		for _, k := range []int{14, 21, 27, 33} {
			torn := gridOf()
			p := &torn.Parcels[k]
			p.Form, p.Size, p.Velocity.Y = scene.Drop, 4*millimetre, 3.25
			if before.insideAt(point(p.At)) < 0 {
				continue // there was a hole anyway
			}
			stood++
			after, parts, less := film(torn, detail)
			if after.insideAt(point(p.At)) < 0 {
				opened++
			}
			assert.Less(t, less, much)
			last := parts[len(parts)-1]
			assert.Equal(t, point(p.At), last.a)
			assert.Equal(t, perMs(p.Velocity), last.moves)
		}
		gone := gridOf()
		for i := range gone.Parcels {
			gone.Parcels[i].Form = scene.Drop
		}
		_, _, least := film(gone, detail)
		assert.Less(t, least, much/2, "seed %d", detail)
	}
	t.Logf("of %d parcels in the film %d open it when they are torn", stood, opened)
	assert.Greater(t, stood, 12)
	assert.GreaterOrEqual(t, opened, stood*9/10)
}

// insideAt is how far inside the layer's edge the nearest node is, mm.
func (s *sheet) insideAt(p vec) float64 {
	i, j := int((p.x-s.x0)*s.inverse+0.5), int((p.y-s.y0)*s.inverse+0.5)
	return float64(s.edges[j*s.nx+i])
}
