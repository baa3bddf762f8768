package shot

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"stillwater/internal/phys"
	"stillwater/internal/record"
	"stillwater/internal/splash"
	"stillwater/internal/tuning"
)

// Lesson is what the shots of one set say about its trim.
type Lesson struct {
	Plan   tuning.Plan
	Tries  []tuning.Try
	Advice tuning.Advice
}

// maxLearned is how many shots are learned from, the newest: what was so long ago says little of now, and people move
// things. Own choice.
const maxLearned = 100

// Learn works out what shots on record, the newest first, say about the trim of a set. Shots whose set differs in more
// than the trim are left out.
//
// Errors: *FieldError or *Refusal, as Estimate.
func Learn(set Set, shots []record.Shot, outcomes *Outcomes) (Lesson, error) {
	plan, err := TuningPlan(set, DefaultSpread(), defaultTick)
	if err != nil {
		return Lesson{}, err
	}
	l := Lesson{Plan: plan}
	set.eachTry(shots, outcomes, func(made record.Shot, its Set) {
		if own := its.OwnTrim().Duration(); len(l.Tries) == 0 && l.Plan.Delay != 0 && made.DelayNs != 0 {
			l.Plan.Delay = time.Duration(made.DelayNs) - own // as the board had it
		}
		if at, err := its.trimOf(made); err == nil {
			l.Tries = append(l.Tries, tuning.Try{At: at, Verdict: made.Verdict, Off: its.measured(made)})
		}
	})
	l.Advice = tuning.Learn(l.Plan, l.Tries, set.OwnTrim().Duration())
	return l, nil
}

// eachTry hands over the shots on record that say something of a set's trims, with the sets that they were made with.
func (s Set) eachTry(shots []record.Shot, outcomes *Outcomes, take func(made record.Shot, its Set)) {
	wanted, taken := s.arrangement(), 0
	for _, made := range shots {
		if taken == maxLearned {
			return
		}
		if made.Status != record.StatusDone || made.Lost || made.Damaged != "" || made.Picture == record.PictureBlack {
			continue
		}
		if its, err := outcomes.ParseSet(made.Set); err == nil && its.arrangement() == wanted {
			taken++
			take(made, its)
		}
	}
}

// arrangement is all of a set that decides when its moment is, but for its trims, as text: the gap's moves the moment
// with it.
func (s Set) arrangement() string {
	var text strings.Builder
	for _, v := range s.Values() {
		group, _, _ := strings.Cut(v.Field, ".")
		switch {
		case !s.Kind.Uses(v.Field) || group == "trim" || v.Field == "drops.gap_trim":
		case v.Field == "throw.beam_height" || v.Field == "beam.width": // they time nothing
		case v.Field == "light.open_for" || v.Field == "light.recycle" || v.Field == "light.shutter":
		default:
			fmt.Fprintln(&text, v.Field, v.Text)
		}
	}
	return text.String()
}

// trimOf is the trim that a shot really had: how late the machine was counts too. A throw's trim is that of the middle
// of the accepted speeds, and lateness counts in the same proportion.
func (s Set) trimOf(made record.Shot) (time.Duration, error) {
	trim := s.OwnTrim()
	_, late := latest(s.Light.Expose, made.Cues)
	if late == 0 {
		return trim.Duration(), nil
	}
	factor, err := s.perTrim(made)
	return trim.Duration() + scaled(late, factor), err
}

// perTrim is how much trim a time in a shot is worth: a throw's trim stretches the delay of each throw by a factor.
func (s Set) perTrim(made record.Shot) (float64, error) {
	if s.Kind != Throw || made.DelayNs <= 0 {
		return 1, nil
	}
	middle, err := s.Throw.middleDelay()
	return float64((middle + s.OwnTrim()) / phys.Seconds(time.Duration(made.DelayNs))), err
}

// Measurable reports whether something moves along a path at the moment, so that how far it is past its place in a
// picture says how late that was. At a turning point, as of a column or a crater, it says nothing.
func (s Set) Measurable() bool {
	return s.Kind == Throw || s.Kind == Drop && s.Drop.Phase == splash.Contact
}

// measured is what was measured in a shot's picture, on the axis of the trim; nil if nothing was, or it says nothing.
func (s Set) measured(made record.Shot) *tuning.Measured {
	if made.PastSDUm <= 0 || !s.Measurable() {
		return nil
	}
	speed, err := s.SpeedAt(made)
	if err != nil {
		return nil
	}
	const um = phys.Length(1e-6)
	off, ok := tuning.MeasuredAlong(phys.Length(made.PastUm)*um, phys.Length(made.PastSDUm)*um, speed)
	if !ok {
		return nil
	}
	if factor, err := s.perTrim(made); err == nil {
		off.By, off.SD = scaled(off.By, factor), scaled(off.SD, factor)
	}
	return &off
}

// ToleranceIn is a tolerance on the axis of the trim as a time in one shot, so that a frame and the lesson drawn from
// it call the same picture good.
func (s Set) ToleranceIn(made record.Shot, tolerance time.Duration) time.Duration {
	factor, err := s.perTrim(made)
	if err != nil || !(factor > 0) {
		return tolerance
	}
	return scaled(tolerance, 1/factor)
}

