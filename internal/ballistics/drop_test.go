package ballistics

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
	"stillwater/internal/published"
)

const (
	gunnKinzer      = "terminal_velocity_gunn_kinzer_1949.csv"
	gunnKinzerOther = "terminal_velocity_gunn_kinzer_1949_other_rows.csv"
)

// Gunn and Kinzer 1949, Table 2: measured. The second file's rows took no part in anything here.
func TestTerminalSpeedGunnKinzer(t *testing.T) {
	for _, file := range []string{gunnKinzer, gunnKinzerOther} {
		worst := 0.
		for _, r := range published.Rows(t, file) {
			d := phys.Length(r.Metres(t, "diameter_mm"))
			if d < minDiameter { // one row, 0.078 mm
				continue
			}
			v := terminal(float64(d))
			assert.InEpsilon(t, r.Number(t, "terminal_velocity_m_s"), v, 0.02, "%s", d)
			worst = max(worst, math.Abs(v/r.Number(t, "terminal_velocity_m_s")-1))
		}
		t.Logf("%s: largest difference %.2f %%", file, 100*worst)
	}
}

// The formula's one fitted constant, found again from the rows with each in turn left out, predicts the row left out.
func TestTerminalSpeedLeaveOneOut(t *testing.T) {
	fit := func(rows []published.Row, without int) float64 {
		up, down := 0., 0.
		for i, r := range rows {
			d := r.Metres(t, "diameter_mm")
			if i == without || d < float64(minDiameter) {
				continue
			}
			up += (r.Number(t, "terminal_velocity_m_s")/beard(d) - 1) / d
			down += 1 / (d * d)
		}
		return up / down
	}
	rows := published.Rows(t, gunnKinzer)
	assert.InEpsilon(t, 8.0e-6, fit(rows, -1), 0.005, "the constant is the least-squares fit, rounded")
	worst := 0.
	for i, r := range rows {
		d := r.Metres(t, "diameter_mm")
		predicted := beard(d) * (1 + fit(rows, i)/d)
		assert.InEpsilon(t, r.Number(t, "terminal_velocity_m_s"), predicted, 0.02, "%g m left out", d)
		worst = max(worst, math.Abs(predicted/r.Number(t, "terminal_velocity_m_s")-1))
	}
	t.Logf("leave-one-out, the 0.078 mm row predicted too: largest difference %.2f %%", 100*worst)
}

// Beard 1976: our arithmetic against values computed elsewhere from the same coefficients.
func TestBeard(t *testing.T) {
	for _, r := range published.Rows(t, "terminal_velocity_formulas.csv") {
		assert.InDelta(t, r.Number(t, "beard1976"), beard(r.Metres(t, "diameter_mm")), 0.0011)
	}
}

func TestTerminalSpeedShape(t *testing.T) {
	last := 0.
	for d := 0.1e-3; d <= 5.8e-3; d += 0.01e-3 {
		v := terminal(d)
		assert.Greater(t, v, last, "a larger drop falls faster, %g m", d)
		assert.Less(t, v-last, 0.3)
		last = v
	}
	assert.InDelta(t, terminal(1.0699999e-3), terminal(1.07e-3), 0.001, "Beard's two formulas meet")
}

// The table was computed from the same three drag models by another program, with Gunn and Kinzer's terminal speed:
// given that, our integration agrees to its last digits.
func TestFallModelsArithmetic(t *testing.T) {
	tolerance := func(fall phys.Time) float64 { return 0.01 + 1e-4*1000*float64(fall) } // ms: rounding of the table's vt
	for _, r := range published.Rows(t, "fall_from_rest_computed.csv") {
		d, vt := r.Metres(t, "diameter_mm"), r.Number(t, "vt_m_s")
		height := phys.Length(r.Number(t, "height_m"))
		name := fmt.Sprintf("%g m drop, %s", d, height)
		for column, m := range map[string]Model{"quadratic": Quadratic, "sphere": Sphere, "blend": Central} {
			b := dropBodyWithTerminal(m, d, vt)
			if m == Quadratic { // the table's closed form leaves buoyancy out
				b = body{phys.Gravity, func(v float64) float64 { return phys.Gravity * v / (vt * vt) }}
			}
			got := between(b, step, 0, height, 0)
			assert.InDelta(t, r.Number(t, "t_"+column+"_ms"), 1000*float64(got.Time), tolerance(got.Time), "%s %s", name, column)
			assert.InDelta(t, r.Number(t, "v_"+column+"_m_s"), float64(got.Speed), 0.0015, "%s %s", name, column)
		}
	}
}

