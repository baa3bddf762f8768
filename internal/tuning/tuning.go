// Package tuning learns the delay from an evening's tries. Each try says on which side of the best moment it was, or by
// how much it missed; what is known after them is a probability for each remaining error of the delay, for the scatter
// between shots and for what its person calls good. From that follow the trim to try next, how sure that is, when to
// leave it alone, and when no delay will help.
//
// All times are on the axis of the trim: 0 is the plan's own delay. Where a trim stretches the delay of each shot by a
// factor, as that of a throw does, the caller converts what was late or missed by the same factor, so that here every
// try is a number on one axis.
package tuning

import (
	"time"

	"stillwater/internal/phys"
	"stillwater/internal/record"
)

// Try is one shot and what its picture says.
type Try struct {
	At      time.Duration  // the trim as carried out: what the machine was late is in it
	Verdict record.Verdict // "" if the picture was measured or says nothing of the time
	Off     *Measured      // nil: not measured
}

// says reports whether the try says anything of the time.
func (t Try) says() bool { return t.judged() || t.Off != nil }

// judged reports whether a person's verdict says something of the time.
func (t Try) judged() bool {
	switch t.Verdict {
	case record.Early, record.Good, record.Late, record.Nothing:
		return true
	}
	return false
}

// good reports whether its picture is good: as a person says, or else as it was measured.
func (t Try) good(plan Plan) bool {
	return t.Verdict == record.Good || t.Verdict == "" && t.Off != nil && t.Off.By.Abs() <= plan.Tolerance
}

// Measured is by how much a picture came after the best moment, negative before it, and the standard deviation of that.
type Measured struct{ By, SD time.Duration }

// MeasuredAlong is a picture in which the liquid was so far past its place, at a speed; false where nothing moves, as a
// length says nothing of the time then.
func MeasuredAlong(past, sd phys.Length, speed phys.Speed) (Measured, bool) {
	if !(speed > 0) {
		return Measured{}, false
	}
	in := func(l phys.Length) time.Duration { return phys.Time(float64(l) / float64(speed)).Duration() }
	return Measured{By: in(past), SD: in(sd)}, true
}

// Plan is what is known before the first try.
type Plan struct {
	Low, High time.Duration // of ten evenings, eight have their best trim between: around 0
	Scatter   time.Duration // of a shot's moment, once the trim is right, SD
	Tolerance time.Duration // how far off a picture is still good, about
	Delay     time.Duration // with a trim of 0; 0: each shot has its own
	Whose     string        // whose scatter that is: "the splash's own"
	Limits    []Limit       // what the scatter comes from, the largest first
	Remedy    string        // what in the set would make it less, a sentence; "" nothing is known
}

// Limit is one contribution to the scatter, SD.
type Limit struct {
	Name string
	SD   time.Duration
}

// Step is what to do next.
type Step string

// In the order in which an evening comes to them.
const (
	Judge Step = "judge"      // nothing is judged yet
	Trim  Step = "trim"       // another trim is likely to be better
	Leave Step = "leave"      // no trim is likely to be much better
	Reset Step = "change set" // no trim makes many shots good: change the set
)

// Advice is what to do next, and what the tries say for it.
type Advice struct {
	Step      Step
	Trim      time.Duration // to make the next try with
	Low, High time.Duration // the best trim is between, with a probability of Within
	Sure      float64       // the probability that Trim gets within a tenth of the rate that the best trim gets
	Rate      float64       // expected share of good shots with Trim
	Limit     float64       // and with the best trim, if it were known
	Settled   bool          // more verdicts at this trim would hardly change it
	Scatter   time.Duration // of the shots, SD
	Counted   int           // tries that say something of the time: a verdict was given, or the picture was measured
	Measured  int           // of those, how many were only measured
	Hits      int           // of those good
	Good      int           // of those made with the trim that is set
	Here      int           // how many were
	Density   []Weight      // of the best trim, in order, the highest 1
	Line      string        // in a few words
	Words     string        // in sentences
	Facts     []Fact        // what came of the tries

	early, late int    // of those with the trim that is set
	empty       int    // of the newest that say something, how many in a row show nothing
	drift       string // how tries with the same trim change as the evening goes on; "" they do not clearly
	crossed     bool   // what was called late was made with less delay than what was called early
}

