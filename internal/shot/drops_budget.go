package shot

import (
	"fmt"
	"math"

	"stillwater/internal/ballistics"
	"stillwater/internal/phys"
	"stillwater/internal/splash"
)

// How well a person measures a column in a few pictures: its height, and when it is highest, where it hardly moves for
// some milliseconds. Common practice, no source.
const (
	measuredSpread = 0.1
	measuredTime   = 0.04
)

// Names of the terms of drops on command that others look up.
const (
	termLetGo  = "when drops let go, from drop to drop"
	termVolume = "size of drops from opening to opening"
	termColumn = "the column, from shot to shot"
	termHeight = "height of the column, as published or measured"
	termTime   = "when the column is highest, as measured"
)

// scatter is one independent cause of deviations.
type scatter struct {
	name   string
	steady bool
	apply  func(off *deviation, sign float64) // one standard deviation to either side
}

// scatters are the causes in a set of drops on command.
func (d DropsSet) scatters(p DropsPath, spread Spread) []scatter {
	var all []scatter
	for i := range p.Count {
		all = append(all, scatter{termLetGo, false, func(off *deviation, sign float64) {
			off.release[i] += phys.Time(sign) * spread.ValveTime
		}})
		all = append(all, d.volumes(p, i, spread.ValveVolume)...)
	}
	known := spread.ValveFlow
	if d.Weighed != "" {
		known = spread.Weighed
	}
	volumes := func(off *deviation, sign float64) {
		for i := range p.Count {
			off.volume[i] += sign * known
		}
	}
	lets := func(off *deviation, sign float64) { // the longer they take, the later they are
		for i, drop := range p.Drops[:p.Count] {
			off.release[i] += phys.Time(sign*spread.LetsGo) * (drop.Falls - drop.On)
		}
	}
	start, _ := splash.StartOf(d.Tip, d.liquid())
	all = append(all,
		scatter{"flow of the valve, as computed or weighed", true, volumes},
		scatter{"when drops let go, as computed", true, lets},
		scatter{termStart, true, func(off *deviation, sign float64) { off.start += phys.Length(sign) * start.Spread }})
	if d.From == FromBeam {
		all = append(all, scatter{termBeam, true, func(off *deviation,
			sign float64) {
			off.beam += phys.Length(sign) * spread.BeamPlace
		}})
	}
	if d.Want == WantPhase {
		w, _ := splash.When(d.Phase, d.impact(p.clockDrop().Diameter, p.clockDrop().Speed))
		return append(all,
			scatter{"splash, from shot to shot", false, func(off *deviation,
				sign float64) {
				off.column += sign * spread.Splash
			}},
			scatter{termSplash, true, func(off *deviation, sign float64) { off.column += sign * w.Spread }})
	}
	_, widest := splash.SheetWidest(p.Drops[1].Diameter, d.liquid())
	c := p.Column
	all = append(all, d.columnTimes(c)...)
	return append(all,
		scatter{termColumn, false, func(off *deviation, sign float64) { off.tall += sign * spread.Column }},
		scatter{termColumn, false, func(off *deviation, sign float64) { off.splash += sign * spread.Splash }},
		scatter{"the sheet, from shot to shot", false, func(off *deviation,
			sign float64) {
			off.sheet += sign * spread.Sheet
		}},
		scatter{termHeight, true, func(off *deviation, sign float64) { off.tall += sign * c.Spread }},
		scatter{"the sheet, as published", true, func(off *deviation, sign float64) { off.sheet += sign * widest }})
}

// volumes are the causes that have an opening let out more or less: the valve opens sooner or later, and it closes
// later or sooner. Either does as much (own choice); what closes later lets its last liquid out later, too.
func (d DropsSet) volumes(p DropsPath, i int, spread float64) []scatter {
	part := spread / math.Sqrt2
	var lasts phys.Time // for how long that much flows
	if v, err := d.valve(); err == nil {
		if drop, err := v.Drop(p.Drops[i].Open); err == nil {
			lasts = phys.Time(part * float64(drop.Volume) / float64(drop.Flow))
		}
	}
	return []scatter{
		{termVolume, false, func(off *deviation, sign float64) { off.volume[i] += sign * part }},
		{termVolume, false, func(off *deviation, sign float64) {
			off.volume[i] += sign * part
			off.release[i] += phys.Time(sign) * lasts
		}},
	}
}

