package beam

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
)

const mm = 1e-3

// ray goes from a place in one slit to a place in the other, a gap apart. Down is positive.
type ray struct{ x0, y0, x1, y1 float64 }

// rays are spread evenly over both slits: each of the four places is a multiple of an irrational number.
func rays(s Slit, n int) []ray {
	all := make([]ray, n)
	for i := range all {
		anywhere := func(l phys.Length, power float64) float64 {
			_, part := math.Modf(float64(i) * math.Pow(1.1673039782614187, -power)) // the root of x^5 = x + 1
			return float64(l) * (part - 0.5)
		}
		all[i] = ray{anywhere(s.Wide, 1), anywhere(s.High, 2), anywhere(s.Wide, 3), anywhere(s.High, 4)}
	}
	return all
}

// blocked is from where to where a ball's centre is as the ball, at a place along the gap and aside, stops a ray.
func (a ray) blocked(gap, along, aside, radius float64) (from, to float64, touched bool) {
	dx, dy := a.x1-a.x0, a.y1-a.y0
	long := math.Sqrt(gap*gap + dx*dx + dy*dy)
	// The distance of (along, aside, y) from the line, squared, is a quadratic in y.
	ux, uy, uz := dx/long, dy/long, gap/long
	px, pz := aside-a.x0, along
	// |p|^2 - (p.u)^2 with p = (px, y - y0, pz)
	k := px*ux + pz*uz
	qa := 1 - uy*uy
	qb := -2 * k * uy
	qc := px*px + pz*pz - k*k - radius*radius
	root := qb*qb - 4*qa*qc
	if root < 0 {
		return 0, 0, false
	}
	return a.y0 + (-qb-math.Sqrt(root))/2/qa, a.y0 + (-qb+math.Sqrt(root))/2/qa, true
}

// breaks is where the lowest point of a ball is when it first stops a share of the rays; false: never.
func breaks(all []ray, gap, along, aside, radius, share float64) (float64, bool) {
	const step, bins = 0.01 * mm, 4000 // from 20 mm above to 20 mm below
	var change [bins]int
	bin := func(y float64) int { return int(math.Ceil(y/step)) + bins/2 }
	for _, a := range all {
		if from, to, touched := a.blocked(gap, along, aside, radius); touched {
			change[bin(from)]++
			change[bin(to)]--
		}
	}
	stopped := 0
	for i, c := range change {
		if stopped += c; float64(stopped) >= share*float64(len(all)) {
			return float64(i-bins/2)*step - step/2 + radius, true
		}
	}
	return 0, false
}

// TestDropAgainstRays follows single rays from slit to slit past balls that fall anywhere in the middle half of the
// gap, a little aside, and at a share of their own each. The gap itself does not matter.
func TestDropAgainstRays(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 1))
	const drops = 500
	for _, x := range []struct{ high, gap, diameter float64 }{
		{1, 50, 3}, {2, 50, 2}, {2, 100, 4}, {2, 200, 4}, {5, 100, 3}, {5, 200, 4}, {5, 50, 6}, {5, 100, 2.5},
	} {
		s := Slit{High: phys.Length(x.high * mm), Wide: 5 * mm}
		all := rays(s, 3000)
		var places []float64
		for range drops {
			share := Boards().Least + (Boards().Most-Boards().Least)*r.Float64()
			along := (0.25 + 0.5*r.Float64()) * x.gap * mm
			at, seen := breaks(all, x.gap*mm, along, 0.3*mm*r.NormFloat64(), x.diameter*mm/2, share)
			require.True(t, seen)
			places = append(places, at)
		}
		mean, sd := moments(places)
		p := s.Drop(phys.Length(x.diameter*mm), Boards())
		t.Logf("slit %g mm, gap %g mm, drop %g mm: mean %.3f mm (model %.3f), SD %.3f mm (model %.3f)", x.high, x.gap,
			x.diameter, mean/mm, p.Mean/mm, sd/mm, p.SD/mm)
		// The model leaves out that a drop is a little aside; a mean of 500 is itself off by a twentieth of the SD.
		assert.InDelta(t, float64(p.Mean), mean, 0.01*x.high*mm+4*sd/math.Sqrt(drops))
		assert.InDelta(t, float64(p.SD), sd, 0.01*x.high*mm+4*sd/math.Sqrt(2*drops))
	}
}

func moments(x []float64) (mean, sd float64) {
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for _, v := range x {
		sd += (v - mean) * (v - mean) / float64(len(x)-1)
	}
	return mean, math.Sqrt(sd)
}

