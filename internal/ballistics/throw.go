package ballistics

import "stillwater/internal/phys"

// Pass is how a thrown mass passes the focus spot.
type Pass struct {
	Time  phys.Time   // from the second beam
	Speed phys.Speed  // there
	Rise  phys.Length // height above the second beam, below is negative
	Angle phys.Angle  // of the path there, above level
}

// ShortError says that a throw reaches the floor before the focus spot.
type ShortError struct {
	Short phys.Length // by how much level distance it falls short
	Reach phys.Length // level distance at which it reaches the floor
	After phys.Time   // when it does
}

func (e *ShortError) Error() string { return "short by " + e.Short.String() }

// StoppedError says that gravity would have stopped or turned a mass between the beams.
type StoppedError struct {
	Interval phys.Time // given
	Longest  phys.Time // the longest interval this gate and angle allow
}

func (e *StoppedError) Error() string { return "stopped" }

// DomainError says which argument is outside what the models hold for.
type DomainError struct {
	Field string // "diameter", "height", "interval", ...
	Value string // as given, with its unit
	Why   string // what is accepted
}

func (e *DomainError) Error() string { return e.Field + " " + e.Value + ": " + e.Why }

// SpeedAtSecondBeam is the speed at the second beam of a mass that took interval between two beams gate apart.
func SpeedAtSecondBeam(gate phys.Length, interval phys.Time, angle phys.Angle, mass phys.Length) (phys.Speed, error) {
	return 0, nil
}

// Flight is the flight from the second beam to the focus spot, toFocus away in level distance.
func Flight(speed phys.Speed, angle phys.Angle, toFocus, mass, aboveFloor phys.Length) (Pass, error) {
	return Pass{}, nil
}

// FlightPer is how Flight's time changes: seconds per m/s and seconds per radian.
func FlightPer(speed phys.Speed, angle phys.Angle, toFocus, mass, aboveFloor phys.Length) (perSpeed, perAngle float64,
	err error) {
	return 0, 0, nil
}
