package ballistics

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/phys"
	"stillwater/internal/published"
)

const deg = phys.Angle(math.Pi / 180)

// airless is a mass without drag and buoyancy.
func airless() body { return body{phys.Gravity, func(float64) float64 { return 0 }} }

// The vacuum parabola: release and target at one height. The table rounds the launch speed to 1 mm/s, which moves the
// time by as much as 0.0005/2.2 of itself.
func TestFlightParabola(t *testing.T) {
	for _, r := range published.Rows(t, "throw_ballistics_check.csv") {
		reach, angle := phys.Length(r.Number(t, "range_m")), phys.Angle(r.Number(t, "angle_deg"))*deg
		v := phys.Speed(r.Number(t, "launch_speed_m_s"))
		p, err := flight(airless(), step, v, angle, reach, 2)
		require.NoError(t, err)
		assert.InEpsilon(t, r.Number(t, "flight_time_s"), float64(p.Time), 4e-4)
		assert.InDelta(t, 0, float64(p.Rise), 0.0015*float64(reach)*math.Tan(float64(angle)))
		assert.InEpsilon(t, float64(v), float64(p.Speed), 1e-3)
		assert.InDelta(t, -float64(angle), float64(p.Angle), 2e-3)
		top, err := flight(airless(), step, v, angle, reach/2, 2)
		require.NoError(t, err)
		assert.InDelta(t, r.Number(t, "apex_height_m"), float64(top.Rise), 0.0005)
		assert.InDelta(t, 0, float64(top.Angle), 2e-3)

		// 10 cm of water in air keeps near it: what the parabola leaves out is small.
		real, err := Thrown{Diameter: 0.1}.Flight(v, angle, reach, 2)
		require.NoError(t, err)
		assert.InEpsilon(t, float64(p.Time), float64(real.Time), 0.02)
		assert.Greater(t, float64(real.Time), float64(p.Time))
	}
}

// Drag of spheres and speed lost over a metre, computed from Clift and Gauvin's formula by another program. The table
// takes a constant deceleration coefficient over the metre, so its loss is a little larger or smaller than a path's.
func TestSphereDrag(t *testing.T) {
	rows := 0
	for _, r := range published.Rows(t, "liquid_mass_drag.csv") {
		if r["shape"] != "sphere" {
			continue
		}
		rows++
		d, v := r.Metres(t, "diameter_or_thickness_mm"), r.Number(t, "speed_m_s")
		b := sphere(d)
		assert.InEpsilon(t, r.Number(t, "deceleration_m_s2"), b.drag(v)*v, 0.005, "%v", r)
		level := body{0, b.drag}
		_, at, _ := level.integrate(state{vx: v}, step, func(s state) (float64, float64) { return 1 - s.x, s.vx })
		assert.InEpsilon(t, r.Number(t, "dv_1m_m_s"), v-at.vx, 0.06, "%v", r)
	}
	assert.Equal(t, 24, rows)
}

func TestSpeedAtSecondBeamWithoutAir(t *testing.T) {
	found := 0
	for _, angle := range []float64{-85, -45, -20, 0, 20, 45, 85} {
		for _, v := range []float64{1.5, 3, 8} {
			for _, interval := range []float64{0.002, 0.01, 0.04} {
				a := angle * math.Pi / 180
				// Back along the parabola by the interval: the first beam stands there.
				x, y := v*math.Cos(a)*interval, v*math.Sin(a)*interval+phys.Gravity*interval*interval/2
				gate := math.Hypot(x, y)
				if interval >= longestInterval(gate, a) {
					continue
				}
				found++
				assert.InEpsilon(t, v, launchSpeedInVacuum(gate, interval, a), 1e-9, "%g° %g m/s %g s", angle, v, interval)
				assert.InEpsilon(t, v, launchSpeed(airless(), gate, interval, a), 1e-8)
			}
		}
	}
	assert.Greater(t, found, 50, "of 63")
	// For a fast throw it is the mean speed less g sin(angle) T/2.
	v, err := Thrown{Diameter: 0.1}.SpeedAtSecondBeam(0.1, 0.025, 20*deg)
	require.NoError(t, err)
	assert.InDelta(t, 4-phys.Gravity*math.Sin(20*math.Pi/180)*0.0125, float64(v), 0.005)
}

