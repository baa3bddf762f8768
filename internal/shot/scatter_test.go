package shot

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
)

// parabolas throws without air, past two beams, with ragged edges, and flashes when the plan for the speed that they
// measured says: written out here, as a witness. It has where each throw is then from where the average one would be,
// forward and up, moved by what the trim takes out along the path.
func parabolas(set ThrowSet, v float64, spread Spread, random *rand.Rand, n int) (forward, up []float64) {
	gate, to, nominal := float64(set.Gate), float64(set.ToFocus), float64(set.Angle)
	at := func(v, angle, t float64) (x, y float64) {
		sin, cos := math.Sincos(angle)
		return v * cos * t, v*sin*t - phys.Gravity*t*t/2
	}
	arrives := to / (v * math.Cos(nominal))
	_, rise := at(v, nominal, arrives)
	sin, cos := math.Sincos(nominal)
	wayX, wayY := v*cos, v*sin-phys.Gravity*arrives
	way := math.Hypot(wayX, wayY)
	mean := 0.0
	for range n {
		own := v * (1 + spread.ThrowSpeed*random.NormFloat64())
		angle := nominal + float64(spread.ThrowAngle)*random.NormFloat64()
		first := -backwards(gate+float64(spread.ThrowEdge)*random.NormFloat64(), own, angle)
		second := -backwards(float64(spread.ThrowEdge)*random.NormFloat64(), own, angle)
		// The speed whose parabola at the nominal angle spans the gate in that time: by halving.
		low, high := 0.01, 100.0
		for range 60 {
			middle := (low + high) / 2
			if x, y := at(middle, nominal, first-second); math.Hypot(x, y) < gate {
				low = middle
			} else {
				high = middle
			}
		}
		x, y := at(own, angle, second+to/(low*cos))
		forward, up = append(forward, x-to), append(up, y-rise)
		mean += ((x-to)*wayX + (y-rise)*wayY) / way / float64(n)
	}
	for i := range forward {
		forward[i] -= mean * wayX / way
		up[i] -= mean * wayY / way
	}
	return forward, up
}

// How many throws are in place and how far they scatter, from level to as steep as is accepted, against parabolas by
// dice.
func TestScatterByMonteCarlo(t *testing.T) {
	const n = 20000
	for _, c := range []struct {
		angle    phys.Angle
		gate, to phys.Length
		v        float64
	}{
		{20 * degree, 20 * cm, 8 * cm, 4}, {20 * degree, 10 * cm, 80 * cm, 4.5}, {0, 10 * cm, 30 * cm, 4},
		{45 * degree, 20 * cm, 20 * cm, 4}, {55 * degree, 20 * cm, 15 * cm, 4}, {65 * degree, 20 * cm, 8 * cm, 4},
		{65 * degree, 20 * cm, 20 * cm, 5}, {65 * degree, 20 * cm, 40 * cm, 5}, {maxAngle, 20 * cm, 10 * cm, 5},
		{-45 * degree, 20 * cm, 20 * cm, 3}, {-65 * degree, 10 * cm, 10 * cm, 3},
	} {
		t.Run(fmt.Sprintf("%v, %v to the spot at %v m/s", c.angle, c.to, c.v), func(t *testing.T) {
			set := DefaultSet()
			set.Kind = Throw
			set.Throw.Mass, set.Throw.AboveFloor = 20*cm, 5
			set.Throw.Angle, set.Throw.Gate, set.Throw.ToFocus = c.angle, c.gate, c.to
			interval, err := set.Throw.interval(phys.Speed(c.v))
			require.NoError(t, err)
			e, err := set.estimateInterval(interval)
			require.NoError(t, err)
			spread := DefaultSpread()
			said, err := InPlaceShare(set, e, spread, defaultTick)
			require.NoError(t, err)
			b, err := Errors(set, e, spread, defaultTick)
			require.NoError(t, err)
			scatter, err := set.Throw.scatter(e, spread)
			require.NoError(t, err)
			xx, yy, xy := scatter.moments(b.besidesAngle(true))

			forward, up := parabolas(set.Throw, c.v, spread, seeded(t), n)
			in, ofX, ofY, ofBoth := 0.0, 0.0, 0.0, 0.0
			for i, x := range forward {
				if math.Hypot(x, up[i]) <= float64(InPlace) {
					in += 1. / n
				}
				ofX, ofY, ofBoth = ofX+x*x/n, ofY+up[i]*up[i]/n, ofBoth+x*up[i]/n
			}
			t.Logf("in place %.3f by dice, %.3f said; forward %.1f and %.1f mm, up %.1f and %.1f mm, together %.2f and %.2f",
				in, said, math.Sqrt(ofX)*1e3, math.Sqrt(xx)*1e3, math.Sqrt(ofY)*1e3, math.Sqrt(yy)*1e3,
				ofBoth/math.Sqrt(ofX*ofY), xy/math.Sqrt(xx*yy))
			// Four standard deviations of the share of n, and 0.01 for the air that a ball of 20 cm feels and for edges
			// whose effect is not quite in proportion.
			assert.InDelta(t, in, said, 4*math.Sqrt(in*(1-in)/n)+0.01)
			// The root mean square of n normal values is within 1/sqrt(2 n) of it, one SD; 3 % for the same two reasons.
			assert.InEpsilon(t, math.Sqrt(ofX), math.Sqrt(xx), 4/math.Sqrt(2*n)+0.03)
			assert.InEpsilon(t, math.Sqrt(ofY), math.Sqrt(yy), 4/math.Sqrt(2*n)+0.03)
			assert.InDelta(t, ofBoth/math.Sqrt(ofX*ofY), xy/math.Sqrt(xx*yy), 4/math.Sqrt(n)+0.03)
		})
	}
}