// columnTimes are the causes that have the column come late or early in all shots. As published all its times do; where
// its highest was measured it is known when, and not as well when it emerged.
func (d DropsSet) columnTimes(c splash.Column) []scatter {
	published := scatter{termSplash, true, func(off *deviation, sign float64) { off.column += sign * c.TimeSpread }}
	if d.ColumnTime == 0 {
		return []scatter{published}
	}
	published.apply = func(off *deviation, sign float64) { off.emerges += sign * c.TimeSpread }
	return []scatter{published,
		{termTime, true, func(off *deviation, sign float64) { off.column += sign * measuredTime }}}
}

// deviated is by how much later the moment comes after what starts the delay, how much higher the drops meet, and how
// much later the edge comes after Go, in a shot that deviates from a path.
type deviated struct {
	moment, edge phys.Time
	height       phys.Length
	meets        bool
}

func (d DropsSet) deviate(p DropsPath, off deviation) (deviated, error) {
	q, err := d.deviating(p, off)
	if err != nil {
		return deviated{}, err
	}
	return deviated{moment: d.fromClock(q, q.Moment) - d.fromClock(p, p.Moment),
		edge: q.clockDrop().Beam - p.clockDrop().Beam, height: q.Meeting.Height - p.Meeting.Height,
		meets: q.Meeting.Height > minMeeting}, nil
}

// minMeeting is the height below which the two meet at the surface: own choice.
const minMeeting = 0.1 * mm

// sd is what a cause does, as a standard deviation: half of the difference between its two sides. Where a plan is at
// the edge of what can be predicted, one side may be beyond it: then it is what the other does.
func (d DropsSet) sd(p DropsPath, s scatter) (deviated, error) {
	side := func(sign float64) (deviated, error) {
		var off deviation
		s.apply(&off, sign)
		return d.deviate(p, off)
	}
	more, err := side(1)
	less, lessErr := side(-1)
	switch {
	case err != nil && lessErr != nil:
		return deviated{}, err
	case err != nil:
		return deviated{moment: -less.moment, edge: -less.edge, height: -less.height}, nil
	case lessErr != nil:
		return more, nil
	}
	return deviated{moment: (more.moment - less.moment) / 2, edge: (more.edge - less.edge) / 2,
		height: (more.height - less.height) / 2}, nil
}

// edgeSpread is the standard deviation of the edge's time after Go: of all causes together, and of those that differ
// from shot to shot.
func (d DropsSet) edgeSpread(p DropsPath, spread Spread) (all, again phys.Time, err error) {
	for _, s := range d.scatters(p, spread) {
		var more, less deviation
		s.apply(&more, 1)
		s.apply(&less, -1)
		f, err := d.deviatingDrop(p.clockDrop(), p.Clock, more)
		if err != nil {
			f, err = d.deviatingDrop(p.clockDrop(), p.Clock, less)
		}
		if err != nil {
			return 0, 0, d.pathError(err)
		}
		edge := float64(f.Beam - p.clockDrop().Beam)
		all = phys.Time(math.Hypot(float64(all), edge))
		if !s.steady {
			again = phys.Time(math.Hypot(float64(again), edge))
		}
	}
	return all, again, nil
}

// dropsErrors is the budget of drops on command. Displaced is by how much the height differs at which they meet; of a
// phase it is as for a falling drop.
func (s Set) dropsErrors(e Estimate, spread Spread, tick phys.Time) (Budget, error) {
	d, p := s.Drops, e.Drops
	var b Budget
	var first, again meetings
	for _, cause := range d.scatters(p, spread) {
		x, err := d.sd(p, cause)
		if err != nil {
			return Budget{}, d.pathError(err)
		}
		t := Term{Name: cause.name, Systematic: cause.steady, Mistiming: phys.Time(math.Abs(float64(x.moment))),
			Displaced: phys.Length(math.Abs(float64(x.height)))}
		first.add(cause, x)
		if !cause.steady {
			again.add(cause, x)
		}
		if n := len(b.Terms); n > 0 && b.term(t.Name).Name != "" {
			b.join(t)
			continue
		}
		b.add(t)
	}
	early, late, err := ballistics.Spread(p.clockDrop().Diameter, 0, d.Height, 0)
	if err != nil {
		return Budget{}, asField(err, "drops.height")
	}
	b.add(Term{Name: "model of the fall", Mistiming: (late.Time - early.Time) * phys.Time(uniform), Systematic: true})
	if d.From == FromBeam {
		drop := p.clockDrop()
		passing := func(l phys.Length) phys.Time { return phys.Time(float64(l) / float64(drop.BeamSpeed)) }
		onDrop, depth, note := spread.onDrop(s.Beam, drop.Diameter)
		b.add(Term{Name: termOnDrop, Note: note, Mistiming: passing(onDrop)})
		b.add(Term{Name: termDepth, Note: note, Mistiming: passing(depth), Systematic: true})
	}
	b.add(Term{Name: termQuantum, Mistiming: tick * phys.Time(uniform)})
	b.add(s.Light.lagTerm())
	if d.Want == WantPhase {
		if d.Phase == splash.Contact {
			b.Speed = p.clockDrop().Speed
		}
		b.sum(d.Phase != splash.Contact)
		return b, nil
	}
	b.sumHeights()
	b.Meets = d.within(p, again, &b.Repeat)
	d.within(p, first, &b.Total)
	return b, nil
}

