package shot

import (
	"errors"
	"fmt"
	"math"

	"stillwater/internal/ballistics"
	"stillwater/internal/liquids"
	"stillwater/internal/phys"
	"stillwater/internal/splash"
)

// dropPath is the predicted path of one drop.
type dropPath struct {
	diameter  phys.Length
	start     splash.Start
	beamSpeed phys.Speed         // at the beam
	surface   ballistics.Arrival // from the beam to the surface
	phase     splash.Window      // after the surface
}

// moment is when the phase comes, from the beam.
func (d dropPath) moment() phys.Time { return d.surface.Time + d.phase.Central }

// DropDiameter is the drop's, as measured or computed from nozzle and liquid.
//
// Errors: *FieldError.
func (s Set) DropDiameter() (phys.Length, error) {
	if s.Drop.Diameter > 0 {
		return s.Drop.Diameter, nil
	}
	liquid, err := s.Drop.liquid()
	if err != nil {
		return 0, err
	}
	d, err := splash.DropDiameter(s.Drop.Nozzle, liquid)
	return d, asField(err, "drop.nozzle")
}

func (s Set) dropPath() (dropPath, error) {
	d, err := s.DropDiameter()
	if err != nil {
		return dropPath{}, err
	}
	start, err := s.Drop.start()
	if err != nil {
		return dropPath{}, err
	}
	return s.Drop.dropPath(d, start)
}

// start is how the drop leaves the nozzle.
func (d DropSet) start() (splash.Start, error) {
	liquid, err := d.liquid()
	if err != nil {
		return splash.Start{}, err
	}
	start, err := splash.StartOf(d.Nozzle, liquid)
	return start, asField(err, "drop.nozzle")
}

// liquid is the drop's liquid.
func (d DropSet) liquid() (liquids.Liquid, error) { return liquidNamed("drop.liquid", d.Liquid) }

// pool is the liquid of the pool.
func (d DropSet) pool() (liquids.Liquid, error) {
	if d.PoolLiquid == SameLiquid {
		return d.liquid()
	}
	return liquidNamed("drop.pool_liquid", d.PoolLiquid)
}

func liquidNamed(field, name string) (liquids.Liquid, error) {
	liquid, err := liquids.Named(name)
	if err != nil {
		return liquid, &FieldError{Field: field, Why: err.Error(), Remedy: "name one of the liquids listed"}
	}
	return liquid, nil
}

// when is the window of a phase of this drop's splash. Errors are those of splash.
func (d DropSet) when(p splash.Phase, diameter phys.Length, speed phys.Speed) (splash.Window, error) {
	impact, err := d.impact(diameter, speed)
	if err != nil {
		return splash.Window{}, err
	}
	return splash.When(p, impact)
}

// impact is this drop, of that size, reaching the pool.
func (d DropSet) impact(diameter phys.Length, speed phys.Speed) (splash.Impact, error) {
	liquid, err := d.liquid()
	if err != nil {
		return splash.Impact{}, err
	}
	pool, err := d.pool()
	return splash.Impact{Diameter: diameter, Speed: speed, Drop: liquid, Pool: pool}, err
}

// fall is the fall of the drop's lowest point to a distance below the tip: as from rest at the start's Release.
func (d DropSet) fall(diameter phys.Length, start splash.Start, to phys.Length) (ballistics.Arrival, error) {
	return ballistics.Fall(diameter, max(to-start.Release, 0), 0)
}

// beamToSurface is the fall from the beam to a surface that far below the tip.
func (d DropSet) beamToSurface(size phys.Length, start splash.Start, surface phys.Length) (ballistics.Arrival, error) {
	from := max(d.Beam-start.Release, 0)
	return ballistics.Between(size, from, max(surface-start.Release, from), 0)
}

func (d DropSet) dropPath(diameter phys.Length, start splash.Start) (dropPath, error) {
	size := d.sizeField()
	// Checked before the fall's wider limits: a drop that passed only those would be refused here next.
	if _, err := d.when(d.Phase, diameter, maxWhenSpeed); err != nil {
		return dropPath{}, d.unknownSplash(err, diameter, start, 0)
	}
	first := max(d.Beam-start.Release, 0)
	top, rest, err := ballistics.Through(diameter, first, max(d.Height-start.Release, first), 0)
	if err != nil {
		return dropPath{}, asField(err, size)
	}
	w, err := d.when(d.Phase, diameter, rest.Speed)
	if err != nil {
		return dropPath{}, d.unknownSplash(err, diameter, start, rest.Speed)
	}
	return dropPath{diameter: diameter, start: start, beamSpeed: top.Speed, surface: rest, phase: w}, nil
}

