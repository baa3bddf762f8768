package shot

import (
	"errors"
	"fmt"
	"math"
	"strconv"

	"stillwater/internal/phys"
	"stillwater/internal/splash"
	"stillwater/internal/valve"
)

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
	if err := v.CheckWeighed(); err != nil {
		return s.weighedProblem(err)
	}
	for i, o := range s.Drops.openings() {
		if _, err := v.Drop(o.Open); err != nil {
			return s.openingProblem(i, err)
		}
	}
	return nil
}

// weighedProblem refuses drops that were weighed as lighter or heavier than any from the tip.
func (s Set) weighedProblem(err error) error {
	unlikely := new(valve.UnlikelyError)
	if !errors.As(err, &unlikely) {
		return s.Drops.tipError(err)
	}
	tip := fix{field: "drops.tip", step: byTenthMm, from: float64(s.Drops.Tip), limit: 1e-4, between: true,
		holds: dropsHold, format: "if the tip is a different one, enter it: %[2]s or less"}
	t := &problem{field: "drops.weighed", why: err.Error(), fallback: "weigh again, as many openings as drops"}
	if unlikely.Light() {
		t.fallback = "open longer and weigh again, as fewer drops may have fallen than there were openings"
	} else {
		tip.limit, tip.format = 1e-2, "if the tip is a different one, enter it: %[2]s or more"
	}
	t.fixes = []fix{{field: "drops.weighed", holds: dropsHold,
		format: "leave out the weighing to have the drop computed"}, tip}
	return t
}

// openingProblem refuses an opening that does not give one drop.
func (s Set) openingProblem(i int, err error) error {
	open := s.Drops.openings()[i].Open
	t := &problem{field: openingField(i, "open"), why: err.Error()}
	v, verr := s.Drops.valve()
	if verr != nil {
		return verr
	}
	limits, verr := v.Limits()
	if verr != nil {
		return s.Drops.tipError(verr)
	}
	none, train, far := new(valve.NoDropError), new(valve.TrainError), new(valve.NotWeighedError)
	weigh := fmt.Sprintf("weigh 20 drops at %s and give their mass: what is weighed counts", inWhole(float64(open)))
	switch {
	case errors.As(err, &none):
		t.fixes = append(s.openingFixes(i, limits.Most), s.flowFixes(true)...)
		if d := s.Drops; d.Discharge < minDischarge && d.Weighed == "" {
			t.fixes = append([]fix{{field: "drops.discharge", step: byPercent, from: float64(d.Discharge), limit: 1,
				holds: dropsHold, between: true,
				format: "check the coefficient of discharge: it would have to be at least %s more, %s"}}, t.fixes...)
		}
		t.fallback = weigh + ", not what is computed"
	case errors.As(err, &train):
		t.fixes = append(s.openingFixes(i, limits.Least), s.flowFixes(false)...)
		t.fallback = weigh + ", not what is computed"
	case errors.As(err, &far) && open < far.Shortest:
		t.fixes, t.fallback = s.openingFixes(i, limits.Most), weigh
	case errors.As(err, &far):
		t.fixes, t.fallback = s.openingFixes(i, limits.Least), weigh
	default:
		return s.Drops.tipError(err)
	}
	return t
}

// openingFixes move an opening toward a limit until it gives one drop: in whole milliseconds or, where those that do
// lie between two, in tenths.
func (s Set) openingFixes(i int, limit phys.Time) []fix {
	open, say := s.Drops.openings()[i].Open, "make the "+openingNames[i]+" opening at least %s longer, %s"
	if limit < open {
		say = "make the " + openingNames[i] + " opening at least %s shorter, %s"
	}
	gives := func(s Set) bool {
		v, err := s.Drops.valve()
		if err == nil {
			_, err = v.Drop(s.Drops.openings()[i].Open)
		}
		return err == nil
	}
	return []fix{{field: openingField(i, "open"), step: byMs, finer: byTenthMs, from: float64(open), limit: float64(limit),
		holds: gives, format: say}}
}

// maxHead is how high above the tip a liquid is advised to stand at most: own choice, as high as one reaches.
const maxHead = 1.5

// minDischarge is the least coefficient that valves and tips have, about: common practice, no source.
const minDischarge = 0.4

