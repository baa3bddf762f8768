package optics

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
)

type vector struct{ x, y float64 }

func (a vector) plus(b vector) vector         { return vector{a.x + b.x, a.y + b.y} }
func (a vector) times(k float64) vector       { return vector{a.x * k, a.y * k} }
func (a vector) dot(b vector) float64         { return a.x*b.x + a.y*b.y }
func (a vector) through(b vector) (t float64) { return -2 * a.dot(b) } // to the far side of the unit circle

// refract bends a ray of unit length at a surface by the vector form of Snell's law; normal is of unit length and
// points against the ray.
func refract(ray, normal vector, ratio float64) (vector, bool) {
	cos := -ray.dot(normal)
	under := 1 - ratio*ratio*(1-cos*cos)
	if under < 0 {
		return vector{}, false
	}
	return ray.times(ratio).plus(normal.times(ratio*cos - math.Sqrt(under))), true
}

// trace follows the line of sight at offset b from the camera through a round liquid, and returns the direction in
// which it leaves.
func trace(t *testing.T, index, b float64) vector {
	enters := vector{b, math.Sqrt(1 - b*b)} // the camera is above and looks down
	inside, ok := refract(vector{0, -1}, enters, 1/index)
	require.True(t, ok)
	leaves := enters.plus(inside.times(inside.through(enters)))
	require.InDelta(t, 1, leaves.dot(leaves), 1e-9)
	out, ok := refract(inside, leaves.times(-1), index)
	require.True(t, ok)
	return out
}

// From where each part of a round liquid takes its light, against rays that were traced through it.
func TestEdgesByRays(t *testing.T) {
	for _, index := range []float64{1.333, 1.3981, 1.474} {
		for b := 0.0; b < 0.9995; b += 0.01 {
			out := trace(t, index, b)
			angle := math.Atan2(-out.x, -out.y) // towards the other side
			assert.InDelta(t, angle, float64(Deviation(index, b)), 1e-7, "%v at %v", index, b)
			assert.InDelta(t, b, OffsetAt(index, Deviation(index, b)), 1e-9)
		}
		edge := trace(t, index, 1-1e-12)
		assert.InDelta(t, math.Atan2(-edge.x, -edge.y), float64(WidestDeviation(index)), 1e-5)
		assert.Equal(t, 1.0, OffsetAt(index, WidestDeviation(index)))
	}
	// Water's closed form: 2 acos(1/1.333) is 82.8 degrees.
	assert.InDelta(t, 82.8, float64(WidestDeviation(1.333))*180/math.Pi, 0.05)
}

// With black where it is said to hang, a ray at the beginning of the rim just misses the background and one at its end
// still meets the black.
func TestBlackByRays(t *testing.T) {
	const behind, aside = phys.Length(0.5), phys.Length(0.4)
	for _, rim := range []float64{0.05, 0.1, 0.2} {
		black := BlackFor(1.333, rim)
		first, last := trace(t, 1.333, 1-rim), trace(t, 1.333, RimShown)
		meets := func(ray vector) float64 { return -ray.x / -ray.y * float64(behind) } // in the background's plane
		assert.InDelta(t, meets(first), float64(black.GapBehind(behind))/2, 1e-7)
		assert.InDelta(t, meets(last), float64(behind)*math.Tan(float64(black.To)), 1e-7)
		along := func(ray vector) float64 { return -ray.y / -ray.x * float64(aside) } // in a plane beside the sight
		assert.InDelta(t, along(first)-along(last), float64(black.WidthBeside(aside)), 1e-7)
		assert.InDelta(t, rim, DarkRim(1.333, HalfAngle(black.GapBehind(behind), behind)), 1e-9)
	}
}
