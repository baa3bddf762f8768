package shot

import (
	"errors"
	"fmt"
	"math"

	"stillwater/internal/phys"
	"stillwater/internal/splash"
	"stillwater/internal/valve"
)

// otherClock compares the delay from the beam with that from the valve alone.
func (a advisor) otherClock() string {
	set := a.set
	set.Drops.From = FromValve
	if a.set.Drops.From == FromValve {
		set.Drops.From = FromBeam
	}
	e, err := set.estimateDrops()
	if err != nil {
		return ""
	}
	b, err := Errors(set, e, a.spread, a.tick)
	if err != nil {
		return ""
	}
	here, there := a.budget.Repeat, b.Repeat
	if a.set.Drops.From == FromBeam {
		return fmt.Sprintf("Once trimmed, the moment scatters by %s (SD) from the beam; from the valve alone by %s.",
			inMs(here.Mistiming), inMs(there.Mistiming))
	}
	if float64(there.Mistiming) > minGain*float64(here.Mistiming) {
		return ""
	}
	return fmt.Sprintf("Once trimmed, the moment scatters by %s (SD) from the valve alone. With a beam %v below "+
		"the tip it "+
		"would be %s.", inMs(here.Mistiming), set.Drops.Beam, inMs(there.Mistiming))
}

// otherSide compares a column that is met as it sinks with one that is met as it rises: what makes it higher or lower
// has had less time to.
func (a advisor) otherSide() string {
	set := a.set
	if set.Drops.Want != WantCollision || set.Drops.Column != ColumnSinking {
		return ""
	}
	set.Drops.Column = ColumnRising
	b, _, ok := a.withSet(set)
	here, there := a.budget.Repeat.Displaced, b.Repeat.Displaced
	if !ok || float64(there) > minGain*float64(here) {
		return ""
	}
	return fmt.Sprintf("Once trimmed, where the two meet scatters by %s (SD), as the column sinks. Met as it rises, "+
		"by %s.", inMm(here), inMm(there))
}

// columnUnknown says how little is known of a column's height that was not measured.
func (a advisor) columnUnknown() string {
	d, c := a.set.Drops, a.e.Drops.Column
	if d.Want != WantCollision || d.ColumnHeight > 0 {
		return ""
	}
	return fmt.Sprintf("How high the first drop's column rises is known badly: 8 of 10 from %s to %s. Picture it "+
		"with one drop, "+
		"measure it, and give its height; then the two drops meet within %s (SD) of where they should.", inMm(c.Low),
		inMm(c.High),
		inMm(a.measuredColumn()))
}

// measuredColumn is how far off the collision is, at first, with the column's height known.
func (a advisor) measuredColumn() phys.Length {
	set := a.set
	set.Drops.ColumnHeight = a.e.Drops.Column.Height
	e, err := set.estimateDrops()
	if err != nil {
		return a.budget.Total.Displaced
	}
	b, err := Errors(set, e, a.spread, a.tick)
	if err != nil {
		return a.budget.Total.Displaced
	}
	return b.Total.Displaced
}

// unlikePublished says how the drop whose splash counts differs from those that are known.
func (a advisor) unlikePublished() string {
	if a.set.Drops.Want == WantCollision {
		return a.e.unlikePublished("The first drop")
	}
	return a.e.unlikePublished(fmt.Sprintf("Drop %d", a.e.Drops.Count))
}

// firstDrop says that the tip must be full.
func (a advisor) firstDrop() string {
	return "The first drop after filling or a long pause is another size, as the tip is not as full: let one fall " +
		"before you arm."
}

// minSurplus is the surplus of a drop below which its size moves the time at which it lets go by much: own choice.
const minSurplus = 0.15

// steadierOpening says that a drop which is hardly heavy enough lets go late and unevenly.
func (a advisor) steadierOpening() string {
	d := a.set.Drops
	v, err := d.valve()
	if err != nil {
		return ""
	}
	limits, err := v.Limits()
	if err != nil {
		return ""
	}
	h, err := splash.HangingFrom(d.Tip, d.liquid())
	if err != nil {
		return ""
	}
	steady := v.OpeningFor(h.Falls + minSurplus*h.Most)
	for _, o := range d.openings() {
		if o.Open < steady && steady < limits.Most {
			return fmt.Sprintf("A drop that is hardly heavy enough lets go late and at uneven times. From %s on it lets "+
				"go at once; "+
				"above %s a second one follows.", inMs(steady), inMs(limits.Most))
		}
	}
	return ""
}

// tooLight says that no drop so light lets go of the tip.
func (a advisor) tooLight() string {
	v, err := a.set.Drops.valve()
	if err != nil {
		return ""
	}
	light := new(valve.TooLightError)
	if !errors.As(v.CheckWeighed(), &light) {
		return ""
	}
	return fmt.Sprintf("The weighing cannot be right: %v. If fewer drops fell than there were openings, open longer and "+
		"weigh again; if not, check the tip (%v) and the liquid.", light, v.Tip)
}

// perhapsColumn says when the column of a drop before the last may still stand, rising higher than most.
func (a advisor) perhapsColumn() string {
	d, p := a.set.Drops, a.e.Drops
	if d.Want != WantPhase || p.Count < 2 {
		return ""
	}
	before, last := p.Drops[p.Clock-1], p.clockDrop()
	c, err := d.columnOf(before, deviation{})
	if err != nil {
		return ""
	}
	after, late := last.Lands-before.Lands, c.Deviating(0, math.Log(float64(c.High/c.Height))).Gone
	if after >= late {
		return ""
	}
	return fmt.Sprintf("Drop %d lands %s after drop %d. Most columns are gone by then, but 1 of 10 only after %s: it "+
		"would meet that. With a gap longer by %s the pool is calmer.", p.Count, inMs(after), p.Count-1, inMs(late),
		inMs(late-after))
}

// jet says that a longer flow would be a jet.
func (a advisor) jet() string {
	v, err := a.set.Drops.valve()
	if err != nil {
		return ""
	}
	drop, err := v.Drop(a.set.Drops.First.Open)
	if err != nil || drop.Weber <= drop.Jet {
		return ""
	}
	return fmt.Sprintf("The liquid flows fast enough for a jet (Weber number %.1f at the tip, a jet from %.1f): "+
		"it may leave "+
		"satellites. Lower the liquid if it does.", drop.Weber, drop.Jet)
}

// dropsPool describes what a shallow pool does to the first splash.
func (a advisor) dropsPool() string {
	pool, err := splash.PoolAdvice(a.set.Drops.PoolDepth, a.e.Drops.Drops[0].Diameter)
	if err != nil || pool.Deep {
		return ""
	}
	return pool.Advice + "."
}