// There and back: a mass flown over the gate with drag arrives with the speed that its interval gives.
func TestSpeedAtSecondBeamInvertsFlight(t *testing.T) {
	seed := uint64(11)
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	passed := 0
	for range 300 {
		mass := phys.Length(0.004 + random.Float64()*0.1)
		angle := phys.Angle(random.Float64()*140-70) * deg
		first := phys.Speed(2 + random.Float64()*8)
		over := phys.Length(0.03+random.Float64()*0.15) * phys.Length(math.Cos(float64(angle)))
		p, err := Thrown{Diameter: mass}.Flight(first, angle, over, 5)
		if err != nil {
			continue
		}
		passed++
		gate := phys.Length(math.Hypot(float64(over), float64(p.Rise)))
		v, err := Thrown{Diameter: mass}.SpeedAtSecondBeam(gate, p.Time, p.Angle)
		require.NoError(t, err, "%s %s %s %s", first, angle, over, mass)
		assert.InEpsilon(t, float64(p.Speed), float64(v), 1e-6)
	}
	assert.Greater(t, passed, 250)
}

func TestSpeedAtSecondBeamStopped(t *testing.T) {
	for _, test := range []struct {
		interval phys.Time
		angle    phys.Angle
	}{{0.2, 80 * deg}, {0.15, 0}, {0.2, -20 * deg}, {0.143, 45 * deg}} {
		_, err := Thrown{Diameter: 0.05}.SpeedAtSecondBeam(0.1, test.interval, test.angle)
		var stopped *IntervalTooLongError
		require.ErrorAs(t, err, &stopped, "%+v", test)
		assert.Less(t, float64(stopped.Longest), float64(test.interval))
		assert.Contains(t, err.Error(), "gravity would have stopped or turned")
		_, err = Thrown{Diameter: 0.05}.SpeedAtSecondBeam(0.1, stopped.Longest*0.9, test.angle)
		assert.NoError(t, err, "shorter than the longest")
	}
	_, err := Thrown{Diameter: 0.05}.SpeedAtSecondBeam(0.1, 0.002, 0)
	assert.EqualError(t, err, "interval 2 ms: must be 3.34 ms or more: shorter is faster than 30 m/s over the gate")
	_, err = Thrown{Diameter: 0.05}.SpeedAtSecondBeam(0.1, 1e-6, 0)
	assert.ErrorContains(t, err, "must be 3.34 ms or more", "what is asked for is enough")
}

func TestFlightShort(t *testing.T) {
	// Level from 1 m up at 2 m/s: without air it lands after sqrt(2/g) = 0.4516 s, 0.903 m on.
	_, err := Thrown{Diameter: 0.1}.Flight(2, 0, 1.5, 1)
	var short *FallsShortError
	require.ErrorAs(t, err, &short)
	assert.InDelta(t, 0.903, float64(short.Reach), 0.01)
	assert.InDelta(t, 0.4516, float64(short.After), 0.005)
	assert.InDelta(t, 1.5, float64(short.Reach+short.Short), 1e-12)
	assert.Contains(t, err.Error(), "60 cm short of the focus spot")
	// It passes a focus spot just before there, near the floor.
	p, err := Thrown{Diameter: 0.1}.Flight(2, 0, short.Reach-0.001, 1)
	require.NoError(t, err)
	assert.InDelta(t, -1, float64(p.Rise), 0.003)
	_, err = Thrown{Diameter: 0.1}.Flight(2, 0, short.Reach+0.001, 1)
	require.ErrorAs(t, err, &short)
	assert.InDelta(t, 0.001, float64(short.Short), 1e-6)
	// Steeply down.
	_, err = Thrown{Diameter: 0.1}.Flight(5, -80*deg, 1, 0.5)
	require.ErrorAs(t, err, &short)
}