// The same table with our own terminal speed, which differs from Gunn and Kinzer's by up to 0.7 %.
func TestFallAgainstTable(t *testing.T) {
	worst := 0.
	for _, r := range published.Rows(t, "fall_from_rest_computed.csv") {
		height := phys.Length(r.Number(t, "height_m"))
		got, err := Fall(phys.Length(r.Metres(t, "diameter_mm")), height, 0)
		require.NoError(t, err)
		off := 1000*float64(got.Time) - r.Number(t, "t_blend_ms")
		if height <= 1 {
			worst = max(worst, math.Abs(off))
			assert.InDelta(t, 0, off, 0.1, "%v", r)
		}
		assert.InEpsilon(t, r.Number(t, "t_blend_ms"), 1000*float64(got.Time), 0.003, "%v", r)
	}
	t.Logf("largest difference up to 1 m: %.3f ms", worst)
}

// Quadratic drag has a closed form: v = vt sqrt(1-exp(-2gh/vt²)), t = vt/g arcosh(exp(gh/vt²)), with g less
// buoyancy.
func TestQuadraticClosedForm(t *testing.T) {
	for _, d := range []float64{0.1e-3, 0.5e-3, 1e-3, 3e-3, 5.8e-3} {
		for _, h := range []float64{0.001, 0.05, 0.4, 2, 10} {
			vt := terminal(d)
			got, err := FallWith(Quadratic, phys.Length(d), phys.Length(h), 0)
			require.NoError(t, err)
			z := buoyantGravity * h / (vt * vt)
			want := vt / buoyantGravity * (z + math.Log1p(math.Sqrt(1-math.Exp(-2*z)))) // arcosh without overflow
			assert.InDelta(t, want, float64(got.Time), 1e-6, "%g m, %g m", d, h)
			assert.InDelta(t, vt*math.Sqrt(1-math.Exp(-2*z)), float64(got.Speed), 1e-6)
		}
	}
}

func TestFallStepHalving(t *testing.T) {
	worst := 0.
	for _, m := range []Model{Central, Quadratic, Sphere} {
		for _, d := range []float64{0.1e-3, 0.3e-3, 1e-3, 2.5e-3, 4e-3, 10e-3} {
			for _, h := range []phys.Length{0.002, 0.05, 0.4, 1, 5} {
				for _, start := range []phys.Speed{0, 1, 12} {
					whole := between(dropBody(m, d), step, 0, h, start)
					half := between(dropBody(m, d), step/2, 0, h, start)
					worst = max(worst, math.Abs(float64(whole.Time-half.Time)))
				}
			}
		}
	}
	t.Logf("halving the step moves an arrival by up to %.3f µs", worst*1e6)
	assert.Less(t, worst, 5e-6)
}

// Without air: t = (sqrt(v0² + 2gh) - v0)/g. A short fall of a large drop comes near it, and drag only ever adds
// time.
func TestFallVacuumLimit(t *testing.T) {
	none := body{phys.Gravity, func(float64) float64 { return 0 }}
	for _, h := range []float64{0.01, 0.4, 3} {
		for _, start := range []float64{0, 2} {
			v := math.Sqrt(start*start + 2*phys.Gravity*h)
			got := between(none, step, 0, phys.Length(h), phys.Speed(start))
			assert.InDelta(t, (v-start)/phys.Gravity, float64(got.Time), 1e-9)
			assert.InDelta(t, v, float64(got.Speed), 1e-9)
			real, err := Fall(5e-3, phys.Length(h), phys.Speed(start))
			require.NoError(t, err)
			assert.Greater(t, float64(real.Time), float64(got.Time))
			assert.Less(t, float64(real.Speed), float64(got.Speed))
		}
	}
	got, err := Fall(5.8e-3, 0.01, 0)
	require.NoError(t, err)
	assert.InEpsilon(t, math.Sqrt(2*0.01/phys.Gravity), float64(got.Time), 1e-3)
}