// flowFixes change the flow until every opening gives one drop.
func (s Set) flowFixes(more bool) []fix {
	d := s.Drops
	if d.Weighed != "" {
		return nil
	}
	give := func(s Set) bool { return s.checkOpenings() == nil }
	head := fix{field: "drops.head", step: byCm, from: float64(d.Head), limit: maxHead, holds: give, between: true,
		format: "raise the liquid by at least %s, to %s above the tip"}
	bore := fix{field: "drops.bore", step: byTenthMm, from: float64(d.Bore), limit: float64(d.Tip), holds: give,
		between: true, format: "take a valve whose narrowest bore is at least %s wider, %s"}
	if !more {
		head.limit, head.format = 1e-2, "lower the liquid by at least %s, to %s above the tip"
		bore.limit, bore.format = 1e-4, "take a valve whose narrowest bore is at least %s narrower, %s"
	}
	return []fix{head, bore}
}

// checkGapsGiven refuses a gap that is neither given nor worked out.
func (s Set) checkGapsGiven() error {
	d := s.Drops
	for i, o := range d.openings() {
		if i == 0 || o.Gap != 0 || i == 1 && d.Want == WantCollision {
			continue
		}
		field := openingField(i, "gap")
		t := &problem{field: field, why: fmt.Sprintf("when the %s opening comes is not given", openingNames[i]),
			fixes: []fix{{field: field, step: byMs, limit: 10, holds: dropsHold,
				format: "have the " + openingNames[i] + " opening begin %[2]s after the one before, or later"}}}
		if d.Want == WantPhase && i == 1 {
			t.fixes = append(t.fixes, fix{field: "drops.want", choice: string(WantCollision),
				format: "choose a collision, for which it is worked out"})
		}
		return t
	}
	return nil
}

// tipError refuses a tip from which drops are not known.
func (d DropsSet) tipError(err error) error {
	domain := new(phys.DomainError)
	if !errors.As(err, &domain) {
		return asField(err, "drops.tip")
	}
	return &FieldError{Field: "drops.tip", Why: fmt.Sprintf("drops from a tip of %v are not known", d.Tip),
		Remedy: "the tip " + domain.Why}
}

// meetProblem refuses a height that the column does not reach.
func (s Set) meetProblem(err error, c splash.Column) error {
	if high := new(splash.NotSoHighError); !errors.As(err, &high) {
		return err
	}
	if s.Drops.ColumnHeight > 0 {
		return &problem{field: "drops.meet", why: fmt.Sprintf("the first drop's column was measured to rise to %s, not to %s",
			inMm(c.Height), inMm(s.Drops.Meet)),
			fixes: []fix{{field: "drops.meet", step: byMm, from: float64(s.Drops.Meet), limit: 1e-3, holds: dropsHold,
				format: "meet it at least %s lower, at %s"},
				{field: "drops.column_height", choice: "0 m", holds: dropsHold,
					format: "leave out the height to have it estimated"}},
			fallback: "measure the column again"}
	}
	return &problem{field: "drops.meet", why: fmt.Sprintf("the first drop's column rises to about %s (8 of 10: %s "+
		"to %s), "+
		"not to %s", inMm(c.Height), inMm(c.Low), inMm(c.High), inMm(s.Drops.Meet)),
		fixes: []fix{{field: "drops.meet", step: byMm, from: float64(s.Drops.Meet), limit: 1e-3, holds: dropsHold,
			format: "meet it at least %s lower, at %s"},
			{field: "drops.height", step: byMm, from: float64(s.Drops.Height), limit: 5, holds: dropsHold,
				format: "raise the tip by at least %s, to %s above the surface"}},
		fallback: "measure the column's height and enter it"}
}