// Energy never grows; a faster throw is there sooner; without air the up and the down going root meet the same point.
func TestFlightProperties(t *testing.T) {
	seed := uint64(5)
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	flown := 0
	for range 500 {
		v := phys.Speed(1 + random.Float64()*10)
		angle := phys.Angle(random.Float64()*170-85) * deg
		mass := phys.Length(0.003 + random.Float64()*0.2)
		to := phys.Length(0.05 + random.Float64()*2)
		p, err := Thrown{Diameter: mass}.Flight(v, angle, to, 2)
		if err != nil {
			var short *FallsShortError
			require.ErrorAs(t, err, &short)
			assert.Positive(t, float64(short.Short))
			continue
		}
		flown++
		assert.Less(t, float64(p.Speed*p.Speed)/2+phys.Gravity*float64(p.Rise), float64(v*v)/2)
		assert.Less(t, float64(p.Angle), float64(angle), "the path only ever bends down")
		faster, err := Thrown{Diameter: mass}.Flight(v*1.05, angle, to, 2)
		require.NoError(t, err)
		assert.Less(t, float64(faster.Time), float64(p.Time))
		heavier, err := Thrown{Diameter: mass * 1.2}.Flight(v, angle, to, 2)
		require.NoError(t, err)
		assert.LessOrEqual(t, float64(heavier.Time), float64(p.Time)*(1+1e-4))

		half, err := flight(sphere(float64(mass)), step/2, v, angle, to, 2)
		require.NoError(t, err)
		assert.InDelta(t, float64(half.Time), float64(p.Time), 5e-6, "halving the step")

		// Reversal: without air, the path back from where it arrived is the mirror image.
		q, err := flight(airless(), step, v, angle, to, 100)
		require.NoError(t, err)
		back, err := flight(airless(), step, q.Speed, -q.Angle, to, 100)
		require.NoError(t, err)
		assert.InDelta(t, float64(q.Time), float64(back.Time), 1e-9)
		assert.InDelta(t, -float64(q.Rise), float64(back.Rise), 1e-9)
	}
	assert.Greater(t, flown, 250)
}

func TestThrowDomain(t *testing.T) {
	nan := math.NaN()
	flights := []struct {
		v          phys.Speed
		a          phys.Angle
		to, m, abo phys.Length
		field      string
	}{
		{0, 0, 1, 0.1, 1, "speed"}, {31, 0, 1, 0.1, 1, "speed"}, {phys.Speed(nan), 0, 1, 0.1, 1, "speed"},
		{4, 86 * deg, 1, 0.1, 1, "angle"}, {4, phys.Angle(nan), 1, 0.1, 1, "angle"},
		{4, 0, 0, 0.1, 1, "toFocus"}, {4, 0, -1, 0.1, 1, "toFocus"}, {4, 0, 11, 0.1, 1, "toFocus"},
		{4, 0, 1, 0, 1, "mass"}, {4, 0, 1, 0.5, 1, "mass"}, {4, 0, 1, 0.1, 0, "aboveFloor"},
	}
	for _, test := range flights {
		_, err := Thrown{Diameter: test.m}.Flight(test.v, test.a, test.to, test.abo)
		var domain *phys.DomainError
		require.ErrorAs(t, err, &domain, "%+v", test)
		assert.Equal(t, test.field, domain.Field)
	}
	gates := []struct {
		gate  phys.Length
		t     phys.Time
		a     phys.Angle
		m     phys.Length
		field string
	}{
		{0, 0.02, 0, 0.1, "gate"}, {-0.1, 0.02, 0, 0.1, "gate"}, {0.1, 0, 0, 0.1, "interval"},
		{0.1, -0.02, 0, 0.1, "interval"}, {0.1, phys.Time(nan), 0, 0.1, "interval"},
		{0.1, 0.02, -86 * deg, 0.1, "angle"}, {0.1, 0.02, 0, 0, "mass"},
	}
	for _, test := range gates {
		_, err := Thrown{Diameter: test.m}.SpeedAtSecondBeam(test.gate, test.t, test.a)
		var domain *phys.DomainError
		require.ErrorAs(t, err, &domain, "%+v", test)
		assert.Equal(t, test.field, domain.Field)
	}
	// The ends themselves work.
	for _, angle := range []phys.Angle{-85 * deg, 85 * deg} {
		_, err := Thrown{Diameter: 0.1}.Flight(20, angle, 0.01, 5)
		assert.NoError(t, err)
		_, err = Thrown{Diameter: 0.1}.SpeedAtSecondBeam(0.1, 0.02, angle)
		assert.NoError(t, err)
	}
}