// By hand: what covers all takes all, half of what is seen is above the middle, and a small disc in the middle of a
// square has its own area times the light there, which is four times the mean.
func TestTaken(t *testing.T) {
	s := Slit{High: 2 * mm, Wide: 5 * mm}
	assert.InDelta(t, 1, s.Most(100*mm, Midway), 1e-9)
	light := s.light(Midway)
	assert.InDelta(t, 0.5, s.taken(1, 0, Midway, &light), 1e-3)
	assert.Zero(t, s.taken(4*mm, -1*mm, Midway, &light))
	square := Slit{High: 5 * mm, Wide: 5 * mm}
	assert.InDelta(t, 4*math.Pi*0.25*0.25/25, square.Most(0.5*mm, Midway), 0.1*4*math.Pi*0.25*0.25/25)
}

// A front is where the light above it is its share, anywhere between the slits.
func TestSheet(t *testing.T) {
	s := Slit{High: 3 * mm, Wide: 5 * mm}
	for _, share := range []float64{0, 0.01, 0.2, 0.5, 0.7, 0.99, 1} {
		for _, way := range []float64{0, 0.1, Quarter, Midway, 0.7, 1} {
			assert.InDelta(t, share, s.before(s.SheetAt(share, way), way), 1e-9, "%g at %g", share, way)
		}
	}
	assert.InDelta(t, -0.75*mm, float64(s.SheetAt(0.25, 0)), 1e-9, "the light at a slit is even")
	assert.InEpsilon(t, 2.5, float64(Slit{High: 5 * mm, Wide: 1}.Sheet(Boards()).SD/Usual().Sheet(Boards()).SD), 1e-9,
		"in proportion to the slit")
}

// A drop that never takes enough is counted where it takes most.
func TestTooSmall(t *testing.T) {
	s := Slit{High: 10 * mm, Wide: 10 * mm}
	require.Less(t, s.Most(1*mm, Midway), Boards().Least)
	p := s.Drop(1*mm, Boards())
	assert.InDelta(t, 0.5*mm, float64(p.Mean), 1e-9)
	assert.InDelta(t, 0, float64(p.SD), 1e-9)
}

// TestSheetAgainstRays has straight fronts stop single rays, anywhere in the middle half of the gap and at a share of
// their own each. Across the fall and the gap itself nothing matters.
func TestSheetAgainstRays(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 1))
	const fronts = 300
	for _, high := range []float64{1, 2, 5, 20} {
		s := Slit{High: phys.Length(high * mm), Wide: 5 * mm}
		all := rays(s, 3000)
		var places []float64
		heights := make([]float64, len(all))
		for range fronts {
			along := 0.25 + 0.5*r.Float64()
			for i, a := range all {
				heights[i] = a.y0 + (a.y1-a.y0)*along
			}
			slices.Sort(heights)
			share := Boards().Least + (Boards().Most-Boards().Least)*r.Float64()
			places = append(places, heights[int(share*float64(len(heights)))])
		}
		mean, sd := moments(places)
		p := s.Sheet(Boards())
		t.Logf("slit %g mm: mean %.3f mm (model %.3f), SD %.3f mm (model %.3f)", high, mean/mm, p.Mean/mm, sd/mm, p.SD/mm)
		assert.Less(t, float64(p.Mean), 0., "before the middle")
		assert.InDelta(t, float64(p.Mean), mean, 0.005*high*mm+4*sd/math.Sqrt(fronts))
		assert.InDelta(t, float64(p.SD), sd, 0.005*high*mm+4*sd/math.Sqrt(2*fronts))
	}
}

// taken is the part of the rays that a ball stops in the middle of the slits, at a place along the gap.
func taken(all []ray, gap, along, radius float64) float64 {
	stopped := 0
	for _, a := range all {
		if from, to, touched := a.blocked(gap, along, 0, radius); touched && from <= 0 && to >= 0 {
			stopped++
		}
	}
	return float64(stopped) / float64(len(all))
}

// TestTakenAgainstRays is what a drop takes at most, at any part of the way between the slits.
func TestTakenAgainstRays(t *testing.T) {
	const n = 20000
	for _, high := range []float64{1, 2, 5} {
		s := Slit{High: phys.Length(high * mm), Wide: 5 * mm}
		all := rays(s, n)
		for _, gap := range []float64{50 * mm, 200 * mm} {
			for _, d := range []float64{2, 3, 4} {
				var said, counted []float64
				for _, way := range []float64{0.02, 0.1, Quarter, 0.4, Midway, 0.75} {
					model, rays := s.Most(phys.Length(d*mm), way), taken(all, gap, way*gap, d*mm/2)
					said, counted = append(said, math.Round(1000*model)/10), append(counted, math.Round(1000*rays)/10)
					// Slanting rays meet a little more of a ball than of its disc.
					assert.InDelta(t, model, rays, 0.01, "slit %g mm, gap %g mm, drop %g mm, at %g", high, 1000*gap, d, way)
				}
				t.Logf("slit %g mm, gap %g mm, drop %g mm: %v %%, rays %v", high, 1000*gap, d, said, counted)
			}
		}
	}
}
