package shot

import (
	"math"

	"stillwater/internal/phys"
	"stillwater/internal/record"
	"stillwater/internal/tuning"
)

// goodMeeting is how far from the height wanted two drops may meet and the picture still be good, about: own choice.
const goodMeeting = 5 * mm

// minSlope is how fast the height of a collision changes with the gap at least, for it to be trimmed: own choice.
const minSlope phys.Speed = 0.05

// WorksOutGap reports whether the gap between the first two openings is worked out, so that it has a trim.
func (s Set) WorksOutGap() bool {
	return s.Kind == Drops && s.Drops.Want == WantCollision && s.Drops.Second.Gap == 0
}

// Aims reports whether a picture may be too high or too low.
func (s Set) Aims() bool { return s.Kind == Throw || s.Kind == Drops && s.Drops.Want == WantCollision }

// LearnGap works out what shots on record, the newest first, say about the trim of the gap: those whose collision was
// called too high, too low or good. false: the gap of the set is not worked out, cannot be, or hardly moves the
// collision.
func LearnGap(set Set, shots []record.Shot, outcomes *Outcomes) (tuning.Advice, bool) {
	if !set.WorksOutGap() {
		return tuning.Advice{}, false
	}
	plan, slope, err := gapPlan(set, DefaultSpread())
	if err != nil || math.Abs(float64(slope)) < float64(minSlope) {
		return tuning.Advice{}, false
	}
	longer := map[record.Verdict]record.Verdict{record.TooHigh: record.Late, record.TooLow: record.Early,
		record.Good: record.Good}
	if slope < 0 { // the later the drop comes, the lower it meets the column
		longer[record.TooHigh], longer[record.TooLow] = record.Early, record.Late
	}
	var tries []tuning.Try
	set.eachTry(shots, outcomes, func(made record.Shot, its Set) {
		if verdict, ok := longer[made.Verdict]; ok {
			tries = append(tries, tuning.Try{At: its.Drops.GapTrim.Duration(), Verdict: verdict})
		}
	})
	return tuning.Learn(plan, tries, set.Drops.GapTrim.Duration()), true
}

// gapPlan is what the plan says of the gap's trim before the first try, and how much higher the two meet for each
// second that the gap is longer.
func gapPlan(set Set, spread Spread) (tuning.Plan, phys.Speed, error) {
	set.Trim, set.Drops.GapTrim = TrimSet{}, 0
	e, err := set.Estimate()
	if err != nil {
		return tuning.Plan{}, 0, err
	}
	b, err := Errors(set, e, spread, defaultTick)
	if err != nil {
		return tuning.Plan{}, 0, err
	}
	const by = 1 * ms
	x, err := set.Drops.sd(e.Drops, scatter{apply: func(off *deviation, sign float64) {
		off.release[1] += phys.Time(sign) * by
	}})
	if err != nil {
		return tuning.Plan{}, 0, err
	}
	slope := phys.Speed(float64(x.height) / float64(by))
	in := func(h float64) phys.Time { return phys.Time(h / max(math.Abs(float64(slope)), float64(minSlope))) }
	total, again := float64(b.Total.Displaced), float64(b.Repeat.Displaced)
	band := (normalTenth * in(math.Sqrt(max(total*total-again*again, 0)))).Duration()
	return tuning.Plan{Low: -band, High: band, Scatter: in(again).Duration(),
		Tolerance: in(float64(goodMeeting)).Duration(), Whose: set.Kind.scatterSource()}, slope, nil
}
