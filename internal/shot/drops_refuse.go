package shot

import (
	"errors"
	"fmt"
	"math"

	"stillwater/internal/phys"
	"stillwater/internal/splash"
	"stillwater/internal/valve"
)

// withoutBench is the refusal of a problem that is one on any bench.
func (t *problem) withoutBench(set Set) *Refusal {
	r := &Refusal{Field: t.field, Why: t.why, Remedy: t.fallback}
	for _, m := range t.fixes {
		fix, say, ok := m.solve(set)
		changed := set
		if !ok || changed.Put(fix.Field, fix.Value) != nil || !m.holds(changed) {
			continue
		}
		if r.Remedy != "" && len(r.Fixes) == 0 {
			r.Remedy = say + ", or " + r.Remedy
		} else if r.Remedy == "" {
			r.Remedy = say
		}
		r.Fixes = append(r.Fixes, fix)
	}
	if r.Remedy == "" {
		r.Remedy = "no single change of the set fixes this"
	}
	return r
}

// dropsHold reports whether the drops of a set can be followed.
func dropsHold(s Set) bool {
	_, err := s.dropsPath()
	return err == nil
}

// openingField is the name of a field of an opening, from 0.
func openingField(i int, name string) string { return "drops." + openingNames[i] + "." + name }

// checkOpenings refuses openings that do not give one drop each.
func (s Set) checkOpenings() error {
	v, err := s.Drops.valve()
	if err != nil {
		return err
	}
	for i, o := range s.Drops.openings() {
		if _, err := v.Drop(o.Open); err != nil {
			return s.openingProblem(i, err)
		}
	}
	return nil
}

// openingProblem refuses an opening that does not give one drop.
func (s Set) openingProblem(i int, err error) error {
	open := s.Drops.openings()[i].Open
	t := &problem{field: openingField(i, "open"), why: err.Error()}
	to := func(value phys.Time, say string) {
		gives := func(s Set) bool {
			v, err := s.Drops.valve()
			if err == nil {
				_, err = v.Drop(s.Drops.openings()[i].Open)
			}
			return err == nil
		}
		t.fixes = append(t.fixes, fix{field: t.field, step: byMs, from: float64(open), limit: float64(value), holds: gives,
			format: say})
	}
	v, verr := s.Drops.valve()
	if verr != nil {
		return verr
	}
	limits, verr := v.Limits()
	if verr != nil {
		return asField(verr, "drops.tip")
	}
	none, train, far := new(valve.NoDropError), new(valve.TrainError), new(valve.NotWeighedError)
	switch {
	case errors.As(err, &none):
		to(limits.Most, "open it for at least %s longer, %s")
		t.fallback = "raise the liquid, or take a narrower tip"
	case errors.As(err, &train) && limits.Most > limits.Least:
		to(limits.Least, "open it for at least %s less, %s")
		t.fallback = "lower the liquid"
	case errors.As(err, &train):
		t.fallback = "lower the liquid, or take a narrower valve: it flows too fast for single drops"
	case errors.As(err, &far) && open < far.Shortest:
		to(limits.Most, "open it for at least %s longer, %s")
		t.fallback = fmt.Sprintf("weigh drops at %v too", open)
	case errors.As(err, &far):
		to(limits.Least, "open it for at least %s less, %s")
		t.fallback = fmt.Sprintf("weigh drops at %v too", open)
	default:
		return asField(err, "drops.tip")
	}
	return t
}

// meetProblem refuses a height that the column does not reach.
func (s Set) meetProblem(err error, c splash.Column) error {
	if high := new(splash.NotSoHighError); !errors.As(err, &high) {
		return err
	}
	return &problem{field: "drops.meet", why: fmt.Sprintf("the first drop's column rises to about %s (8 of 10: %s "+
		"to %s), "+
		"not to %s", inMm(c.Height), inMm(c.Low), inMm(c.High), inMm(s.Drops.Meet)),
		fixes: []fix{{field: "drops.meet", step: byMm, from: float64(s.Drops.Meet), limit: 1e-3, holds: dropsHold,
			format: "meet it at least %s lower, at %s"},
			{field: "drops.height", step: byMm, from: float64(s.Drops.Height), limit: 5, holds: dropsHold,
				format: "raise the tip by at least %s, to %s above the surface"}},
		fallback: "measure the column's height and give it"}
}