// The polynomial through the nodes of a normal distribution has the value of each there, and all of one shape in
// between.
func TestNodeShares(t *testing.T) {
	for i, node := range normalNodes {
		for j, share := range nodeShares(node.at) {
			assert.InDelta(t, map[bool]float64{true: 1}[i == j], share, 1e-12)
		}
	}
	cube := 0.0
	for i, share := range nodeShares(0.7) {
		cube += share * math.Pow(normalNodes[i].at, 3)
	}
	assert.InDelta(t, 0.343, cube, 1e-12)
}

// Where a throw may be in the frame is by dice too; sideways a hand is as uneven as up and down, for
// as long as the throw flies.
func TestSubjectOfThrow(t *testing.T) {
	for _, angle := range []phys.Angle{20 * degree, 65 * degree} {
		s, spread := DefaultSet(), DefaultSpread()
		s.Kind, s.Throw.Angle, s.Throw.Mass, s.Throw.SpeedLow = Throw, angle, 20*cm, 3
		e, err := s.Estimate()
		require.NoError(t, err)
		subject, err := s.SubjectOf(e, spread)
		require.NoError(t, err)
		random := seeded(t)
		forward, up := parabolas(s.Throw, float64(e.Speed), spread, random, 4000)
		aside := draw(4000, func() float64 {
			v := float64(e.Speed)
			return v * math.Tan(float64(spread.ThrowAngle)*random.NormFloat64()) * float64(s.Throw.ToFocus) /
				(v * math.Cos(float64(angle)))
		})
		// Of a first shot the steady errors are along the path besides.
		steady := 0.0
		b, err := Errors(s, e, spread, defaultTick)
		require.NoError(t, err)
		for _, term := range slices.DeleteFunc(b.Terms, func(t Term) bool { return !t.Systematic }) {
			steady = math.Hypot(steady, float64(term.Displaced))
		}
		sin, cos := math.Sincos(float64(e.FocusAngle))
		assert.InEpsilon(t, math.Hypot(sd(forward), steady*cos), float64(subject.ForwardSD), 0.08, "%v", angle)
		assert.InEpsilon(t, math.Hypot(sd(up), steady*sin), float64(subject.UpSD), 0.08, "%v", angle)
		assert.InEpsilon(t, sd(aside), float64(subject.AsideSD), 0.08, "%v", angle)
		assert.True(t, subject.Level)
	}
}

// A throw whose angles do not all reach the spot is said to be one.
func TestThrowsThatFallShortAreCounted(t *testing.T) {
	s := DefaultSet()
	s.Kind = Throw
	s.Throw.Angle, s.Throw.ToFocus, s.Throw.AboveFloor, s.Throw.Mass = maxAngle, 80*cm, 1, 20*cm
	at := func(v phys.Speed) string {
		interval, err := s.Throw.interval(v)
		require.NoError(t, err)
		e, err := s.estimateInterval(interval)
		require.NoError(t, err)
		b, err := Errors(s, e, DefaultSpread(), defaultTick)
		require.NoError(t, err)
		return advisor{s, e, DefaultSpread(), defaultTick, b}.pathScatter()
	}
	// From 1 m up, at 3.1 m/s and an angle a: 80 cm forward it is 0.8 tan(a) - g 0.8²/(2 (3.1 cos a)²) up, which is less
	// than -1 m from 72.2 degrees: 0.62 SD more than the average, so that 27 of 100 are steeper.
	says := at(3.1)
	t.Log(says)
	assert.Regexp(t, `About 2[5-9] of 100 throws`, says)
	assert.NotContains(t, at(6), "reach the floor")
}
