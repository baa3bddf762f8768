// Package ballistics says when a falling drop, a thrown mass of liquid or a sound is where, and how fast.
//
// All functions are pure. Air is still, dry and at 20 °C and 1013.25 hPa, liquids have the density of water at 20
// °C, and gravity is the standard 9.80665 m/s². Milk, 3 % denser, falls 0.5 m less than 0.1 ms sooner than the
// water assumed here. An argument outside what a model holds for is a *phys.DomainError whose Field is the name used
// in the function's documentation.
package ballistics

import (
	"math"

	"stillwater/internal/phys"
)

// Air and water of the models. Values, not functions, because every step of every path uses them.
var (
	airDensity   = float64(phys.AirDensity(phys.Room))
	airViscosity = float64(phys.AirViscosity(phys.Room))
	waterDensity = float64(phys.WaterDensity(phys.Room))
	buoyed       = phys.Gravity * (1 - airDensity/waterDensity)
)

// step is the time step of the integration. Halving it changes no arrival by as much as a microsecond (tested).
const step = 2.5e-3

// state is a place and a velocity: x level and forward, y up, SI units.
type state struct{ x, y, vx, vy float64 }

func (s state) speed() float64 { return math.Hypot(s.vx, s.vy) }

// body is what gravity and air do to a mass.
type body struct {
	pull float64                     // downward acceleration at rest: gravity less buoyancy
	drag func(speed float64) float64 // deceleration divided by speed, in 1/s, at that speed
}

// slope is the rate of change of s.
func (b body) slope(s state) state {
	k := b.drag(s.speed())
	return state{s.vx, s.vy, -k * s.vx, -k*s.vy - b.pull}
}

func (s state) plus(d state, h float64) state {
	return state{s.x + h*d.x, s.y + h*d.y, s.vx + h*d.vx, s.vy + h*d.vy}
}

// advance moves s by h seconds, back in time if h is negative: one step of the classical Runge-Kutta method.
func (b body) advance(s state, h float64) state {
	k1 := b.slope(s)
	k2 := b.slope(s.plus(k1, h/2))
	k3 := b.slope(s.plus(k2, h/2))
	k4 := b.slope(s.plus(k3, h))
	return s.plus(k1, h/6).plus(k2, h/3).plus(k3, h/3).plus(k4, h/6)
}

// goal says how far s still has to go and how fast that gets less.
type goal func(s state) (left, closing float64)

// reach follows s in steps of at most longest seconds until one of the goals has nothing left. It returns when and
// where that is and which goal it was. Its callers see to it that one of the goals is reached.
func (b body) reach(s state, longest float64, goals ...goal) (t float64, at state, which int) {
	for {
		// A small drop much faster than its terminal speed loses that within milliseconds.
		h := min(longest, longest/step*0.1/b.drag(s.speed()))
		next := b.advance(s, h)
		first, when := -1, h
		for i, g := range goals {
			if left, _ := g(next); left > 0 {
				continue
			}
			if within := b.landing(s, h, g); first < 0 || within < when {
				first, when = i, within
			}
		}
		if first >= 0 {
			return t + when, b.advance(s, when), first
		}
		s, t = next, t+h
	}
}

// landing is the time within the step of h seconds from s at which g is reached: Newton's method.
func (b body) landing(s state, h float64, g goal) float64 {
	left, closing := g(b.advance(s, h))
	when := h
	for range 8 {
		move := left / closing
		when = min(max(when+move, 0), h)
		if math.Abs(move) < 1e-12 {
			break
		}
		left, closing = g(b.advance(s, when))
	}
	return when
}

// sphere is the drag of air on a rigid sphere of water: Cd = 24/Re (1 + 0.15 Re^0.687) + 0.42/(1 + 42500 Re^-1.16),
// R. Clift and W. H. Gauvin 1971, within 6 % below Re 300 000.
func sphere(diameter float64) body {
	viscous := 18 * airViscosity / (waterDensity * diameter * diameter)
	inertial := 0.75 * airDensity / (waterDensity * diameter) * 0.42
	reynolds := airDensity * diameter / airViscosity
	return body{buoyed, func(speed float64) float64 {
		if speed == 0 {
			return viscous
		}
		ln := math.Log(reynolds * speed)
		return viscous*(1+0.15*math.Exp(0.687*ln)) + inertial*speed/(1+42500*math.Exp(-1.16*ln))
	}}
}