// pathError refuses what the models do not know.
func (d DropsSet) pathError(err error) error {
	none, domain, field, known := new(splash.NoColumnError), new(phys.DomainError), new(FieldError), new(problem)
	t := &problem{field: "drops.height", fixes: []fix{{field: "drops.height", step: byMm, from: float64(d.Height),
		limit: 5, holds: dropsHold, format: "raise the tip by at least %s, to %s above the surface"}}}
	switch {
	case errors.As(err, &field) || errors.As(err, &known):
		return err
	case errors.As(err, &none):
		t.why = err.Error()
	case !errors.As(err, &domain):
		return asField(err, "drops.height")
	case domain.Field == "nozzle":
		return d.tipError(err)
	case domain.Field == "diameter":
		t.field = "drops.tip"
		size, _ := phys.ParseLength(domain.Value) // as it was written
		t.why = fmt.Sprintf("splashes of drops of %s are not known: their diameter %s", inMm(size), domain.Why)
		t.fixes = []fix{{field: "drops.tip", step: byTenthMm, from: float64(d.Tip), limit: 1e-2, holds: dropsHold,
			between: true, format: "take a tip at least %s wider, %s"}}
		if d.Weighed != "" {
			t.field, t.fallback = "drops.weighed", "weigh again, and count the drops: one for each opening"
		}
	case domain.Field == "speed":
		speed, _ := phys.ParseSpeed(domain.Value)
		t.why = fmt.Sprintf("splashes of drops that reach the surface at %.2f m/s are not known: the speed %s", speed,
			domain.Why)
		lower := t.fixes[0]
		lower.limit, lower.format = 1e-2, "lower the tip by at least %s, to %s above the surface"
		t.fixes = append(t.fixes, lower)
	default:
		return asField(err, "drops.height")
	}
	if d.Want == WantPhase && d.Phase != splash.Contact {
		t.fixes = append(t.fixes, fix{field: "drops.phase", choice: string(splash.Contact), format: "choose the contact as " +
			"the moment"})
	}
	return t
}