// pathError names the field behind an error of the models.
func (d DropsSet) pathError(err error) error {
	none, domain := new(splash.NoColumnError), new(phys.DomainError)
	field := new(FieldError)
	switch {
	case errors.As(err, &field):
		return err
	case errors.As(err, &none):
		return &problem{field: "drops.height", why: err.Error(), fixes: []fix{{field: "drops.height", step: byMm,
			from: float64(d.Height), limit: 5, holds: dropsHold,
			format: "raise the tip by at least %s, to %s above the surface"}}, fallback: "let it fall from higher"}
	case errors.As(err, &domain) && domain.Field == "nozzle":
		return asField(err, "drops.tip")
	}
	return asField(err, "drops.height")
}

// checkPath refuses drops that get in each other's way, and a collision that is none.
func (s Set) checkPath(p DropsPath) error {
	d := s.Drops
	for i := 1; i < p.Count; i++ {
		a, b := p.Drops[i-1], p.Drops[i]
		if gap := b.On - a.On; a.Valve == b.Valve && gap <= a.Open {
			return s.gapProblem(p, i, fmt.Sprintf("the second opening would begin %s after the first, which lasts %s", inMs(gap),
				inMs(a.Open)), true)
		}
		if cleared := phys.Time(math.Sqrt(2 * float64(b.Diameter) / phys.Gravity)); b.Falls-a.Falls <= cleared {
			return s.gapProblem(p, i, fmt.Sprintf("a drop %s behind another is not clear of it at the tip, and merges with it",
				inMs(max(b.Falls-a.Falls, 0))), true)
		}
		if b.Lands <= a.Lands+phys.Time(float64(b.Diameter)/float64(b.Speed)) {
			return s.gapProblem(p, i, "a drop catches up with the one before it in the air", true)
		}
	}
	check := s.checkCalm
	if d.Want == WantCollision {
		check = s.checkMeeting
	}
	if err := check(p); err != nil {
		return err
	}
	return s.checkDropsBeam(p)
}

// checkCalm refuses a last drop that lands while the column of one before it stands: the times of phases are those of
// calm pools.
func (s Set) checkCalm(p DropsPath) error {
	last := p.clockDrop()
	for i := range p.Clock {
		before := p.Drops[i]
		column, err := s.Drops.columnOf(before, deviation{})
		if err != nil {
			continue // too slow for a column
		}
		if after := last.Lands - before.Lands; after < column.Gone {
			return s.calmProblem(p, fmt.Sprintf("drop %d lands %s after drop %d, whose column is gone %s after it landed "+
				"and leaves ripples: it would meet that, and no calm pool", p.Count, inMs(after), i+1, inMs(column.Gone)))
		}
	}
	return nil
}

// calmProblem refuses the gap before the last drop, or takes the second of two for a collision.
func (s Set) calmProblem(p DropsPath, why string) error {
	err := s.gapProblem(p, p.Clock, why, true)
	if t := new(problem); errors.As(err, &t) && p.Count == 2 {
		t.fixes = append(t.fixes, fix{field: "drops.want", choice: string(WantCollision), holds: dropsHold,
			format: "want a collision"})
	}
	return err
}

// checkMeeting refuses a second drop that comes when there is no column, and a third one that comes before the moment.
func (s Set) checkMeeting(p DropsPath) error {
	if p.Meeting.Height >= 1*mm {
		return s.checkThird(p)
	}
	after := p.Meeting.At - p.Drops[0].Lands
	if after < p.Column.Highest {
		return s.gapProblem(p, 1, fmt.Sprintf("the second drop is at the surface %s after the first, and the column "+
			"emerges at %s",
			inMs(after), inMs(p.Column.Emerges)), true)
	}
	return s.gapProblem(p, 1, fmt.Sprintf("the second drop is at the surface %s after the first, when the column "+
		"has sunk; it is "+
		"gone at %s", inMs(after), inMs(p.Column.Gone)), false)
}

