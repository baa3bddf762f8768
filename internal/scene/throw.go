package scene

import (
	"math"
	"math/rand/v2"
	"time"

	"stillwater/internal/phys"
	"stillwater/internal/shot"
)

// throw adds a throw through the gate towards the focus spot.
func (r *Room) throw(f *Flight, rng dice, start time.Duration) error {
	set := f.Set.Throw
	uneven := r.spreads.uneven(r.throws)
	speed := float64(r.handSpeed(set)) * r.spreads.handDrift.strength(r.throws)
	speed = max(speed*(1+uneven*rng.normal(r.spreads.ThrowSpeed)), minThrowSpeed)
	r.throws++
	f.throwApart()
	f.Passing = phys.Speed(speed)
	f.Angle = set.Angle + phys.Angle(uneven*rng.normal(float64(r.spreads.ThrowAngle)))
	m := mass{diameter: float64(set.Mass), drag: rng.between(r.spreads.DragLow, r.spreads.DragHigh)}
	at := launchState(f.Passing, f.Angle)

	f.Contact = start + m.timeFromGate(at, float64(set.Gate)).Duration()
	ragged := func() phys.Time { return phys.Time(rng.normal(float64(r.spreads.RaggedEdge)) / speed) }
	took := (f.Contact - start).Seconds()
	long := func(later float64) time.Duration { return phys.Time(f.passLength(set, later) / speed).Duration() }
	inGate, inBeam := r.frontIn(f, Gate), r.frontIn(f, Beam)
	gate := r.stamp(rng, start, ragged()+inGate)
	beam := r.stamp(rng, f.Contact, ragged()+inBeam)
	r.addSheet(f, rng, Gate, gate, gate+long(-took)-(2*inGate).Duration())
	r.addSheet(f, rng, Beam, beam, beam+long(0)-(2*inBeam).Duration())

	there, after, ok := m.flyTo(at, float64(set.ToFocus), -float64(set.AboveFloor))
	f.Arrives = ok
	f.Ends = f.Contact + after.Duration() + settleTime
	if ok {
		f.Best = f.Contact + after.Duration()
		f.Speed = phys.Speed(math.Hypot(there.vx, there.vy))
		f.Above = phys.Length(there.y) - r.focusHeight(set)
		f.Through = Velocity{X: phys.Speed(there.vx), Y: phys.Speed(there.vy)}
		f.Aside = r.aside(f, after)
	}
	return nil
}

// aside is how far a throw passes from the plane in focus: a hand is as uneven sideways as up and down, and what goes
// sideways does so for as long as it flies.
func (r *Room) aside(f *Flight, after phys.Time) phys.Length {
	own := dice{rand.New(rand.NewPCG(f.Detail, 1<<41))}
	return phys.Length(float64(f.Passing) * own.normal(float64(r.spreads.ThrowAngle)) * float64(after))
}

// minThrowSpeed keeps a throw going: m/s, own choice.
const minThrowSpeed = 0.3

func launchState(speed phys.Speed, angle phys.Angle) state {
	sin, cos := math.Sincos(float64(angle))
	return state{vx: float64(speed) * cos, vy: float64(speed) * sin}
}

// handSpeed is how fast this room's person throws on average. A hand knows how far it is to the focus spot and nothing
// of the speeds that are accepted: a fifth more than a throw at 45 degrees needs to come down there, sqrt(g x). It lets
// go some way before the first beam. What is faster or slower than accepted is rejected, as it would be.
func (r *Room) handSpeed(set shot.ThrowSet) phys.Speed {
	far := float64(handToGate + set.Gate + set.ToFocus)
	return phys.Speed(r.strength * 1.22 * math.Sqrt(phys.Gravity*far))
}

// handToGate is from where the hand lets go to the first beam: own choice, no source.
const handToGate phys.Length = 0.3

// focusHeight is the height above the second beam at which a person sets the focus spot: on the path of an average
// throw. Zero if even that throw never reaches it.
func (r *Room) focusHeight(set shot.ThrowSet) phys.Length {
	m := mass{diameter: float64(set.Mass), drag: (r.spreads.DragLow + r.spreads.DragHigh) / 2}
	from := launchState(r.handSpeed(set), set.Angle)
	there, _, ok := m.flyTo(from, float64(set.ToFocus), -float64(set.AboveFloor))
	if !ok {
		return 0
	}
	return phys.Length(there.y)
}

// mass is thrown liquid in air: a sphere of its volume with a sphere's drag times a factor. The room integrates its own
// equation of motion, so that predicted flight times are checked against something other than themselves.
type mass struct{ diameter, drag float64 }

// state is position and velocity in SI units: x horizontal towards the focus spot, y up.
type state struct{ x, y, vx, vy float64 }

const step = 1e-3 // seconds; gravity bends the path by 1.2 um within a step

// slope is d(state)/dt with gravity and drag. Drag coefficient of a sphere: R. Clift and W. H. Gauvin 1971, within 6
// percent below Re 3e5 (testdata/published/liquid_mass_drag.csv gives the form); the coefficients are from memory.
func (m mass) slope(s state) state {
	v := math.Hypot(s.vx, s.vy)
	re := max(float64(phys.AirDensity(airTemperature))*v*m.diameter/float64(phys.AirViscosity(airTemperature)), 1e-6)
	cd := 24/re*(1+0.15*math.Pow(re, 0.687)) + 0.42/(1+42500*math.Pow(re, -1.16))
	k := m.drag * 0.75 * cd * float64(phys.AirDensity(airTemperature)/phys.WaterDensity(airTemperature)) / m.diameter
	return state{s.vx, s.vy, -k * v * s.vx, -phys.Gravity - k*v*s.vy}
}

const airTemperature phys.Temperature = 20

// advance is one step of the classical Runge-Kutta method; dt may be negative.
func (m mass) advance(s state, dt float64) state {
	plus := func(s, d state, h float64) state {
		return state{s.x + h*d.x, s.y + h*d.y, s.vx + h*d.vx, s.vy + h*d.vy}
	}
	k1 := m.slope(s)
	k2 := m.slope(plus(s, k1, dt/2))
	k3 := m.slope(plus(s, k2, dt/2))
	k4 := m.slope(plus(s, k3, dt))
	s = plus(plus(s, k1, dt/6), k2, dt/3)
	return plus(plus(s, k3, dt/3), k4, dt/6)
}

// flyTo integrates to horizontal distance x, or until the mass reaches the floor.
func (m mass) flyTo(s state, x, floor float64) (there state, after phys.Time, ok bool) {
	for t := 0.0; t < 10; t += step {
		next := m.advance(s, step)
		if next.x >= x {
			part := (x - s.x) / (next.x - s.x)
			return m.advance(s, part*step), phys.Time(t + part*step), true
		}
		if next.y <= floor || next.vx <= 0 {
			return next, phys.Time(t + step), false
		}
		s = next
	}
	return s, 10, false
}

// timeFromGate is how long the mass took from the gate to the second beam, integrated backwards along its path.
func (m mass) timeFromGate(s state, gate float64) phys.Time {
	for t, way := 0.0, 0.0; ; t += step {
		next := m.advance(s, -step)
		d := math.Hypot(next.x-s.x, next.y-s.y)
		if way+d >= gate {
			return phys.Time(t + step*(gate-way)/d)
		}
		way, s = way+d, next
	}
}