func TestBetween(t *testing.T) {
	// The difference of two falls, and not a new fall from the beam.
	whole, err := Fall(4e-3, 0.4, 0)
	require.NoError(t, err)
	first, err := Fall(4e-3, 0.05, 0)
	require.NoError(t, err)
	between, err := Between(4e-3, 0.05, 0.4, 0)
	require.NoError(t, err)
	assert.InDelta(t, float64(whole.Time-first.Time), float64(between.Time), 1e-6)
	assert.InDelta(t, float64(whole.Speed), float64(between.Speed), 1e-6)

	// From the beam on with the speed that the drop has there it is the same fall.
	rest, err := Fall(4e-3, 0.35, first.Speed)
	require.NoError(t, err)
	assert.InDelta(t, float64(between.Time), float64(rest.Time), 1e-6)

	// Above terminal speed a drop slows down; at no height it has arrived.
	slowing, err := Fall(0.5e-3, 1, 10)
	require.NoError(t, err)
	assert.Less(t, float64(slowing.Speed), 4.)
	here, err := Between(4e-3, 0.2, 0.2, 1)
	require.NoError(t, err)
	assert.Zero(t, here.Time)
	assert.Greater(t, float64(here.Speed), 2.)
	now, err := Fall(4e-3, 0, 1.5)
	require.NoError(t, err)
	assert.Equal(t, Arrival{0, 1.5}, now)
}

// Whatever the arguments: a longer way takes longer, a faster start is sooner, energy does not grow.
func TestFallProperties(t *testing.T) {
	seed := uint64(7)
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	for range 200 {
		d := phys.Length(0.5e-3 + random.Float64()*7e-3)
		h := phys.Length(0.01 + random.Float64()*2)
		start := phys.Speed(random.Float64() * 3)
		for _, m := range []Model{Central, Quadratic, Sphere} {
			a, err := FallWith(m, d, h, start)
			require.NoError(t, err)
			further, err := FallWith(m, d, h*1.1, start)
			require.NoError(t, err)
			faster, err := FallWith(m, d, h, start+0.1)
			require.NoError(t, err)
			assert.Greater(t, float64(further.Time), float64(a.Time))
			assert.Less(t, float64(faster.Time), float64(a.Time))
			energy := float64(a.Speed*a.Speed)/2 - phys.Gravity*float64(h)
			assert.LessOrEqual(t, energy, float64(start*start)/2)
		}
		early, late, err := Spread(d, h/4, h, start)
		require.NoError(t, err)
		for _, m := range []Model{Central, Quadratic, Sphere} {
			a, err := BetweenWith(m, d, h/4, h, start)
			require.NoError(t, err)
			assert.True(t, early.Time <= a.Time && a.Time <= late.Time, "%s %s %s", d, h, start)
		}
	}
}

// How far the central model leaves the other two behind it, as Model's comment has it: hardly over a table, more the
// longer the fall. It is never the earliest.
func TestCentralAgainstTheOtherModels(t *testing.T) {
	for _, test := range []struct {
		height phys.Length
		most   float64 // ms later than both
	}{{0.5, 0.1}, {1, 0.4}, {5, 10}} {
		worst := 0.
		for d := phys.Length(0.5e-3); d <= 5.8e-3; d += 0.1e-3 {
			for h := test.height; h > 0.01; h /= 1.4 {
				var times [3]float64
				for _, m := range []Model{Central, Quadratic, Sphere} {
					a, err := FallWith(m, d, h, 0)
					require.NoError(t, err)
					times[m] = float64(a.Time)
				}
				assert.GreaterOrEqual(t, times[Central], min(times[Quadratic], times[Sphere]), "%s %s", d, h)
				worst = max(worst, times[Central]-max(times[Quadratic], times[Sphere]))
			}
		}
		t.Logf("up to %s: at most %.3f ms later than both", test.height, worst*1e3)
		assert.Less(t, worst*1e3, test.most)
	}
}