// Weight is the relative probability of a trim.
type Weight struct {
	At     time.Duration
	Weight float64
}

// Fact is one thing that the tries tell, for a list.
type Fact struct {
	Name string `json:"name"`
	Text string `json:"text"`
}

// Within is the probability of the interval from Low to High.
const Within = 0.8

const (
	// nearBest is how near the rate of the best trim a rate must be to be left alone: a tenth less is the difference of
	// one shot in ten, which nobody sees in an evening. Own choice.
	nearBest = 0.9
	// minSure is how probable that must be. Own choice.
	minSure = 0.8
	// minRateGain is the gain in the rate below which the trim stays: own choice.
	minRateGain = 0.03
	// maxTrimShare is the most of what goes wrong that the trim may cause where more trimming does not help: own choice.
	maxTrimShare = 0.25
	// minRate is the rate below which it is the set that must change: own choice.
	minRate = 0.5
	// minEmpty is how many pictures in a row must show nothing for more than the delay to be wrong: own choice.
	minEmpty = 4
	// minPoor is how many tries it takes to say that: own choice.
	minPoor = 6
)

// Learn says what tries of a plan tell, the newest first, with the trim that is set now.
func Learn(plan Plan, tries []Try, now time.Duration) Advice {
	p := newPosterior(plan, tries, now)
	a := Advice{Step: Judge, Trim: now, Scatter: p.scatter(), Limit: p.limit(), Density: p.density()}
	a.Low, a.High = p.interval(Within)
	for _, t := range tries {
		if !t.says() {
			continue
		}
		a.Counted++
		if !t.judged() {
			a.Measured++
		}
		if t.good(plan) {
			a.Hits++
		}
		if (t.At - now).Abs() <= p.unit/2 {
			a.Here++
			switch {
			case t.good(plan):
				a.Good++
			case t.Verdict == record.Early:
				a.early++
			case t.Verdict == record.Late:
				a.late++
			}
		}
	}
	a.crossed, a.empty = crossed(tries), emptyInARow(tries)
	if a.Counted > 0 {
		a.decide(p, now)
	}
	a.Rate, a.Sure = p.rate(a.Trim), p.sure(a.Trim)
	a.drift = drift(plan, tries, p.unit)
	a.say(plan)
	a.Facts = a.facts(plan, tries)
	return a
}

// emptyInARow is how many of the newest tries that say something show nothing, one after the other.
func emptyInARow(tries []Try) (n int) {
	for _, t := range tries {
		switch {
		case !t.says():
		case t.Off != nil || t.Verdict != record.Nothing:
			return n
		default:
			n++
		}
	}
	return n
}

// crossedBy is the least difference between the mean trims of early and late tries for them to contradict each other:
// own choice, more than shots differ.
const crossedBy = 5 * time.Millisecond

// crossed reports whether what was called late was made with clearly less delay, on average, than what was called
// early, two of either at least: then the words were mixed up, or the set has changed.
func crossed(tries []Try) bool {
	var sum [2]time.Duration
	var n [2]time.Duration
	for _, t := range tries {
		if i := map[record.Verdict]int{record.Early: 1, record.Late: 2}[t.Verdict]; i > 0 {
			sum[i-1] += t.At
			n[i-1]++
		}
	}
	return min(n[0], n[1]) >= 2 && sum[0]/n[0]-sum[1]/n[1] > crossedBy
}

// decide chooses the step and the trim.
func (a *Advice) decide(p *posterior, now time.Duration) {
	best, rate := p.best()
	a.Step = Trim
	if rate-p.rate(now) < minRateGain {
		best = now
	}
	a.Trim = best
	poorly := a.Counted >= minPoor && p.limitBelow(minRate) >= minSure
	switch {
	case best != now && p.sure(now) < minSure:
	case poorly:
		a.Step = Reset
	default:
		a.Step, a.Trim = Leave, now
	}
	rate = p.rate(a.Trim)
	a.Settled = p.sure(a.Trim) >= minSure || a.Limit-rate < maxTrimShare*(1-rate)
}
