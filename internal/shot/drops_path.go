package shot

import (
	"errors"
	"math"

	"stillwater/internal/ballistics"
	"stillwater/internal/liquids"
	"stillwater/internal/phys"
	"stillwater/internal/splash"
	"stillwater/internal/valve"
)

// DropsPath is where drops on command are, and when. Times count from Go.
type DropsPath struct {
	Count   int
	Drops   [maxCount]FallingDrop
	Column  splash.Column // of the first drop, in a collision
	Meeting Meeting       // of a collision
	Moment  phys.Time     // without the trim
	Clock   int           // the drop whose edge starts the delay, from 0

	gains float64 // what the second drop gains above the surface, m/s²: see approach
}

// FallingDrop is one drop on command, from the opening of its valve to the surface.
type FallingDrop struct {
	Opening
	On        phys.Time // the valve is switched on
	Volume    phys.Volume
	Diameter  phys.Length
	Stays     phys.Volume // on the tip, for the next drop to begin with
	FromDry   phys.Volume // what would fall from a tip that is not full yet; 0: nothing
	Falls     phys.Time   // from then it moves as if released at rest, below the tip
	PinchOff  phys.Time   // from the tip: until then it takes what flows
	Necks     phys.Time   // how long its neck held
	Beam      phys.Time
	BeamSpeed phys.Speed
	Lands     phys.Time // or would, if it met no column
	Speed     phys.Speed
}

// Meeting is where the second drop meets the column of the first.
type Meeting struct {
	At          phys.Time
	Height      phys.Length // above the surface
	DropSpeed   phys.Speed
	ColumnSpeed phys.Speed // upwards
	Widest      phys.Time  // of the sheet, after At
}

// deviation is by what a shot differs from its plan.
type deviation struct {
	release [maxCount]phys.Time // of each drop, later
	volume  [maxCount]float64   // of each drop, a part of it
	start   phys.Length         // of where drops begin to fall, lower
	beam    phys.Length         // of the beam's place, lower
	column  float64             // of the column's times, a logarithm
	splash  float64             // of when it emerges; it then rises as fast as it does: a logarithm
	emerges float64             // of when it emerges, its highest where it was, a logarithm
	tall    float64             // of its height, a logarithm
	sheet   float64             // of the sheet's time, a logarithm
}

// valve is the valve of these drops.
func (d DropsSet) valve() (valve.Valve, error) {
	liquid, err := liquids.Named(d.Liquid)
	if err != nil {
		return valve.Valve{}, &FieldError{Field: "drops.liquid", Why: err.Error(), Remedy: "name one of the liquids listed"}
	}
	weighed, err := valve.ParseWeighings(string(d.Weighed))
	if err != nil {
		return valve.Valve{}, &FieldError{Field: "drops.weighed", Why: err.Error(), Remedy: "weigh again"}
	}
	return valve.Valve{Tip: d.Tip, Bore: d.Bore, Head: d.Head, Discharge: float64(d.Discharge), Opens: d.Opens,
		Closes: d.Closes, Liquid: liquid, Weighed: weighed}, nil
}

// DropsPath predicts the drops on command.
//
// Errors: *FieldError or *Refusal.
func (s Set) DropsPath() (DropsPath, error) {
	path, err := s.dropsPath()
	if t := new(problem); errors.As(err, &t) {
		err = t.refusal(s, func(s Set) error { _, err := s.dropsPath(); return err })
	}
	return path, err
}

// dropsPath is DropsPath with refusals as *problem.
func (s Set) dropsPath() (DropsPath, error) {
	if err := s.Drops.checkTogether(); err != nil {
		return DropsPath{}, err
	}
	if err := s.checkOpenings(); err != nil {
		return DropsPath{}, err
	}
	if err := s.checkGapsGiven(); err != nil {
		return DropsPath{}, err
	}
	on, err := s.switchOn()
	if err != nil {
		return DropsPath{}, err
	}
	path, err := s.Drops.path(on)
	if err != nil {
		return DropsPath{}, s.Drops.pathError(err)
	}
	return path, s.checkPath(path)
}

// switchOn is when each valve is switched on. The second one's time in a collision is worked out: the column is at the
// height wanted when the drop is there.
func (s Set) switchOn() (on [maxCount]phys.Time, err error) {
	d := s.Drops
	for i, o := range d.openings() {
		on[i] = o.Gap
		if i > 0 {
			on[i] += on[i-1]
		}
		if i == 1 && o.Gap == 0 {
			if on[1], err = s.onToMeet(on[0]); err != nil {
				return on, err
			}
			on[1] += d.GapTrim
		}
	}
	return on, nil
}