// checkThird refuses a third drop that hits the collision of the others before the moment.
func (s Set) checkThird(p DropsPath) error {
	if p.Count < 3 {
		return nil
	}
	hits, err := s.Drops.arrival(p.Drops[2], p.Meeting.Height, deviation{})
	if err != nil {
		return asField(err, "drops.height")
	}
	moment := p.Moment + s.OwnTrim()
	if hits.Time > moment {
		return nil
	}
	return s.gapProblem(p, 2, fmt.Sprintf("the third drop would hit the collision %s before the moment",
		inMs(moment-hits.Time)), true)
}

// gapProblem refuses the gap before a drop: it takes a longer one, or a shorter.
func (s Set) gapProblem(p DropsPath, i int, why string, longer bool) error {
	d, field := s.Drops, openingField(i, "gap")
	t := &problem{field: field, why: why}
	if d.openings()[i].Gap == 0 { // worked out
		if longer {
			t.fixes = append(t.fixes, fix{field: "drops.column", choice: string(ColumnSinking), holds: dropsHold,
				format: "meet the column as it sinks"})
		}
		if d.GapTrim != 0 {
			t.fixes = append(t.fixes, fix{field: "drops.gap_trim", choice: "0 s", holds: dropsHold, format: "set the " +
				"gap's trim to 0"})
		}
		t.fallback = "open for less, or choose another height to meet at"
		return t
	}
	from, limit, say := float64(d.openings()[i].Gap), 10., "wait at least %s longer, %s between the openings"
	if !longer {
		limit, say = 1e-3, "wait at least %s less, %s between the openings"
	}
	if i == 1 && d.Want == WantCollision && p.Column.Highest > 0 { // not beyond where the column is highest
		a, b := p.Drops[0], p.Drops[1]
		limit = float64(p.Column.Highest + a.Lands - a.On - b.Lands + b.On)
	}
	t.fixes = append(t.fixes, fix{field: field, step: byMs, from: from, limit: limit, holds: dropsHold, format: say})
	if i == 1 && d.Want == WantCollision {
		t.fixes = append(t.fixes, fix{field: field, choice: "0 s", holds: dropsHold,
			format: "give no gap, and it is worked out"})
	}
	return t
}

// checkDropsBeam refuses a beam that is broken by a drop that still hangs, or that the column or the collision reaches.
func (s Set) checkDropsBeam(p DropsPath) error {
	d := s.Drops
	if d.From != FromBeam {
		return nil
	}
	start, err := splash.StartOf(d.Tip, d.liquid())
	if err != nil {
		return asField(err, "drops.tip")
	}
	if d.Beam < start.Length {
		return &problem{field: "drops.beam", why: fmt.Sprintf("a drop from this tip is %s long when it lets go, and "+
			"would break "+
			"a beam %v below the tip before that", inMm(start.Length), d.Beam),
			fixes: []fix{{field: "drops.beam", step: byMm, from: float64(d.Beam), limit: float64(d.Height), holds: dropsHold,
				format: "lower the beam by at least %s, to %s below the tip"}}}
	}
	above, reaches, what := d.Height-d.Beam, phys.Length(0), ""
	if d.Want == WantCollision {
		reaches, what = p.Column.Height, "the first drop's column"
	}
	if above > reaches {
		return nil
	}
	return &problem{field: "drops.beam", why: fmt.Sprintf("%s rises to %s and would break the beam, which is %s "+
		"above the "+
		"surface", what, inMm(reaches), inMm(above)),
		fixes: []fix{{field: "drops.beam", step: byMm, from: float64(d.Beam), limit: 1e-3, holds: dropsHold,
			format: "raise the beam by at least %s, to %s below the tip"}}}
}