// sizeField is the field that sets the drop's size.
func (d DropSet) sizeField() string {
	if d.Diameter > 0 {
		return "drop.diameter"
	}
	return "drop.nozzle"
}

// maxWhenSpeed is in the domain of splash.When, and fast enough for any drop of its domain to raise a column.
const maxWhenSpeed phys.Speed = 9

// unknownSplash names the field that puts the splash outside the model's domain, and a value that does not.
func (d DropSet) unknownSplash(err error, diameter phys.Length, start splash.Start, speed phys.Speed) error {
	e := &FieldError{Field: "drop.height",
		Why:    fmt.Sprintf("splashes of drops that reach the surface at %.2f m/s cannot be predicted", speed),
		Remedy: "choose another height, or the contact as the moment"}
	domain, none := new(phys.DomainError), new(splash.NoColumnError)
	switch {
	case errors.As(err, &none):
		e.Why = fmt.Sprintf("a drop of %s that reaches the surface at %.2f m/s raises no column", inMm(diameter), speed)
	case !errors.As(err, &domain):
		return asField(err, "drop.phase")
	case domain.Field == "diameter":
		return &FieldError{Field: d.sizeField(),
			Why:    fmt.Sprintf("splashes of drops of %v cannot be predicted", phys.Round(diameter, 2)),
			Remedy: "use a drop of 1 mm to 1 cm; or choose the contact as the moment"}
	}
	for h := d.Height + 1*mm; h < d.Height+20*cm; h += 1 * mm {
		rest, err := d.beamToSurface(diameter, start, h)
		if err != nil {
			break
		}
		if _, err := d.when(d.Phase, diameter, rest.Speed); err == nil {
			e.Remedy = fmt.Sprintf("use at least %v, or choose the contact as the moment", phys.Round(h, 4))
			break
		}
	}
	return e
}

func (t ThrowSet) thrown() ballistics.Thrown {
	return ballistics.Thrown{Diameter: t.Mass, Thickness: t.Thickness}
}

// speed is a throw's speed at the second beam. Errors are those of ballistics.
func (t ThrowSet) speed(interval phys.Time) (phys.Speed, error) {
	return t.thrown().SpeedAtSecondBeam(t.Gate, interval, t.Angle)
}

func (t ThrowSet) flight(v phys.Speed) (ballistics.Pass, error) {
	return t.thrown().Flight(v, t.Angle, t.ToFocus, t.AboveFloor)
}

// delay is the exact delay for an interval.
func (t ThrowSet) delay(interval phys.Time) (phys.Time, error) {
	v, err := t.speed(interval)
	if err != nil {
		return 0, err
	}
	p, err := t.flight(v)
	return p.Time, err
}

// middleDelay is the delay at the middle of the accepted speeds.
func (t ThrowSet) middleDelay() (phys.Time, error) {
	p, err := t.flight((t.SpeedLow + t.SpeedHigh) / 2)
	return p.Time, err
}

// trimFactor is by how much the trim stretches each throw's delay. What is wrong in a throw's plan, the distance or the
// drag, is wrong in proportion to its time: the trim is that of the middle of the accepted speeds, and others get their
// share.
func (s Set) trimFactor() (float64, error) {
	if s.Trim.Throw == 0 {
		return 1, nil
	}
	middle, err := s.Throw.middleDelay()
	if err != nil {
		return 0, s.speedError(err, (s.Throw.SpeedLow+s.Throw.SpeedHigh)/2)
	}
	return 1 + float64(s.Trim.Throw/middle), nil
}

