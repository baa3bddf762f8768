package history

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"stillwater/internal/record"
	"stillwater/internal/shot"
	"stillwater/internal/strip"
)

const (
	// minTries is how many judged tries a delay must have before its share of good ones is compared with others'.
	// Five of five still says no more than 48 to 100 % (exact binomial interval, 95 %); with fewer it says nothing.
	minTries = 5
	// groupWidth is within which tries count as being at one delay: the smallest step of the trim on the page.
	groupWidth = time.Millisecond
)

// Try is a shot whose machine did as planned, so that its picture says something of the delay.
type Try struct {
	Number  int
	At      time.Duration // on the axis
	Verdict record.Verdict
	Counted bool // the verdict speaks of the time, and the picture shows it

	Measured bool // its picture was
}

// Best is where the largest share of tries was good.
type Best struct {
	At          time.Duration // on the axis: the mean of those tries
	Good, Tries int
}

// Tries are the tries of one kind of shot.
type Tries struct {
	Kind shot.Kind
	Axis strip.Axis
	List []Try // in the order in which they were given
	Best *Best // nil: see Why
	Why  string

	Learned *shot.Lesson // of the newest shot's set; nil: of that nothing can be worked out
	zero    time.Duration
}

// Strip is the drawing of the tries, of the newest at most so many.
func (t *Tries) Strip(most int) strip.Strip {
	s := strip.Strip{Axis: t.Axis, Zero: t.zero}
	for _, try := range t.List[:min(len(t.List), most)] {
		s.Tries = append(s.Tries, strip.Mark{At: try.At, Verdict: try.Verdict, Measured: try.Measured})
	}
	if t.Best != nil {
		s.Best = &strip.Best{At: t.Best.At, Good: t.Best.Good, Tries: t.Best.Tries}
	}
	if t.Learned != nil {
		s.Advice = &t.Learned.Advice
	}
	return s
}

// Summary sums up the shots of a session.
type Summary struct {
	Shots     int     // summed up
	Uncounted int     // left out, as the machine failed or was late, or what is on record is damaged
	Keepers   int     // with a star
	ByKind    []Tries // the kind with most tries first
}

// Summarize sums up shots, the newest first; outcomes says what the machine did in each.
func Summarize(shots []record.Shot, outcomes *shot.Outcomes) Summary {
	sum := Summary{}
	byKind := map[shot.Kind]*Tries{}
	for _, made := range shots {
		sum.Shots++
		if made.Star {
			sum.Keepers++
		}
		set, err := outcomes.ParseSet(made.Set)
		if err != nil || made.Lost || made.Damaged != "" || !outcomes.Of(made).Conclusive() {
			sum.Uncounted++
			continue
		}
		t := byKind[set.Kind]
		if t == nil {
			t = &Tries{Kind: set.Kind, Axis: strip.ByDelay}
			if set.Kind == shot.Throw {
				t.Axis = strip.ByTrim
			}
			byKind[set.Kind] = t
			t.learn(set, made, shots, outcomes)
		}
		at := time.Duration(made.DelayNs)
		if t.Axis == strip.ByTrim {
			at = set.OwnTrim().Duration()
		}
		t.List = append(t.List, Try{Number: made.Number, At: at, Verdict: made.Verdict, Counted: counted(made),
			Measured: made.PastSDUm > 0})
	}
	for _, kind := range slices.Sorted(maps.Keys(byKind)) {
		byKind[kind].findBest()
		sum.ByKind = append(sum.ByKind, *byKind[kind])
	}
	slices.SortStableFunc(sum.ByKind, func(a, b Tries) int { return cmp.Compare(len(b.List), len(a.List)) })
	return sum
}

// learn learns from the shots with the set of the newest one of this kind.
func (t *Tries) learn(set shot.Set, newest record.Shot, shots []record.Shot, outcomes *shot.Outcomes) {
	if t.Axis == strip.ByDelay {
		t.zero = time.Duration(newest.DelayNs) - set.OwnTrim().Duration()
	}
	if l, err := shot.Learn(set, shots, outcomes); err == nil && l.Advice.Counted > 0 {
		t.Learned = &l
	}
}

// counted reports whether a verdict says something of the time: too high and too low speak of the aim.
// A black picture shows nothing of it.
func counted(made record.Shot) bool {
	switch made.Verdict {
	case record.Early, record.Good, record.Late, record.Nothing:
		return made.Picture != record.PictureBlack
	}
	return false
}

// findBest compares the delays that have enough tries.
func (t *Tries) findBest() {
	groups := map[int64]*Best{}
	sums := map[int64]time.Duration{}
	counted, most := 0, 0
	for _, try := range t.List {
		if !try.Counted {
			continue
		}
		counted++
		key := int64(math.Round(float64(try.At) / float64(groupWidth)))
		if groups[key] == nil {
			groups[key] = &Best{}
		}
		groups[key].Tries++
		most = max(most, groups[key].Tries)
		sums[key] += try.At
		if try.Verdict == record.Good {
			groups[key].Good++
		}
	}
	for _, key := range slices.Sorted(maps.Keys(groups)) {
		g := groups[key]
		g.At = sums[key] / time.Duration(g.Tries)
		if g.Tries >= minTries && g.Good > 0 && (t.Best == nil || g.betterThan(t.Best)) {
			t.Best = g
		}
	}
	switch {
	case t.Best != nil:
	case counted == 0 && t.Learned != nil:
		t.Why = "No try is judged yet; what follows was measured in the pictures."
	case counted == 0:
		t.Why = fmt.Sprintf("Nothing is judged yet; it takes %d tries at one %s.", minTries, t.Axis)
	case most < minTries:
		t.Why = fmt.Sprintf("Too few tries: %d judged so far, at most %d of them at one %s; it takes %d at one.", counted,
			most, t.Axis, minTries)
	default:
		t.Why = fmt.Sprintf("No %s with %d tries or more has a good one yet.", t.Axis, minTries)
	}
}

// betterThan compares shares, and where they are the same how many tries they rest on.
func (b *Best) betterThan(other *Best) bool {
	mine, theirs := b.Good*other.Tries, other.Good*b.Tries
	return mine > theirs || mine == theirs && b.Tries > other.Tries
}
