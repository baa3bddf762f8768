package ballistics

import (
	"fmt"
	"math"

	"stillwater/internal/phys"
)

// Domains of the throw functions.
const (
	minGate, maxGate             phys.Length = 5e-3, 2
	minMass, maxMass             phys.Length = 2e-3, 0.3
	minThickness, maxThickness   phys.Length = 1e-3, 0.1
	minFlight, maxFlight         phys.Length = 1e-3, 10
	minAboveFloor, maxAboveFloor phys.Length = 1e-3, 5
	minSpeed, maxSpeed           phys.Speed  = 0.1, 30
	minInterval, maxInterval     phys.Time   = 100e-6, 2
	maxAngle                     phys.Angle  = 85 * math.Pi / 180
)

// Thrown is a thrown mass of liquid: a ball, or a sheet if it has a thickness.
type Thrown struct {
	Diameter  phys.Length // of a sphere of its volume, 2 mm to 30 cm
	Thickness phys.Length // of the sheet, 1 mm to 10 cm; 0: it is a ball
}

func (m Thrown) check() error {
	if m.Thickness != 0 {
		return phys.Within("thickness", m.Thickness, minThickness, maxThickness)
	}
	return phys.Within("mass", m.Diameter, minMass, maxMass)
}

func (m Thrown) body() body {
	if m.Thickness != 0 {
		return sheet(float64(m.Thickness))
	}
	return sphere(float64(m.Diameter))
}

// sheetDrag is the drag coefficient of a sheet thrown face-on: 1.17 for a plate or a disc, 1.2 for a cylinder across
// the flow, which its ligaments are (S. F. Hoerner, Fluid-Dynamic Drag, 1965; from memory). Edge-on it is near nothing:
// what is not known of the thickness stands for that too.
const sheetDrag = 1.17

// sheet slows down by Cd rho_air/(2 rho h) of its speed each metre: each part of it has the air in front of itself
// against the liquid behind.
func sheet(thickness float64) body {
	perMetre := sheetDrag * airDensity / (2 * waterDensity * thickness)
	return body{buoyantGravity, func(speed float64) float64 { return perMetre * speed }}
}

// Pass describes a thrown mass as it passes the focus spot.
type Pass struct {
	Time  phys.Time   // from the second beam
	Speed phys.Speed  // there
	Rise  phys.Length // height above the second beam; negative is below it
	Angle phys.Angle  // of the path there, above level
}

// FallsShortError reports a throw that reaches the floor before the focus spot.
type FallsShortError struct {
	Short phys.Length // horizontal distance missing to the focus spot
	Reach phys.Length // horizontal distance from the second beam to where it reaches the floor
	After phys.Time   // time from the second beam until then
}

func (e *FallsShortError) Error() string {
	return fmt.Sprintf("the throw lands on the floor %s beyond the second beam, %s short of the focus spot: "+
		"throw faster or higher, or move the focus spot nearer by %[2]s",
		phys.RoundDown(e.Reach, 3), phys.RoundUp(e.Short, 2))
}

// IntervalTooLongError reports an interval in which gravity alone moves any mass further than the gate is wide.
type IntervalTooLongError struct {
	Interval phys.Time // given
	Longest  phys.Time // the longest possible with this gate and angle
}

func (e *IntervalTooLongError) Error() string {
	return fmt.Sprintf("interval %s: gravity would have stopped or turned the throw between the beams; "+
		"at this gate and angle it is less than %s", e.Interval, phys.Round(e.Longest, 3))
}

// SpeedAtSecondBeam is the speed at the second beam of a mass that took interval between two beams a straight distance
// gate apart and crosses the second at angle above the horizontal. The mean speed over the gate is corrected for
// gravity along and across the path, and for drag, by integrating backwards. Domains: gate 5 mm to 2 m, interval 100 µs
// to 2 s, angle -85 to 85 degrees. An interval too long for the gate is an *IntervalTooLongError; a speed beyond 30 m/s
// is an error that names the interval.
func (m Thrown) SpeedAtSecondBeam(gate phys.Length, interval phys.Time, angle phys.Angle) (phys.Speed, error) {
	for _, err := range []error{
		phys.Within("gate", gate, minGate, maxGate),
		phys.Within("angle", angle, -maxAngle, maxAngle),
		m.check(),
	} {
		if err != nil {
			return 0, err
		}
	}
	// Gate and angle allow less than the domain, except near its ends.
	if longest := longestInterval(float64(gate), float64(angle)); float64(interval) >= longest {
		return 0, &IntervalTooLongError{Interval: interval, Longest: phys.Time(longest)}
	}
	if shortest := phys.Time(gate) / phys.Time(maxSpeed); interval < shortest*(1-1e-9) { // what is typed is rounded
		return 0, &phys.DomainError{Field: "interval", Value: interval.String(), Why: fmt.Sprintf(
			"must be %s or more: shorter is faster than %s over the gate", phys.RoundUp(shortest, 3), maxSpeed)}
	}
	if err := phys.Within("interval", interval, minInterval, maxInterval); err != nil {
		return 0, err
	}
	return phys.Speed(launchSpeed(m.body(), float64(gate), float64(interval), float64(angle))), nil
}

// longestInterval is the end of launchSpeedInVacuum's domain: upwards the speed reaches zero there, downwards the path
// turns away from the gate.
func longestInterval(gate, angle float64) float64 {
	if angle >= 0 {
		return math.Sqrt(2 * gate / phys.Gravity)
	}
	return math.Sqrt(2 * gate / (phys.Gravity * math.Cos(angle)))
}

