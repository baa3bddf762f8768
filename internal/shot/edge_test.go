package shot

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
)

// sheets are throws of sheets with ragged edges past the default gate, by dice.
func sheets(rng *rand.Rand, n int, uneven, edge float64) []Passage {
	at := func(seconds float64) time.Duration { return time.Duration(seconds * 1e9) }
	var all []Passage
	for range n {
		v, long := 4.5*(1+uneven*rng.NormFloat64()), 0.1+0.15*rng.Float64()
		ragged := func() float64 { return edge * rng.NormFloat64() / v }
		all = append(all, Passage{
			GateBroken: at(ragged()), GateClear: at(long/v + ragged()),
			BeamBroken: at(0.1/v + ragged()), BeamClear: at((0.1+long)/v + ragged()),
		})
	}
	return all
}

// What is measured is the edge, not the hand: the same for an even hand and an uneven one. By the fronts alone an
// uneven hand would pass for an edge three times as ragged.
func TestRaggedEdgeByMonteCarlo(t *testing.T) {
	const n, edge, seed = 2000, 3e-3, 11
	set := farSet()
	set.Kind = Throw
	for _, uneven := range []float64{0, 0.08, 0.15} {
		throws := sheets(rand.New(rand.NewPCG(seed, 1)), n, uneven, edge)
		got, ok := set.RaggedEdge(throws)
		require.True(t, ok)
		assert.InEpsilon(t, edge, float64(got.SD), 4/math.Sqrt(2*n)+0.03, "hand uneven by %g", uneven)
		var fronts []float64
		for _, p := range throws {
			fronts = append(fronts, (p.BeamBroken - p.GateBroken).Seconds())
		}
		mean, square := 0., 0.
		for _, f := range fronts {
			mean += f / n
		}
		for _, f := range fronts {
			square += (f - mean) * (f - mean) / (n - 1)
		}
		alone := math.Sqrt(square) / mean * 0.1 / math.Sqrt2
		t.Logf("hand uneven by %g %%: edge of %g mm measured as %.2f mm; by the fronts alone %.2f mm", uneven*100,
			edge*1e3, float64(got.SD)*1e3, alone*1e3)
		if uneven == 0.15 {
			assert.Greater(t, alone, 3*edge)
		}
	}
	_, ok := set.RaggedEdge(sheets(rand.New(rand.NewPCG(seed, 2)), MinPassages-1, 0.08, edge))
	assert.False(t, ok)
}

// Five throws know it within what Edge says, 42 % of it, one standard deviation.
func TestRaggedEdgeFromFiveThrows(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 1))
	var found []float64
	within := 0.
	for range 500 {
		got, ok := farSet().RaggedEdge(sheets(rng, MinPassages, 0.08, 3e-3))
		require.True(t, ok)
		found = append(found, float64(got.SD)/3e-3)
		within = got.Within
	}
	t.Logf("from %d throws %.2f of it, SD", MinPassages, sd(found))
	assert.InEpsilon(t, within, sd(found), 4/math.Sqrt(2*500))
}

// Droplets ahead of some throws are left out, and counted.
func TestRaggedEdgeLeavesSprayOut(t *testing.T) {
	throws := sheets(rand.New(rand.NewPCG(13, 1)), 40, 0.08, 3e-3)
	for i := range 4 {
		throws[10*i].GateBroken -= 10 * time.Millisecond
	}
	got, ok := farSet().RaggedEdge(throws)
	require.True(t, ok)
	assert.GreaterOrEqual(t, got.Spray, 4)
	assert.LessOrEqual(t, got.Spray, 6)
	assert.InEpsilon(t, 3e-3, float64(got.SD), 4*got.Within)
}

// A measured edge takes the place of the assumed one in the budget, in the terms' names and in the advice.
func TestMeasuredEdgeReplacesTheAssumption(t *testing.T) {
	set := farSet()
	set.Kind = Throw
	budget := func(set Set) Budget {
		e, err := set.Estimate()
		require.NoError(t, err)
		b, err := Errors(set, e, DefaultSpread(), 0)
		require.NoError(t, err)
		return b
	}
	advice := func(set Set) []string {
		e, err := set.Estimate()
		require.NoError(t, err)
		a, err := Advice(set, e, DefaultSpread(), 0)
		require.NoError(t, err)
		return a
	}
	const says = "throw five times in a dry run"
	assumed := budget(set)
	assert.Equal(t, "ragged edge at the gate, 3.0 mm assumed, slit of 2.0 mm", assumed.term(termGate).Label())
	assert.Contains(t, join(advice(set)), says)
	require.NoError(t, set.Put("throw.edge", "9 mm"))
	measured := budget(set)
	assert.Equal(t, "ragged edge at the second beam, 9.0 mm measured", measured.term(termSecond).Label())
	assert.NotContains(t, join(advice(set)), says)
	for _, name := range []string{termGate, termSecond} {
		// The usual slit adds a third of a thousandth to what is assumed.
		assert.InEpsilon(t, 3, float64(measured.term(name).Mistiming/assumed.term(name).Mistiming), 1e-3)
	}
	assert.Error(t, set.Put("throw.edge", "20 cm"))
	assert.InEpsilon(t, float64(9*mm), float64(set.Throw.Edge), 1e-9)
	assert.Equal(t, phys.Length(0), farSet().Throw.Edge)
}

func join(lines []string) (all string) {
	for _, l := range lines {
		all += l + "\n"
	}
	return all
}
