package shot

import (
	"errors"

	"stillwater/internal/ballistics"
	"stillwater/internal/phys"
)

// Place is where the liquid is at a time after the clock's edge, X forward and Y up: a throw from the second beam, a
// drop from the nozzle's tip, what is heard from the sound's source.
type Place = ballistics.Place

// Path is the predicted way of one throw.
type Path struct {
	Speed   phys.Speed // at the second beam
	Places  []Place    // from the second beam to the focus spot or, if it falls short, to the floor
	Arrives bool       // at the focus spot
}

// ThrowPath is the way of a throw that passes the second beam at v, in so many steps.
//
// Errors: *FieldError.
func (s Set) ThrowPath(v phys.Speed, steps int) (Path, error) {
	if err := s.checkFields(); err != nil {
		return Path{}, err
	}
	t := s.Throw
	pass, err := t.flight(v)
	short := new(ballistics.FallsShortError)
	if err != nil && !errors.As(err, &short) {
		return Path{}, s.speedError(err, v)
	}
	p := Path{Speed: v, Arrives: err == nil}
	p.Places, err = t.trace(v, 0, max(pass.Time, short.After), steps)
	return p, err
}

// ThrowToGate is the way of an estimated throw from the first beam to the second, in so many steps.
//
// Errors: *FieldError.
func (s Set) ThrowToGate(e Estimate, steps int) ([]Place, error) {
	return s.Throw.trace(e.Speed, -e.Interval, 0, steps)
}

// trace is a throw's way from one time to another.
func (t ThrowSet) trace(v phys.Speed, from, to phys.Time, steps int) ([]Place, error) {
	times := make([]phys.Time, steps+1)
	for i := range times {
		times[i] = from + (to-from)*phys.Time(i)/phys.Time(steps)
	}
	places, err := t.thrown().Trace(v, t.Angle, times...)
	return places, asField(err, "throw.speed_low")
}

// LiquidAt is where the liquid of an estimated shot is at a time after the clock's edge: a drop's lowest point, at the
// surface once it has reached it, and what makes a sound at its source.
//
// Errors: *FieldError, also for a drop that has not left the nozzle by then.
func (s Set) LiquidAt(e Estimate, t phys.Time) (Place, error) {
	switch s.Kind {
	case Throw:
		places, err := s.Throw.thrown().Trace(e.Speed, s.Throw.Angle, t)
		if err != nil {
			return Place{}, asField(err, "trim.throw")
		}
		return places[0], nil
	case Sound:
		return Place{Time: t}, nil
	}
	if t >= e.EdgeToSurface {
		return Place{Time: t, Y: -s.Drop.Height}, nil
	}
	start, err := s.Drop.start()
	if err != nil {
		return Place{}, err
	}
	toBeam, err := s.Drop.fall(e.Diameter, start, s.Drop.Beam)
	if err != nil {
		return Place{}, asField(err, s.Drop.sizeField())
	}
	fallen, err := ballistics.Fallen(e.Diameter, toBeam.Time+t)
	return Place{Time: t, Y: -min(start.Release+fallen, s.Drop.Height)}, asField(err, "trim.drop")
}