// join adds a cause to the term of its name.
func (b *Budget) join(t Term) {
	for i := range b.Terms {
		if x := &b.Terms[i]; x.Name == t.Name {
			x.Mistiming = phys.Time(math.Hypot(float64(x.Mistiming), float64(t.Mistiming)))
			x.Displaced = phys.Length(math.Hypot(float64(x.Displaced), float64(t.Displaced)))
		}
	}
}

// sumHeights fills in the totals, of times and of heights.
func (b *Budget) sumHeights() {
	b.Total.Name, b.Repeat.Name = "total, first shot", "from shot to shot, once trimmed"
	for _, t := range b.Terms {
		for _, sum := range []*Term{&b.Total, &b.Repeat} {
			if sum == &b.Repeat && t.Systematic {
				continue
			}
			sum.Mistiming = phys.Time(math.Hypot(float64(sum.Mistiming), float64(t.Mistiming)))
			sum.Displaced = phys.Length(math.Hypot(float64(sum.Displaced), float64(t.Displaced)))
		}
	}
}

// estimateDrops is the estimate of drops on command, without a band.
func (s Set) estimateDrops() (Estimate, error) {
	p, err := s.DropsPath()
	if err != nil {
		return Estimate{}, err
	}
	d, clock := s.Drops, p.clockDrop()
	e := Estimate{Drops: p, Delay: d.fromClock(p, p.Moment) + s.OwnTrim(), Speed: clock.Speed, Diameter: clock.Diameter,
		BeamSpeed: clock.BeamSpeed, EdgeToSurface: clock.Lands - clock.Beam, Extrapolated: p.Column.Extrapolated,
		Bubble: p.Column.Bubble}
	e.Low, e.High = e.Delay, e.Delay
	from := "the beam"
	if d.From == FromValve {
		from = "Go"
	}
	if d.Want == WantPhase {
		phase, err := splash.When(d.Phase, d.impact(clock.Diameter, clock.Speed))
		if err != nil {
			return Estimate{}, asField(err, "drops.phase")
		}
		e.Extrapolated, e.Bubble = phase.Extrapolated, phase.Bubble
		e.Low, e.High = e.Delay-(phase.Central-phase.Low), e.Delay+(phase.High-phase.Central)
		e.Summary = fmt.Sprintf("Drop %d, of %s, lands %s after Go at %.2f m/s; the moment (%s) is %s after %s.", p.Clock+1,
			inMm(clock.Diameter), inMs(clock.Lands), clock.Speed, spaced(string(d.Phase)), inMs(e.Delay), from)
		return e, nil
	}
	e.Summary = fmt.Sprintf("The second opening comes %s after the first. Its drop, of %s, meets the first one's "+
		"column %s above "+
		"the surface, %s after Go; the moment (sheet: %s) is %s after %s.", inMs(p.Drops[1].On-p.Drops[0].On),
		inMm(clock.Diameter), inMm(p.Meeting.Height), inMs(p.Meeting.At), d.Sheet, inMs(e.Delay), from)
	if p.Count == 3 {
		above, err := d.heightAt(p.Drops[2], p.Moment+s.OwnTrim())
		if err != nil {
			return Estimate{}, err
		}
		e.Summary += fmt.Sprintf(" The third drop is %s above the surface then.", inMm(above))
	}
	return e, nil
}