// onToMeet is when the second valve is switched on so that its drop meets the column where it is wanted.
func (s Set) onToMeet(first phys.Time) (phys.Time, error) {
	d := s.Drops
	a, err := d.fallingDrop(0, first, deviation{})
	if err != nil {
		return 0, d.pathError(err)
	}
	b, err := d.fallingDrop(1, 0, deviation{})
	if err != nil {
		return 0, d.pathError(err)
	}
	column, err := d.columnOf(a, deviation{})
	if err != nil {
		return 0, d.pathError(err)
	}
	passes, err := column.Passes(d.Meet, d.Column == ColumnRising)
	if err != nil {
		return 0, s.meetProblem(err, column)
	}
	arrives, err := d.arrival(b, d.Meet, deviation{})
	if err != nil {
		return 0, d.pathError(err)
	}
	return a.Lands + passes - arrives.Time, nil
}

// path follows the drops of valves that are switched on at those times.
func (d DropsSet) path(on [maxCount]phys.Time) (DropsPath, error) {
	p := DropsPath{Count: d.Count, Clock: d.Count - 1}
	for i := range d.Count {
		var err error
		if p.Drops[i], err = d.fallingDrop(i, on[i], deviation{}); err != nil {
			return DropsPath{}, err
		}
	}
	if d.Want == WantCollision {
		p.Clock = 1
	}
	return d.splashes(p, deviation{})
}

// deviating follows the drops of a path when they deviate from it.
func (d DropsSet) deviating(p DropsPath, off deviation) (DropsPath, error) {
	for i := range p.Count {
		var err error
		if p.Drops[i], err = d.deviatingDrop(p.Drops[i], i, off); err != nil {
			return DropsPath{}, err
		}
	}
	return d.splashes(p, off)
}

// deviatingDrop is a drop of a path when it deviates from it.
func (d DropsSet) deviatingDrop(f FallingDrop, i int, off deviation) (FallingDrop, error) {
	if off.volume[i] != 0 || off.start != 0 || off.beam != 0 {
		return d.fallingDrop(i, f.On, off)
	}
	later := off.release[i]
	f.Falls, f.PinchOff, f.Beam, f.Lands = f.Falls+later, f.PinchOff+later, f.Beam+later, f.Lands+later
	return f, nil
}

// splashes adds to falling drops what they do in the pool.
func (d DropsSet) splashes(p DropsPath, off deviation) (DropsPath, error) {
	if d.Want == WantPhase {
		last := p.Drops[p.Clock]
		w, err := splash.When(d.Phase, d.impact(last.Diameter, last.Speed))
		p.Moment = last.Lands + w.Central*phys.Time(math.Exp(off.column))
		return p, err
	}
	var err error
	if p.Column, err = d.columnOf(p.Drops[0], off); err != nil {
		return DropsPath{}, err
	}
	if d.Second.Gap == 0 { // who trims the gap has seen that the column comes later than published
		p.Column = p.Column.Later(d.GapTrim)
	}
	if p.gains == 0 {
		if p.gains, err = d.approach(p.Drops[1], min(p.Column.Height, d.Height)); err != nil {
			return DropsPath{}, err
		}
		if meets := d.meeting(p, off).Height; meets > 1*mm { // from there on, which matters for tall columns
			if p.gains, err = d.approach(p.Drops[1], meets); err != nil {
				return DropsPath{}, err
			}
		}
	}
	p.Meeting = d.meeting(p, off)
	p.Moment = p.Meeting.At
	switch d.Sheet {
	case SheetOpening:
		p.Moment += p.Meeting.Widest / 2
	case SheetWidest:
		p.Moment += p.Meeting.Widest
	}
	return p, nil
}

// liquid is the drops' liquid, whose name was checked.
func (d DropsSet) liquid() liquids.Liquid {
	liquid, _ := liquids.Named(d.Liquid)
	return liquid
}

// pool is the liquid of the pool. Its name was checked.
func (d DropsSet) pool() liquids.Liquid {
	if d.PoolLiquid == SameLiquid {
		return d.liquid()
	}
	liquid, _ := liquids.Named(d.PoolLiquid)
	return liquid
}

