package shot

import (
	"fmt"
	"math"

	"stillwater/internal/phys"
	"stillwater/internal/splash"
)

// budgetOf is the budget of drops on command in another set; false if that cannot be.
func (a advisor) budgetOf(set Set) (Budget, bool) {
	e, err := set.estimateDrops()
	if err != nil {
		return Budget{}, false
	}
	b, err := Errors(set, e, a.spread, a.tick)
	return b, err == nil
}

// otherClock compares the delay from the beam with that from the valve alone.
func (a advisor) otherClock() string {
	set := a.set
	set.Drops.From = FromValve
	if a.set.Drops.From == FromValve {
		set.Drops.From = FromBeam
	}
	b, ok := a.budgetOf(set)
	if !ok {
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
	if set.Drops.Want != WantCollision {
		return ""
	}
	now, other := "rises", "sinks"
	if set.Drops.Column = ColumnSinking; a.set.Drops.Column == ColumnSinking {
		set.Drops.Column, now, other = ColumnRising, other, now
	}
	b, ok := a.budgetOf(set)
	here, there := a.budget.Repeat.Displaced, b.Repeat.Displaced
	if small, large := min(here, there), max(here, there); !ok || float64(small) > minGain*float64(large) {
		return ""
	}
	return fmt.Sprintf("Once trimmed, where the two meet scatters by %s (SD), as the column %s. Met as it %s, by %s.",
		inMm(here), now, other, inMm(there))
}

// manyMeet is the share of shots from which on it is not said how many meet: own choice.
const manyMeet = 0.95

// seldomMeet says that the column is often not there.
func (a advisor) seldomMeet() string {
	if a.set.Drops.Want != WantCollision || a.budget.Meets > manyMeet {
		return ""
	}
	return fmt.Sprintf("Of 100 shots, once trimmed, %.0f have no collision: the column is gone, or not up yet, when "+
		"the second drop arrives.", 100*(1-a.budget.Meets))
}

// columnUnknown says how little is known of a column that was not measured.
func (a advisor) columnUnknown() string {
	d, c := a.set.Drops, a.e.Drops.Column
	if d.Want != WantCollision || d.ColumnHeight > 0 && d.ColumnTime > 0 {
		return ""
	}
	within := inMm(a.measuredColumn())
	if d.ColumnHeight > 0 {
		return fmt.Sprintf("How fast the first drop's column rises is poorly known. Photograph it with one drop, find how "+
			"long after contact it is highest, and enter that; then the two drops meet within %s (SD) of where they should.",
			within)
	}
	return fmt.Sprintf("How high the first drop's column rises is poorly known: 8 of 10 from %s to %s. Photograph it "+
		"with one drop, measure how high it rises and how long after contact, and enter both; then the two drops meet "+
		"within "+
		"%s (SD) of where they should.", inMm(c.Low), inMm(c.High), within)
}

// measuredColumn is how far off the collision is, at first, with the column measured.
func (a advisor) measuredColumn() phys.Length {
	set, c := a.set, a.e.Drops.Column
	set.Drops.ColumnHeight, set.Drops.ColumnTime = c.Height, c.Highest-set.Drops.GapTrim
	if b, ok := a.budgetOf(set); ok {
		return b.Total.Displaced
	}
	return a.budget.Total.Displaced
}

// unlikePublished says how the drop whose splash counts differs from those that are known.
func (a advisor) unlikePublished() string {
	if a.set.Drops.Want == WantCollision {
		return a.e.unlikePublished("The first drop")
	}
	return a.e.unlikePublished(fmt.Sprintf("Drop %d", a.e.Drops.Count))
}

// poursSoon says that an opening may flow into the drop before, as it begins hardly later than that lets go.
func (a advisor) poursSoon() string {
	p := a.e.Drops
	for i := 1; i < p.Count; i++ {
		before, drop := p.Drops[i-1], p.Drops[i]
		known := phys.Time(a.spread.LetsGo) * before.Necks
		after := drop.On + a.set.Drops.Opens - before.PinchOff
		if before.Valve == drop.Valve && after < known {
			return fmt.Sprintf("The %s opening starts to flow only %s after the drop before it lets go, and that is known "+
				"to %s (SD). If the %s drop is small or missing, they ran together: lengthen the gap, or the %s opening, whose "+
				"drop then lets go sooner.", openingNames[i], inMs(after), inMs(known), openingNames[i], openingNames[i-1])
		}
	}
	return ""
}

// firstDrop says that the tip must be full, and what else comes of its first opening.
func (a advisor) firstDrop() string {
	drop := a.e.Drops.Drops[0]
	dry := "lets no drop fall"
	if drop.FromDry > 0 {
		size := drop.Diameter * phys.Length(math.Cbrt(float64(drop.FromDry/drop.Volume)))
		dry = fmt.Sprintf("lets one of %s fall, and not of %s", inMm(size), inMm(drop.Diameter))
	}
	return fmt.Sprintf("%.0f µl stay on the tip, and the next drop begins with them. After filling or a long pause they "+
		"may not be there: an opening of %s then %s. Prime the valve, and let one drop fall before you arm.",
		float64(drop.Stays)*1e9, inMs(drop.Open), dry)
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

// perhapsColumn says when the column of a drop before the last may still stand, rising higher than most.
func (a advisor) perhapsColumn() string {
	d, p := a.set.Drops, a.e.Drops
	if d.Want != WantPhase || p.Count < 2 {
		return ""
	}
	before, last := p.Drops[p.Clock-1], p.clockDrop()
	gone, err := splash.When(splash.ColumnGone, d.impact(before.Diameter, before.Speed))
	if err != nil {
		return ""
	}
	after, late := last.Lands-before.Lands, gone.High
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
