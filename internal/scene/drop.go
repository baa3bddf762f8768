package scene

import (
	"math"
	"time"

	"stillwater/internal/ballistics"
	"stillwater/internal/liquids"
	"stillwater/internal/phys"
	"stillwater/internal/shot"
	"stillwater/internal/splash"
)

// PhaseAt is the time of a splash's phase.
type PhaseAt struct {
	Phase splash.Phase
	At    time.Duration
}

// Own choice, no source.
const (
	dripPeriod      = 180 * time.Millisecond // between the drops of a train
	settleTime      = 500 * time.Millisecond // after the moment, until the room is still again
	splashEndFactor = 1.2                    // the end of a splash, relative to when the column is gone
)

// drip releases a train of drops; the set's n-th is the one to picture.
func (r *Room) drip(f *Flight, rng dice, start time.Duration) error {
	set := f.Set.Drop
	for n := 1; n <= set.Nth; n++ {
		if err := r.drop(f, rng, start, n); err != nil {
			return err
		}
		start += dripPeriod + time.Duration(rng.normal(float64(dripPeriod)/20))
	}
	return nil
}

// drop adds the n-th drop. Times are those of its lowest point, which breaks the beam and touches the surface.
func (r *Room) drop(f *Flight, rng dice, start time.Duration, n int) error {
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
	if err := r.addDrop(f, rng, n, leaves, start, beam, r.dropIn(f, n, d)); err != nil {
		return err
	}
	surface, err := leaves.fall(set.Height)
	if err != nil {
		return err
	}
	if n < set.Nth {
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
	liquid, err := liquids.Named(set.Liquid)
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
		liquid, err := liquids.Named(f.Set.Drop.Liquid)
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

// timed is when splashes showed a phase, in units of tau = sqrt(R/g) of the crater's radius R: the earliest and the
// latest of A. M. Worthington's series (A Study of Splashes, 1908; The Splash of a Drop, 1895), each widened by the
// 2 ms that he states for an error. That was for craters of 14 to 22 mm, b = sigma/(rho g R²) about 0.025; smaller
// ones take b/0.025 to the power small of that: from what was printed of 5 mm drops in 2025 for a column that is gone,
// the others this room's own choice.
type timed struct {
	phase            splash.Phase
	low, high, small float64
	column           bool
}

func timedPhases() []timed {
	return []timed{
		{phase: splash.Contact},
		{phase: splash.CrownHighest, low: 0.10, high: 0.70},
		{phase: splash.CraterDeepest, low: 0.30, high: 1.10},
		{phase: splash.ColumnEmerges, low: 1.20, high: 1.90, small: -0.05, column: true},
		{phase: splash.ColumnHighest, low: 2.65, high: 3.55, small: -0.2, column: true},
		{phase: splash.ColumnGone, low: 4.50, high: 5.80, small: -0.25, column: true},
	}
}

// columnSpeedRoot is the root of the Weber number below which this room's drops raise no column.
const columnSpeedRoot = 8

// liquidsOf returns the liquids of a drop and of the pool.
func liquidsOf(drop, pool string) (ofDrop, ofPool liquids.Liquid, err error) {
	if ofDrop, err = liquids.Named(drop); err != nil || pool == shot.SameLiquid {
		return ofDrop, ofDrop, err
	}
	ofPool, err = liquids.Named(pool)
	return ofDrop, ofPool, err
}

// addSplash draws the times of this splash's phases. A room's splashes have one position between the earliest and the
// latest that were printed, which a person can learn; each differs slightly.
func (r *Room) addSplash(f *Flight, rng dice) error {
	set := f.Set.Drop
	liquid, pool, err := liquidsOf(set.Liquid, set.PoolLiquid)
	if err != nil {
		return err
	}
	d, v := float64(f.Diameter), float64(f.Speed)
	capillary := float64(pool.SurfaceTension) / float64(pool.Density)
	crater := math.Pow(float64(liquid.Density/pool.Density)*d*d*d*v*v/(3*phys.Gravity), 0.25)
	f.crater, f.capillary = crater, capillary
	tau := f.tau()
	b := capillary / (phys.Gravity * crater * crater)
	own := 1 + rng.normal(r.spreads.PhaseTime)
	for _, p := range timedPhases() {
		if p.column && v*math.Sqrt(d/capillary) < columnSpeedRoot {
			continue
		}
		ratio := (p.low + r.bandPosition*(p.high-p.low)) * math.Pow(b/0.025, p.small)
		at := PhaseAt{p.phase, f.Contact + phys.Time(ratio*tau*own).Duration()}
		f.Phases = append(f.Phases, at)
		if p.phase == f.Set.Drop.Phase {
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