// fallingDrop is the drop of an opening that begins then.
func (d DropsSet) fallingDrop(i int, on phys.Time, off deviation) (FallingDrop, error) {
	o := d.openings()[i]
	v, err := d.valve()
	if err != nil {
		return FallingDrop{}, err
	}
	drop, err := v.Deviating(o.Open, off.volume[i])
	if err != nil {
		return FallingDrop{}, err
	}
	f := FallingDrop{Opening: o, On: on, Volume: drop.Volume, Diameter: drop.Diameter, Stays: drop.Stays,
		FromDry: drop.FromDry,
		Falls:   on + drop.Falls + off.release[i], PinchOff: on + drop.PinchOff + off.release[i], Necks: drop.Necks}
	from := drop.Start.Release + off.start
	beam := max(min(d.Beam+off.beam, d.Height)-from, 0)
	top, rest, err := ballistics.Through(f.Diameter, beam, max(d.Height-from, beam), 0)
	if err != nil {
		return FallingDrop{}, err
	}
	f.Beam, f.BeamSpeed = f.Falls+top.Time, top.Speed
	f.Lands, f.Speed = f.Beam+rest.Time, rest.Speed
	return f, nil
}

// arrival is when a drop is at a height above the surface, and how fast.
func (d DropsSet) arrival(f FallingDrop, height phys.Length, off deviation) (ballistics.Arrival, error) {
	start, err := splash.StartOf(d.Tip, d.liquid())
	if err != nil {
		return ballistics.Arrival{}, err
	}
	a, err := ballistics.Fall(f.Diameter, max(d.Height-height-start.Release-off.start, 0), 0)
	a.Time += f.Falls
	return a, err
}

// heightAt is how far above the surface a drop's lowest point is at a time; not above the tip, nor below the surface.
func (d DropsSet) heightAt(f FallingDrop, at phys.Time) (phys.Length, error) {
	low, high := phys.Length(0), d.Height
	for high-low > 0.1*mm {
		middle := (low + high) / 2
		there, err := d.arrival(f, middle, deviation{})
		if err != nil {
			return 0, asField(err, "drops.height")
		}
		if there.Time > at { // it is still above
			low = middle
		} else {
			high = middle
		}
	}
	return (low + high) / 2, nil
}

// columnOf is the column of a drop's splash.
func (d DropsSet) columnOf(f FallingDrop, off deviation) (splash.Column, error) {
	c, err := splash.ColumnOf(d.impact(f.Diameter, f.Speed))
	if err != nil {
		return c, err
	}
	if d.ColumnHeight > 0 {
		c = c.Measured(d.ColumnHeight, measuredSpread)
	}
	if d.ColumnTime > 0 {
		if c, err = c.HighestAt(d.ColumnTime); err != nil {
			return c, &problem{field: "drops.column_time", why: err.Error(), fixes: []fix{{field: "drops.column_time",
				choice: "0 s", holds: dropsHold, format: "leave out the time to have it estimated"}},
				fallback: "measure again, from contact"}
		}
	}
	c = c.Emerging(off.emerges).Scaled(off.column, off.tall)
	return c.Later(c.Emerges * phys.Time(math.Expm1(off.splash))), nil
}

// approach is what the second drop gains in speed, in m/s², on its way from a height to the surface: what drag leaves
// of gravity, taken as even over that way. It hardly depends on what else deviates.
func (d DropsSet) approach(second FallingDrop, high phys.Length) (float64, error) {
	above, err := d.arrival(second, high, deviation{})
	if err != nil {
		return 0, asField(err, "drops.height")
	}
	takes := float64(second.Lands - above.Time)
	return 2 * (float64(second.Speed)*takes - float64(high)) / (takes * takes), nil
}

// meeting finds the height at which the second drop meets the tip of the column. A drop falls faster than a column
// sinks, so there is one; where there is no column it is the surface.
func (d DropsSet) meeting(p DropsPath, off deviation) Meeting {
	first, second := p.Drops[0], p.Drops[1]
	v := float64(second.Speed)
	low, high := phys.Length(0), min(p.Column.Height, d.Height, phys.Length(v*v/(2*p.gains)))
	speed := func(h phys.Length) float64 { return math.Sqrt(max(v*v-2*p.gains*float64(h), 0)) }
	arrives := func(h phys.Length) phys.Time { return second.Lands - phys.Time((v-speed(h))/p.gains) }
	for range 24 {
		if middle := (low + high) / 2; p.Column.TipAt(arrives(middle)-first.Lands) > middle {
			low = middle
		} else {
			high = middle
		}
	}
	height := (low + high) / 2
	at := arrives(height)
	widest, _ := splash.SheetWidest(second.Diameter, d.liquid())
	return Meeting{At: at, Height: height, DropSpeed: phys.Speed(speed(height)),
		ColumnSpeed: p.Column.SpeedAt(at - first.Lands), Widest: widest * phys.Time(math.Exp(off.sheet))}
}

// impact is a drop that reaches the pool.
func (d DropsSet) impact(diameter phys.Length, speed phys.Speed) splash.Impact {
	return splash.Impact{Diameter: diameter, Speed: speed, Drop: d.liquid(), Pool: d.pool()}
}