// launchSpeedInVacuum is the speed v at the second beam without drag. An interval T earlier the mass was
// v T sin(angle) + g T²/2 lower and v T cos(angle) behind, at the distance gate.
func launchSpeedInVacuum(gate, interval, angle float64) float64 {
	half := phys.Gravity * interval / 2
	across := half * math.Cos(angle)
	mean := gate / interval
	return math.Sqrt(max(mean*mean-across*across, 0)) - half*math.Sin(angle)
}

// launchSpeed is the speed at the second beam: launchSpeedInVacuum corrected by the secant method until the path traced
// back with drag spans the gate.
func launchSpeed(b body, gate, interval, angle float64) float64 {
	v := launchSpeedInVacuum(gate, interval, angle)
	const dv = 1e-6
	miss := chord(b, v, interval, angle) - gate
	per := (chord(b, v+dv, interval, angle) - gate - miss) / dv
	for range 40 {
		if math.Abs(miss) < 1e-9*gate || per == 0 {
			break
		}
		next := max(v-miss/per, 0)
		missed := chord(b, next, interval, angle) - gate
		if next != v {
			per = (missed - miss) / (next - v)
		}
		v, miss = next, missed
	}
	return v
}

// chord is the distance from the second beam at which a mass was, interval before it passed there with speed v.
func chord(b body, v, interval, angle float64) float64 {
	s := b.after(state{vx: v * math.Cos(angle), vy: v * math.Sin(angle)}, -interval, throwStep)
	return math.Hypot(s.x, s.y)
}

// Flight is the flight of a thrown mass from the second beam to the focus spot, under gravity and its drag. speed and
// angle are those at the second beam. Domains: speed 0.1 to 30 m/s, angle -85 to 85 degrees, toFocus (horizontal
// distance) 1 mm to 10 m, aboveFloor (of the second beam) 1 mm to 5 m. A throw that reaches the floor before the focus
// spot is a *FallsShortError.
//
// A sheet or a spray has more drag than a sphere of its volume: a face-on sheet 5 mm thick at 4 m/s loses 0.53 m/s
// over a metre where a sphere of 100 ml loses 0.03. No published measurement of hand-thrown liquid was found.
func (m Thrown) Flight(speed phys.Speed, angle phys.Angle, toFocus, aboveFloor phys.Length) (Pass, error) {
	if err := m.checkThrow(speed, angle); err != nil {
		return Pass{}, err
	}
	for _, err := range []error{
		phys.Within("toFocus", toFocus, minFlight, maxFlight),
		phys.Within("aboveFloor", aboveFloor, minAboveFloor, maxAboveFloor),
	} {
		if err != nil {
			return Pass{}, err
		}
	}
	return flight(m.body(), throwStep, speed, angle, toFocus, aboveFloor)
}

// noFloor is so far down that nothing gets there in 10 s.
const noFloor phys.Length = 500

// FlightOver is Flight without a floor, for as long as 10 s at least: it is below the floor that a throw passes a spot
// which it does not reach. Domains: as Flight.
func (m Thrown) FlightOver(speed phys.Speed, angle phys.Angle, toFocus phys.Length) (Pass, error) {
	if err := m.checkThrow(speed, angle); err != nil {
		return Pass{}, err
	}
	if err := phys.Within("toFocus", toFocus, minFlight, maxFlight); err != nil {
		return Pass{}, err
	}
	return flight(m.body(), throwStep, speed, angle, toFocus, noFloor)
}

func flight(b body, h float64, speed phys.Speed, angle phys.Angle, toFocus, aboveFloor phys.Length) (Pass, error) {
	const focus = 0
	sin, cos := math.Sincos(float64(angle))
	t, at, which := b.integrate(state{vx: float64(speed) * cos, vy: float64(speed) * sin}, h,
		func(s state) (remaining, closing float64) { return float64(toFocus) - s.x, s.vx }, fallen(aboveFloor))
	if which != focus {
		reach := phys.Length(at.x)
		return Pass{}, &FallsShortError{Short: toFocus - reach, Reach: reach, After: phys.Time(t)}
	}
	return Pass{
		Time:  phys.Time(t),
		Speed: phys.Speed(at.speed()),
		Rise:  phys.Length(at.y),
		Angle: phys.Angle(math.Atan2(at.vy, at.vx)),
	}, nil
}

func (m Thrown) checkThrow(speed phys.Speed, angle phys.Angle) error {
	for _, err := range []error{
		phys.Within("speed", speed, minSpeed, maxSpeed),
		phys.Within("angle", angle, -maxAngle, maxAngle),
		m.check(),
	} {
		if err != nil {
			return err
		}
	}
	return nil
}

// Place is where a mass is at a time, X forward and Y up.
type Place struct {
	Time phys.Time
	X, Y phys.Length
}

// maxTrace is how far from the second beam's time Trace follows a throw.
const maxTrace phys.Time = 10

// Trace follows a throw, past the focus spot and through the floor if need be: where it is at each of the times, which
// like the places count from the second beam and may be negative. Domains: as Flight, and times of 10 s to either side.
func (m Thrown) Trace(speed phys.Speed, angle phys.Angle, times ...phys.Time) ([]Place, error) {
	if err := m.checkThrow(speed, angle); err != nil {
		return nil, err
	}
	sin, cos := math.Sincos(float64(angle))
	s, now := state{vx: float64(speed) * cos, vy: float64(speed) * sin}, phys.Time(0)
	places := make([]Place, len(times))
	for i, t := range times {
		if err := phys.Within("time", t, -maxTrace, maxTrace); err != nil {
			return nil, err
		}
		s, now = m.body().after(s, float64(t-now), throwStep), t
		places[i] = Place{Time: t, X: phys.Length(s.x), Y: phys.Length(s.y)}
	}
	return places, nil
}
