package scene

import (
	"time"

	"stillwater/internal/ballistics"
	"stillwater/internal/phys"
	"stillwater/internal/splash"
)

// PhaseAt is the time of a splash's phase.
type PhaseAt struct {
	Phase splash.Phase
	At    time.Duration
}

const (
	dripPeriod      = 180 * time.Millisecond // between the drops of a train
	settleTime      = 500 * time.Millisecond // after the moment, until the room is still again
	splashEndFactor = 1.2                    // the end of a splash, relative to when the column is gone
)

// drip releases a train of drops; the set's n-th is the one to picture.
func (r *Room) drip(f *Flight, rng dice, start time.Duration) error {
	set := f.Set.Drop
	for n := 1; n <= set.Nth; n++ {
		if err := r.drop(f, rng, start, n == set.Nth); err != nil {
			return err
		}
		start += dripPeriod + time.Duration(rng.normal(float64(dripPeriod)/20))
	}
	return nil
}

// drop adds one drop. Times are those of its lowest point, which breaks the beam and touches the surface.
func (r *Room) drop(f *Flight, rng dice, start time.Duration, wanted bool) error {
	set := f.Set.Drop
	d, err := r.dropDiameter(f, rng)
	if err != nil {
		return err
	}
	beam := max(set.Beam+r.beamOffset+phys.Length(rng.normal(float64(r.spreads.DropEdge))), 0)
	broken, err := ballistics.Fall(d, beam, 0)
	if err != nil {
		return err
	}
	clear, err := ballistics.Fall(d, beam+d, 0)
	if err != nil {
		return err
	}
	surface, err := ballistics.Fall(d, set.Height, 0)
	if err != nil {
		return err
	}
	f.addPass(rng, Beam, r.stamp(rng, start, broken.Time), r.stamp(rng, start, clear.Time))
	if !wanted {
		return nil
	}
	f.Diameter, f.Speed, f.Contact = d, surface.Speed, start+surface.Time.Duration()
	return r.addSplash(f, rng)
}

func (r *Room) dropDiameter(f *Flight, rng dice) (phys.Length, error) {
	d := f.Set.Drop.Diameter
	if d == 0 {
		liquid, err := splash.LiquidNamed(f.Set.Drop.Liquid)
		if err != nil {
			return 0, err
		}
		if d, err = splash.DropDiameter(f.Set.Drop.Nozzle, liquid); err != nil {
			return 0, err
		}
		d *= phys.Length(1 + r.sizeExcess)
	}
	return d * phys.Length(1+rng.normal(r.spreads.DropDiameter)), nil
}

// addSplash draws the times of this splash's phases. A room's splashes have one position in the published bands, which
// a person can learn; each differs slightly.
func (r *Room) addSplash(f *Flight, rng dice) error {
	own := 1 + rng.normal(r.spreads.PhaseTime)
	for _, phase := range splash.Phases() {
		w, err := splash.When(phase, f.Diameter, f.Speed)
		if err != nil {
			return err
		}
		after := (w.Low + phys.Time(r.bandPosition)*(w.High-w.Low)) * phys.Time(own)
		at := PhaseAt{phase, f.Contact + after.Duration()}
		f.Phases = append(f.Phases, at)
		if phase == f.Set.Drop.Phase {
			f.Best, f.Arrives = at.At, true
		}
	}
	f.Ends = f.splashEnd() + settleTime
	return nil
}

// splashEnd is when the surface is flat again.
func (f *Flight) splashEnd() time.Duration {
	last := f.Phases[len(f.Phases)-1].At
	return f.Contact + time.Duration(splashEndFactor*float64(last-f.Contact))
}
