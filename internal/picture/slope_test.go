package picture

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The growth of the distance that is worked out is the one that differences give, however the rim bends it, the column
// leans and the flash goes on; normals are at right angles to the surface, with its drops and fingers.
func TestNormalsFollowTheDistance(t *testing.T) {
	for _, name := range []string{"crown", "dome", "column", "crater"} {
		b := newStage(waters()[name], Studio()).body
		b.epsilon, b.least = 0.0026, 0.045
		d := dice(11)
		places, hits, apart := 0, 0, 0
		for range 4000 {
			p := vec{d.between(-b.core, b.core), d.between(-1.2, b.top), d.between(-b.core, b.core)}
			ms := d.between(0, 0.2)
			if math.Abs(b.revolved(p, ms)) < 2 { // what is farther can be beyond the table
				want := differences(func(q vec) float64 { return b.revolved(q, ms) }, p)
				if places++; b.growth(p, ms).sub(want).len() > 0.02*math.Max(want.len(), 1) {
					apart++ // differences across a place where the slope changes at once
				}
			}
			o := vec{d.between(-20, 20), 30, 40}
			at, kind := b.fromAir(o, p.sub(o).norm(), ms, false)
			if kind != skin {
				continue
			}
			hit := o.mad(p.sub(o).norm(), at)
			steepest := differences(func(q vec) float64 { return b.distance(q, ms) }, hit).norm()
			if hits++; b.normal(hit, ms).dot(steepest) < 0.999 {
				apart++
			}
		}
		t.Logf("%s: at %d places and %d hits %d differ", name, places, hits, apart)
		require.Greater(t, min(places, hits), 300, name)
		assert.LessOrEqual(t, float64(apart), 0.001*float64(places+hits), name)
	}
}

// differences is the gradient of a function by central differences.
func differences(f func(vec) float64, p vec) vec {
	const e = 0.003
	along := func(v vec) float64 { return (f(p.mad(v, e)) - f(p.mad(v, -e))) / (2 * e) }
	return vec{along(vec{x: 1}), along(vec{y: 1}), along(vec{z: 1})}
}