// checkPath refuses drops that get in each other's way, and a collision that is none.
func (s Set) checkPath(p DropsPath) error {
	d := s.Drops
	for i := 1; i < p.Count; i++ {
		a, b := p.Drops[i-1], p.Drops[i]
		if gap := b.On - a.On; a.Valve == b.Valve && gap <= a.Open {
			err := s.gapProblem(p, i, fmt.Sprintf("the %s opening would begin %s after the one before, which lasts %s",
				openingNames[i], inMs(gap), inMs(a.Open)), true)
			return withOtherValve(err, i, b.Valve)
		}
		if err := s.checkPours(p, i); err != nil {
			return err
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

// checkPours refuses an opening that lets liquid out of a tip from which the drop before it still hangs.
func (s Set) checkPours(p DropsPath, i int) error {
	drop := p.Drops[i]
	for j := range i {
		before := p.Drops[j]
		if before.Valve != drop.Valve || drop.On+s.Drops.Opens >= before.PinchOff {
			continue
		}
		return withOtherValve(s.gapProblem(p, i, fmt.Sprintf("the %s opening would start to flow %s after the %s one began, "+
			"but the drop of that hangs on the tip until %s and would take it up",
			openingNames[i], inMs(drop.On+s.Drops.Opens-before.On), openingNames[j], inMs(before.PinchOff-before.On)), true), i,
			drop.Valve)
	}
	return nil
}

// withOtherValve adds that another valve gives the drop.
func withOtherValve(err error, i, valve int) error {
	if t := new(problem); errors.As(err, &t) {
		t.fixes = append(t.fixes, fix{field: openingField(i, "valve"), choice: strconv.Itoa(3 - valve), holds: dropsHold,
			format: fmt.Sprintf("have valve %d let the %s drop fall", 3-valve, openingNames[i])})
	}
	return err
}

// checkCalm refuses a last drop that lands while the column of one before it stands: the times of phases are those of
// calm pools.
func (s Set) checkCalm(p DropsPath) error {
	last := p.clockDrop()
	for i := range p.Clock {
		before := p.Drops[i]
		gone, err := splash.When(splash.ColumnGone, s.Drops.impact(before.Diameter, before.Speed))
		if err != nil {
			continue // too slow for a column
		}
		if after := last.Lands - before.Lands; after < gone.Central {
			return s.calmProblem(p, fmt.Sprintf("drop %d lands %s after drop %d, whose column is gone %s after it landed "+
				"and leaves ripples: it would hit that instead of a calm pool", p.Count, inMs(after), i+1, inMs(gone.Central)))
		}
	}
	return nil
}

// calmProblem refuses the gap before the last drop, or takes the second of two for a collision.
func (s Set) calmProblem(p DropsPath, why string) error {
	err := s.gapProblem(p, p.Clock, why, true)
	if t := new(problem); errors.As(err, &t) && p.Count == 2 {
		t.fixes = append(t.fixes, fix{field: "drops.want", choice: string(WantCollision), holds: dropsHold,
			format: "choose a collision"})
	}
	return err
}

// checkMeeting refuses a second drop that comes when there is no column, and a third one that comes before the moment.
func (s Set) checkMeeting(p DropsPath) error {
	d := s.Drops
	after := p.Meeting.At - p.Drops[0].Lands
	if p.Meeting.Height >= 1*mm {
		// Where it rises, at a time that was worked out, it is there in nearly every shot.
		sure := d.Second.Gap == 0 && d.GapTrim == 0 && d.Column == ColumnRising
		if sure {
			return s.checkThird(p)
		}
		if meets, ok := s.meets(p); ok && meets < minMeetings {
			return s.gapProblem(p, 1, fmt.Sprintf("the second drop is at the surface %s after the first, and in about "+
				"%.0f of 100 shots the column would be gone, or not up yet", inMs(after), 100*(1-meets)), after < p.Column.Highest)
		}
		return s.checkThird(p)
	}
	if after < p.Column.Highest {
		return s.gapProblem(p, 1, fmt.Sprintf("the second drop is at the surface %s after the first, and the column "+
			"emerges at %s",
			inMs(after), inMs(p.Column.Emerges)), true)
	}
	return s.gapProblem(p, 1, fmt.Sprintf("the second drop is at the surface %s after the first, when the column "+
		"has sunk; it is "+
		"gone at %s", inMs(after), inMs(p.Column.Gone)), false)
}

// minMeetings is the share of shots with a collision below which there is no point in it: own choice.
const minMeetings = 0.8

// meets is the share of shots, once trimmed, with a collision; false where that cannot be worked out.
func (s Set) meets(p DropsPath) (float64, bool) {
	var again meetings
	for _, cause := range s.Drops.scatters(p, DefaultSpread()) {
		if cause.steady {
			continue
		}
		x, err := s.Drops.sd(p, cause)
		if err != nil {
			return 0, false
		}
		again.add(cause, x)
	}
	return s.Drops.within(p, again, new(Term)), true
}

// checkThird refuses a third drop that hits the other two's collision before the moment.
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
		t.fixes = append(t.fixes, s.meetElsewhere(longer)...)
		if d.ColumnHeight > 0 || d.ColumnTime > 0 {
			t.fallback = "measure the column's height and time again"
		}
		return t
	}
	opening := "have the " + openingNames[i] + " opening come at least "
	from, limit, say := float64(d.openings()[i].Gap), 10., opening+"%s later, %s after the one before"
	if !longer {
		limit, say = 1e-3, opening+"%s sooner, %s after the one before"
	}
	if i == 1 && d.Want == WantCollision && p.Column.Highest > 0 { // not beyond where the column is highest
		a, b := p.Drops[0], p.Drops[1]
		limit = float64(p.Column.Highest + a.Lands - a.On - b.Lands + b.On)
	}
	t.fixes = append(t.fixes, fix{field: field, step: byMs, from: from, limit: limit, holds: dropsHold, format: say})
	if i == 1 && d.Want == WantCollision {
		t.fixes = append(t.fixes, fix{field: field, choice: "0 s", holds: dropsHold,
			format: "leave out the gap to have it worked out"})
	}
	if i == 2 {
		t.fixes = append(t.fixes, fix{field: "drops.count", choice: "2", holds: dropsHold, format: "let two drops fall"})
	}
	return t
}

// meetElsewhere are changes that have the second opening come later after the first, or sooner, where that is worked
// out.
func (s Set) meetElsewhere(later bool) []fix {
	d := s.Drops
	higher := later == (d.Column == ColumnRising)
	meet := fix{field: "drops.meet", step: byMm, from: float64(d.Meet), limit: float64(d.Height), holds: dropsHold,
		between: true, format: "meet it at least %s higher, at %s"}
	if !higher {
		meet.limit, meet.format = 1e-3, "meet it at least %s lower, at %s"
	}
	fixes := []fix{meet}
	if v, err := d.valve(); err == nil && later {
		if limits, err := v.Limits(); err == nil {
			fixes = append(fixes, fix{field: "drops.first.open", step: byMs, from: float64(d.First.Open),
				limit: float64(limits.Least), holds: dropsHold, format: "make the first opening at least %s shorter, %s"})
		}
	}
	return fixes
}

// checkDropsBeam refuses a beam that is broken by a drop that still hangs, or that the column or the collision reaches.
func (s Set) checkDropsBeam(p DropsPath) error {
	d := s.Drops
	if d.From != FromBeam {
		return nil
	}
	start, err := splash.StartOf(d.Tip, d.liquid())
	if err != nil {
		return d.tipError(err)
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
