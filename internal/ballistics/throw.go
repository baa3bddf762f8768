package ballistics

import (
	"fmt"
	"math"

	"stillwater/internal/phys"
)

// Limits of the throw.
const (
	leastGate, widestGate      phys.Length = 5e-3, 2
	leastMass, largestMass     phys.Length = 2e-3, 0.3
	leastFlight, longestFlight phys.Length = 1e-3, 10
	leastFloor, highestFloor   phys.Length = 1e-3, 5
	slowest, fastest           phys.Speed  = 0.1, 30
	shortestPass, longestPass  phys.Time   = 100e-6, 2
	steepest                   phys.Angle  = 85 * math.Pi / 180
)

// Pass is how a thrown mass passes the focus spot.
type Pass struct {
	Time  phys.Time   // from the second beam
	Speed phys.Speed  // there
	Rise  phys.Length // height above the second beam; negative is below it
	Angle phys.Angle  // of the path there, above level
}

// ShortError says that a throw reaches the floor before the focus spot.
type ShortError struct {
	Short phys.Length // by how much level distance it falls short
	Reach phys.Length // level distance from the second beam at which it reaches the floor
	After phys.Time   // time from the second beam at which it does
}

func (e *ShortError) Error() string {
	return fmt.Sprintf("the throw reaches the floor %s beyond the second beam, %s short of the focus spot: "+
		"throw faster or higher, or move the focus spot nearer by %[2]s",
		phys.Round(e.Reach, 3), phys.Round(e.Short, 2))
}

// StoppedError says that no mass can take that long from beam to beam: in the time given, gravity alone moves it
// further than the gate is wide.
type StoppedError struct {
	Interval phys.Time // given
	Longest  phys.Time // the longest interval this gate and angle allow
}

func (e *StoppedError) Error() string {
	return fmt.Sprintf("interval %s: gravity would have stopped or turned the throw between the beams; "+
		"at this gate and angle it is less than %s", e.Interval, phys.Round(e.Longest, 3))
}

// SpeedAtSecondBeam is the speed at the second beam of a mass that took interval between two beams that stand gate
// apart in a straight line, and that flies at angle above level when it is at the second beam. The mean speed over
// the gate is corrected for gravity, along the path and across it, and for drag on a mass of that diameter, by
// following the path backwards. Domains: gate 5 mm to 2 m, interval 100 µs to 2 s, angle -85 to 85 degrees, mass 2
// mm to 30 cm (the diameter of a sphere of the thrown volume). A *StoppedError says that the interval is too long for
// the gate; a speed beyond 30 m/s is an error that names the interval.
func SpeedAtSecondBeam(gate phys.Length, interval phys.Time, angle phys.Angle, mass phys.Length) (phys.Speed, error) {
	for _, err := range []error{
		phys.Within("gate", gate, leastGate, widestGate),
		phys.Within("angle", angle, -steepest, steepest),
		phys.Within("mass", mass, leastMass, largestMass),
	} {
		if err != nil {
			return 0, err
		}
	}
	// What gate and angle allow is narrower than the domain, but for gates and angles at the domain's ends.
	if longest := longestInterval(float64(gate), float64(angle)); float64(interval) >= longest {
		return 0, &StoppedError{Interval: interval, Longest: phys.Time(longest)}
	}
	if shortest := phys.Time(gate) / phys.Time(fastest); interval < shortest {
		return 0, &phys.DomainError{Field: "interval", Value: interval.String(), Why: fmt.Sprintf(
			"must be %s or more: shorter is faster than %s over the gate", phys.Round(shortest, 3), fastest)}
	}
	if err := phys.Within("interval", interval, shortestPass, longestPass); err != nil {
		return 0, err
	}
	return phys.Speed(launch(sphere(float64(mass)), float64(gate), float64(interval), float64(angle))), nil
}

// longestInterval is where vacuumLaunch ends: upwards it comes to zero, downwards the path turns away from the gate.
func longestInterval(gate, angle float64) float64 {
	if angle >= 0 {
		return math.Sqrt(2 * gate / phys.Gravity)
	}
	return math.Sqrt(2 * gate / (phys.Gravity * math.Cos(angle)))
}

// vacuumLaunch is the speed v at the second beam without drag. Back by the interval T the mass was v T sin(angle) + g
// T²/2 lower and v T cos(angle) behind; that place is gate away.
func vacuumLaunch(gate, interval, angle float64) float64 {
	half := phys.Gravity * interval / 2
	across := half * math.Cos(angle)
	mean := gate / interval
	return math.Sqrt(max(mean*mean-across*across, 0)) - half*math.Sin(angle)
}

// launch is the speed at the second beam: vacuumLaunch mended until the path back under drag is gate long.
func launch(b body, gate, interval, angle float64) float64 {
	v := vacuumLaunch(gate, interval, angle)
	for range 20 {
		miss := chord(b, v, interval, angle) - gate
		dv := 1e-6
		per := (chord(b, v+dv, interval, angle) - gate - miss) / dv
		v = max(v-miss/per, 0)
		if math.Abs(miss) < 1e-9*gate {
			break
		}
	}
	return v
}

// chord is how far from the second beam a mass was interval before it passed there with speed v.
func chord(b body, v, interval, angle float64) float64 {
	s := state{vx: v * math.Cos(angle), vy: v * math.Sin(angle)}
	steps := math.Ceil(interval / step)
	for range int(steps) {
		s = b.advance(s, -interval/steps)
	}
	return math.Hypot(s.x, s.y)
}

// Flight is the flight of a thrown mass from the second beam to the focus spot, under gravity and the drag of a
// sphere of its volume. speed and angle are those at the second beam. Domains: speed 0.1 to 30 m/s, angle -85 to 85
// degrees, toFocus (level distance) 1 mm to 10 m, mass 2 mm to 30 cm, aboveFloor (of the second beam) 1 mm to 5 m. A
// *ShortError says that it reaches the floor before the focus spot.
//
// A sheet or a spray is held up more than a sphere of its volume: a face-on sheet 5 mm thick at 4 m/s loses 0.53 m/s
// over a metre where a sphere of 100 ml loses 0.03. No published measurement of hand-thrown liquid was found.
func Flight(speed phys.Speed, angle phys.Angle, toFocus, mass, aboveFloor phys.Length) (Pass, error) {
	for _, err := range []error{
		phys.Within("speed", speed, slowest, fastest),
		phys.Within("angle", angle, -steepest, steepest),
		phys.Within("toFocus", toFocus, leastFlight, longestFlight),
		phys.Within("mass", mass, leastMass, largestMass),
		phys.Within("aboveFloor", aboveFloor, leastFloor, highestFloor),
	} {
		if err != nil {
			return Pass{}, err
		}
	}
	return flight(sphere(float64(mass)), step, speed, angle, toFocus, aboveFloor)
}

func flight(b body, h float64, speed phys.Speed, angle phys.Angle, toFocus, aboveFloor phys.Length) (Pass, error) {
	const focus = 0
	sin, cos := math.Sincos(float64(angle))
	t, at, which := b.reach(state{vx: float64(speed) * cos, vy: float64(speed) * sin}, h,
		func(s state) (left, closing float64) { return float64(toFocus) - s.x, s.vx }, below(aboveFloor))
	if which != focus {
		reach := phys.Length(at.x)
		return Pass{}, &ShortError{Short: toFocus - reach, Reach: reach, After: phys.Time(t)}
	}
	return Pass{
		Time:  phys.Time(t),
		Speed: phys.Speed(at.speed()),
		Rise:  phys.Length(at.y),
		Angle: phys.Angle(math.Atan2(at.vy, at.vx)),
	}, nil
}