// How far the models are apart is how much to believe of a fall time: the table's own figures.
func TestSpread(t *testing.T) {
	for _, test := range []struct {
		d, h phys.Length
		most float64 // ms
	}{{3e-3, 0.5, 2}, {4e-3, 0.5, 1}, {5.8e-3, 0.5, 1}, {3e-3, 1, 3}, {2e-3, 0.5, 4}} {
		early, late, err := Spread(test.d, 0, test.h, 0)
		require.NoError(t, err)
		assert.Less(t, 1000*float64(late.Time-early.Time), test.most, "%s %s", test.d, test.h)
		assert.Positive(t, float64(late.Time-early.Time))
	}
}

func TestFallDomain(t *testing.T) {
	bad := phys.Length(math.NaN())
	tests := []struct {
		d, from, to phys.Length
		start       phys.Speed
		field       string
	}{
		{0, 0, 1, 0, "diameter"}, {11e-3, 0, 1, 0, "diameter"}, {bad, 0, 1, 0, "diameter"},
		{3e-3, 0, -0.1, 0, "height"}, {3e-3, 0, 16, 0, "height"}, {3e-3, 0, bad, 0, "height"},
		{3e-3, -0.1, 1, 0, "from"}, {3e-3, 0.5, 0.4, 0, "from"}, {3e-3, bad, 1, 0, "from"},
		{3e-3, 0, 1, -1, "start"}, {3e-3, 0, 1, phys.Speed(math.Inf(1)), "start"},
	}
	for _, test := range tests {
		_, err := Between(test.d, test.from, test.to, test.start)
		var domain *phys.DomainError
		require.ErrorAs(t, err, &domain, "%+v", test)
		assert.Equal(t, test.field, domain.Field, "%+v", test)
	}
}

func BenchmarkFall(b *testing.B) {
	for b.Loop() {
		if _, err := Fall(4e-3, 0.5, 0); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkFallHighAndSmall(b *testing.B) {
	for b.Loop() {
		if _, err := Fall(0.5e-3, 3, 0); err != nil {
			b.Fatal(err)
		}
	}
}

// A drop has fallen from where Fall has it arrive, and in vacuum's way at first.
func TestFallenIsTheInverseOfFall(t *testing.T) {
	for _, diameter := range []phys.Length{0.1e-3, 1e-3, 4.5e-3, 10e-3} {
		for _, height := range []phys.Length{1e-3, 0.05, 0.4, 5} {
			arrival, err := Fall(diameter, height, 0)
			require.NoError(t, err)
			fallen, err := Fallen(diameter, arrival.Time)
			require.NoError(t, err)
			assert.InEpsilon(t, float64(height), float64(fallen), 1e-5, "%v from %v", diameter, height)
		}
	}
	for _, bad := range []phys.Time{-1e-3, 101, phys.Time(math.NaN())} {
		_, err := Fallen(4e-3, bad)
		assert.Error(t, err)
	}
}

// Milk of 1030 kg/m³ (from memory) over 0.5 m, both drops taken for rigid spheres: the same drag slows it less, by the
// ratio of the densities.
func TestMilkFallsSooner(t *testing.T) {
	const ratio = 1030 / 998.2
	for d, ms := range map[float64]float64{6e-3: 0.1, 1e-3: 0.9} {
		water := sphere(d)
		milk := body{water.gravity, func(v float64) float64 { return water.drag(v) / ratio }}
		sooner := between(water, step, 0, 0.5, 0).Time - between(milk, step, 0, 0.5, 0).Time
		assert.InDelta(t, ms, float64(sooner)*1e3, 0.05, "%g m", d)
	}
}

// Through is what Fall and Between give one after the other.
func TestThrough(t *testing.T) {
	for _, d := range []phys.Length{0.5e-3, 2e-3, 4.5e-3} {
		for _, to := range []phys.Length{0.05, 0.4, 2} {
			top, rest, err := Through(d, 0.05, to, 0.2)
			require.NoError(t, err)
			fall, err := Fall(d, 0.05, 0.2)
			require.NoError(t, err)
			between, err := Between(d, 0.05, to, 0.2)
			require.NoError(t, err)
			assert.Equal(t, fall, top)
			assert.Equal(t, between, rest)
		}
	}
}
