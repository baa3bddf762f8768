package ballistics

import "stillwater/internal/phys"

// Model is a drag model of a falling drop.
type Model int

const (
	Central   Model = iota // sphere drag blended with flattening up to the measured terminal speed
	Quadratic              // the drag coefficient at terminal speed throughout
	Sphere                 // a rigid sphere
)

// Arrival is when something gets there, and how fast it then is.
type Arrival struct {
	Time  phys.Time
	Speed phys.Speed
}

// TerminalSpeed is the terminal speed of a water drop of diameter d, 0.1 to 5.8 mm.
func TerminalSpeed(d phys.Length) (phys.Speed, error) { return 0, nil }

// Fall is the fall of a drop of diameter d through height, from speed v0, with the central model.
func Fall(d, height phys.Length, v0 phys.Speed) (Arrival, error) {
	return FallWith(Central, d, height, v0)
}

// FallWith is Fall with a chosen drag model.
func FallWith(m Model, d, height phys.Length, v0 phys.Speed) (Arrival, error) { return Arrival{}, nil }

// Between is the fall between two distances below the nozzle, from speed v0 at the nozzle: the time between them and
// the speed at to.
func Between(d, from, to phys.Length, v0 phys.Speed) (Arrival, error) { return Arrival{}, nil }

// Spread is Between with every model: the earliest and the latest of the models.
func Spread(d, from, to phys.Length, v0 phys.Speed) (early, late Arrival, err error) { return }

// BetweenPerDiameter is d(Between's time)/d(diameter), in seconds per metre.
func BetweenPerDiameter(d, from, to phys.Length, v0 phys.Speed) (float64, error) { return 0, nil }