// SpeedAt is how fast what is pictured moves along its path at the moment, where a set is measurable.
//
// Errors: *FieldError or *Refusal, as Estimate.
func (s Set) SpeedAt(made record.Shot) (phys.Speed, error) {
	e, err := s.estimateOf(made)
	if s.Kind == Drop {
		return e.Speed, err
	}
	return e.FocusSpeed, err
}

// PathAt is the angle above level at which what is pictured moves along its path, in the way that is thrown.
//
// Errors: *FieldError or *Refusal, as Estimate.
func (s Set) PathAt(made record.Shot) (phys.Angle, error) {
	if s.Kind != Throw {
		return -90 * degree, nil
	}
	e, err := s.estimateOf(made)
	return e.FocusAngle, err
}

func (s Set) estimateOf(made record.Shot) (Estimate, error) {
	if s.Kind == Throw {
		return s.EstimateAt(phys.Seconds(time.Duration(made.IntervalNs)))
	}
	return s.Estimate()
}

func scaled(d time.Duration, factor float64) time.Duration { return time.Duration(float64(d) * factor) }

// How far off a picture may be and still be good, about: what people call good differs, and the tries tell. Common
// practice, no source.
const (
	goodAlong  = 15 * mm  // for what moves along a path
	goodPhase  = 0.05     // of a splash's age
	goodAtOnce = 0.5 * ms // for what is shorter
	goodSound  = 2 * ms
	goodSheet  = 0.2 // of the time until a collision's sheet is widest
)

// TuningPlan is what the plan of a set says about its trim before the first try.
//
// Errors: *FieldError or *Refusal, as Estimate.
func TuningPlan(set Set, spread Spread, tick time.Duration) (tuning.Plan, error) {
	set.Trim = TrimSet{}
	e, err := set.Estimate()
	if err != nil {
		return tuning.Plan{}, err
	}
	b, err := Errors(set, e, spread, tick)
	if err != nil {
		return tuning.Plan{}, err
	}
	total, again := float64(b.Total.Mistiming), float64(b.Repeat.Mistiming)
	steady := math.Sqrt(max(total*total-again*again, 0))
	low, high := normalTenth*steady, normalTenth*steady
	if e.Within > 0 { // the band is of a first shot, which scatters too
		own := normalTenth * again
		low = math.Sqrt(max(math.Pow(float64(e.Delay-e.Low), 2)-own*own, 0))
		high = math.Sqrt(max(math.Pow(float64(e.High-e.Delay), 2)-own*own, 0))
	}
	p := tuning.Plan{Low: -phys.Time(low).Duration(), High: phys.Time(high).Duration(),
		Scatter: phys.Time(again).Duration(), Tolerance: set.tolerance(e, b).Duration(), Whose: set.Kind.scatterSource(),
		Limits: b.limits()}
	if set.Kind != Throw {
		p.Delay = e.Delay.Duration()
	}
	p.Remedy, err = remedy(set, e, spread, tick)
	return p, err
}

func (s Set) tolerance(e Estimate, b Budget) phys.Time {
	switch s.Kind {
	case Throw:
		return phys.Time(float64(goodAlong) / float64(b.Speed))
	case Sound:
		return goodSound
	case Drops:
		if s.Drops.Want == WantCollision {
			return max(goodSheet*e.Drops.Meeting.Widest, goodAtOnce)
		}
		return max(goodPhase*(e.Drops.Moment-e.Drops.clockDrop().Lands), goodAtOnce)
	}
	return max(goodPhase*(e.Delay-e.EdgeToSurface), goodAtOnce)
}

// scatterSource says whose scatter remains when the trim is right.
func (k Kind) scatterSource() string {
	switch k {
	case Throw:
		return "the throws' own"
	case Sound:
		return "the sounds' own"
	case Drops:
		return "the valves' and the columns' own"
	}
	return "the splash's own"
}

// limits are the terms that no trim takes out, the largest first.
func (b Budget) limits() (list []tuning.Limit) {
	for _, t := range b.Terms {
		if !t.Systematic && t.Mistiming > 0 {
			list = append(list, tuning.Limit{Name: t.Name, SD: t.Mistiming.Duration()})
		}
	}
	slices.SortStableFunc(list, func(a, b tuning.Limit) int { return cmp.Compare(b.SD, a.SD) })
	return list
}

// remedy is the advice that makes the scatter less, one sentence; "" none is known.
func remedy(set Set, e Estimate, spread Spread, tick time.Duration) (string, error) {
	b, err := Errors(set, e, spread, tick)
	if err != nil {
		return "", err
	}
	a := advisor{set, e, spread, tick, b}
	says := []string{a.flashInDark()}
	switch set.Kind {
	case Throw:
		says = append(says, a.betterPlaces(), a.moveGate(), a.widenGate())
	case Drop:
		says = append(says, a.lowerBeam(), a.swing())
	case Drops:
		if set.Drops.From == FromValve {
			says = append(says, a.otherClock())
		}
	}
	for _, s := range says {
		if s != "" {
			return s, nil
		}
	}
	return "", nil
}