func BenchmarkFlight(b *testing.B) {
	for b.Loop() {
		if _, err := (Thrown{Diameter: 0.1}).Flight(4, 20*deg, 0.8, 1.2); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkSpeedAtSecondBeam(b *testing.B) {
	for b.Loop() {
		if _, err := (Thrown{Diameter: 0.1}).SpeedAtSecondBeam(0.1, 0.025, 20*deg); err != nil {
			b.Fatal(err)
		}
	}
}

// A throw is traced to where Flight has it pass the focus spot, and back to where it was at the first beam.
func TestTraceAgreesWithFlightAndGate(t *testing.T) {
	for _, angle := range []phys.Angle{-1, 0, 0.35, 1.2} {
		const gate, interval = 0.1, 25e-3
		v, err := Thrown{Diameter: 36e-3}.SpeedAtSecondBeam(gate, interval, angle)
		require.NoError(t, err)
		pass, err := Thrown{Diameter: 36e-3}.Flight(v, angle, 0.3, 3)
		require.NoError(t, err)
		places, err := Thrown{Diameter: 36e-3}.Trace(v, angle, -interval, 0, pass.Time, 0)
		require.NoError(t, err)
		assert.InEpsilon(t, gate, math.Hypot(float64(places[0].X), float64(places[0].Y)), 1e-6)
		assert.Negative(t, float64(places[0].X))
		assert.InDelta(t, 0.3, float64(places[2].X), 1e-6)
		assert.InDelta(t, float64(pass.Rise), float64(places[2].Y), 1e-6)
		for _, i := range []int{1, 3} {
			assert.InDelta(t, 0, math.Hypot(float64(places[i].X), float64(places[i].Y)), 1e-6)
		}
	}
	_, err := Thrown{Diameter: 36e-3}.Trace(4, 0, 11)
	assert.Error(t, err)
	_, err = Thrown{Diameter: 36e-3}.Trace(40, 0, 1)
	assert.Error(t, err)
}

// What a refusal asks for is enough: the shortest interval, and the focus spot moved as far as it says.
func TestRefusedThrowsSayEnough(t *testing.T) {
	_, err := Thrown{Diameter: 36e-3}.SpeedAtSecondBeam(0.1, 3e-3, 0)
	require.ErrorContains(t, err, "must be 3.34 ms or more")
	_, err = Thrown{Diameter: 36e-3}.SpeedAtSecondBeam(0.1, 3.34e-3, 0)
	assert.NoError(t, err)
	for _, speed := range []phys.Speed{0.7, 1.1, 1.37, 2.03} {
		_, err = Thrown{Diameter: 36e-3}.Flight(speed, 0.3, 2, 1)
		short := new(FallsShortError)
		require.ErrorAs(t, err, &short)
		_, err = Thrown{Diameter: 36e-3}.Flight(speed, 0.3, 2-phys.RoundUp(short.Short, 2), 1)
		assert.NoError(t, err)
		_, err = Thrown{Diameter: 36e-3}.Flight(speed, 0.3, phys.RoundDown(short.Reach, 3), 1)
		assert.NoError(t, err)
	}
}

// A sheet against another integration: Euler's method in steps of 10 µs, with the drag of its thickness written out.
func TestSheetByAnotherIntegration(t *testing.T) {
	for _, h := range []float64{2e-3, 5e-3, 20e-3} {
		for _, v := range []float64{3, 4.5, 6} {
			p, err := Thrown{Thickness: phys.Length(h)}.Flight(phys.Speed(v), 0.35, 0.8, 2)
			require.NoError(t, err)
			x, y, vx, vy, at := 0., 0., v*math.Cos(0.35), v*math.Sin(0.35), 0.
			for x < 0.8 {
				const dt = 1e-5
				k := 1.17 * 1.2041 / (2 * 998.2 * h) * math.Hypot(vx, vy)
				x, y, at = x+vx*dt, y+vy*dt, at+dt
				vx, vy = vx-k*vx*dt, vy-(9.80665*(1-1.2041/998.2)+k*vy)*dt
			}
			assert.InDelta(t, at, float64(p.Time), 1e-4, "Euler's error and one step")
			assert.InDelta(t, y, float64(p.Rise), 1e-3)
			ball, err := Thrown{Diameter: 36e-3}.Flight(phys.Speed(v), 0.35, 0.8, 2)
			require.NoError(t, err)
			t.Logf("%g mm at %g m/s: %.1f ms later than a ball", h*1e3, v, float64(p.Time-ball.Time)*1e3)
			assert.Greater(t, p.Time, ball.Time)
			// The gate's interval gives that speed again.
			back, err := Thrown{Thickness: phys.Length(h)}.SpeedAtSecondBeam(0.1, 0.1/phys.Time(v), 0)
			require.NoError(t, err)
			assert.Less(t, float64(back), v*1.001, "slower at the end of the gate than on average")
		}
	}
	_, err := Thrown{Thickness: 0.5e-3}.Flight(4, 0, 0.8, 2)
	assert.ErrorContains(t, err, "thickness")
}
