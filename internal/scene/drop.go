package scene

import (
	"math"
	"time"

	"stillwater/internal/ballistics"
	"stillwater/internal/phys"
	"stillwater/internal/shot"
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
	leaves, err := leaveNozzle(set, d)
	if err != nil {
		return err
	}
	beam := set.Beam + r.beamOffset + phys.Length(rng.normal(float64(r.spreads.DropEdge)))
	broken, err := leaves.fall(beam)
	if err != nil {
		return err
	}
	clear, err := leaves.fall(beam + d)
	if err != nil {
		return err
	}
	surface, err := leaves.fall(set.Height)
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

// leaving is a drop as it lets go of the nozzle.
type leaving struct {
	diameter, lowest phys.Length // lowest: below the tip, once the drop is round
	speed            phys.Speed
}

// leaveNozzle has the centre of the drop and its speed as it lets go, where shot has the one height from which it would
// have fallen: powers of the tip's radius in capillary lengths, within 3 % of what a one-dimensional model of the
// necking gives (the test of package splash has it) from 1.5 to 7 mm of water.
func leaveNozzle(set shot.DropSet, diameter phys.Length) (leaving, error) {
	liquid, err := splash.LiquidNamed(set.Liquid)
	if err != nil {
		return leaving{}, err
	}
	unit := math.Sqrt(float64(liquid.SurfaceTension) / (float64(liquid.Density) * phys.Gravity))
	tip := float64(set.Nozzle) / 2 / unit
	centre := unit * 3.6 * math.Pow(tip, 0.75)
	speed := math.Sqrt(phys.Gravity*unit) * 1.45 * math.Pow(tip, 0.9)
	return leaving{diameter, phys.Length(centre) + diameter/2, phys.Speed(speed)}, nil
}

// fall is the fall to a distance below the tip.
func (l leaving) fall(to phys.Length) (ballistics.Arrival, error) {
	return ballistics.Fall(l.diameter, max(to-l.lowest, 0), l.speed)
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