// interval is how long a throw that passes the second beam at v took through the gate: the inverse of speed, which
// decreases up to the interval at which gravity would have stopped the throw.
func (t ThrowSet) interval(v phys.Speed) (phys.Time, error) {
	faster := func(interval phys.Time) (float64, error) {
		u, err := t.speed(interval)
		return float64(u - v), err
	}
	longest := t.maxInterval()
	low := min(phys.Time(float64(t.Gate)/float64(v)), longest)
	for {
		d, err := faster(low)
		if stopped := new(ballistics.IntervalTooLongError); err != nil && !errors.As(err, &stopped) {
			return 0, err
		}
		if err == nil && d >= 0 {
			break
		}
		low /= 1.5
	}
	high := low
	for {
		high = min(high*1.5, longest)
		d, err := faster(high)
		switch {
		case err != nil:
			return 0, err
		case d <= 0:
			return findRoot(low, high, faster)
		case high == longest:
			return 0, &tooSlowError{speed: v, slowest: v + phys.Speed(d)}
		}
		low = high
	}
}

// minFlightSpeed is the slowest throw in the domain of ballistics.Thrown.Flight.
const minFlightSpeed phys.Speed = 0.1

// intervalTooLong reports an interval in which gravity would have stopped a throw, and the longest possible.
func (t ThrowSet) intervalTooLong(interval phys.Time) error {
	most, err := t.interval(minFlightSpeed)
	if err != nil {
		most = t.maxInterval()
	}
	const step = ms / 10 // as it is printed
	most = phys.Time(math.Floor(float64(most/step))) * step
	for v, err := t.speed(most); most > step && (err != nil || v < minFlightSpeed); v, err = t.speed(most) {
		most -= step
	}
	return &FieldError{Field: "interval",
		Why:    fmt.Sprintf("gravity would have stopped a throw that took %v through this gate", interval),
		Remedy: fmt.Sprintf("use %s or less, or measure gate and angle again", inMs(most))}
}

// advice says how to change a throw that falls short: faster, and towards the angle of the longest throw (without air).
func (t ThrowSet) advice(v phys.Speed) string {
	best := math.Atan(float64(v) / math.Sqrt(float64(v*v)+2*phys.Gravity*float64(t.AboveFloor)))
	const about = 3 * degree
	switch off := t.Angle - phys.Angle(best); {
	case off > about:
		return "throw faster or flatter"
	case off < -about && t.Angle < 0:
		return "throw faster or less steeply down"
	case off < -about:
		return "throw faster or steeper"
	}
	return "throw faster"
}

// maxInterval is just under the interval of a throw that gravity all but stopped: upwards at the second beam, downwards
// at the first.
func (t ThrowSet) maxInterval() phys.Time {
	longest := math.Sqrt(2 * float64(t.Gate) / phys.Gravity)
	if t.Angle < 0 {
		sin, cos := math.Sincos(-float64(t.Angle))
		longest = math.Sqrt(2 * float64(t.Gate) / (phys.Gravity * max(sin, cos)))
	}
	return phys.Time(longest * (1 - 1e-6))
}

// tooSlowError reports a speed below that which gravity alone reaches between the beams.
type tooSlowError struct{ speed, slowest phys.Speed }

func (e *tooSlowError) Error() string {
	return fmt.Sprintf("no throw passes the second beam at %.2f m/s: falling through the gate alone makes it %.2f m/s",
		e.speed, e.slowest)
}

// findRoot is the zero of f, positive at low and negative at high, to a nanosecond: false position that halves the
// weight of an end that stays (the Illinois method).
func findRoot(low, high phys.Time, f func(phys.Time) (float64, error)) (phys.Time, error) {
	a, err := f(low)
	if err != nil {
		return 0, err
	}
	b, err := f(high)
	if err != nil {
		return 0, err
	}
	stayed := 0 // +1: high has stayed, -1: low has
	for i := 0; high-low > 1e-9 && a > b && i < 200; i++ {
		mid := low + (high-low)*phys.Time(a/(a-b))
		m, err := f(mid)
		if err != nil || math.Abs(m) < 1e-9 {
			return mid, err
		}
		if m > 0 {
			if stayed > 0 {
				b /= 2
			}
			low, a, stayed = mid, m, 1
		} else {
			if stayed < 0 {
				a /= 2
			}
			high, b, stayed = mid, m, -1
		}
	}
	return (low + high) / 2, nil
}

// asField converts a model's error about an argument to one about the field it came from.
func asField(err error, field string) error {
	if err == nil {
		return nil
	}
	if d := new(phys.DomainError); errors.As(err, &d) {
		return &FieldError{Field: field, Why: fmt.Sprintf("%s %s is outside the model's range", d.Field, d.Value),
			Remedy: "it " + d.Why}
	}
	return &FieldError{Field: field, Why: err.Error(), Remedy: "choose another value"}
}
