// Package match finds which of a camera's frames belongs to which shot on record, by their times alone where nothing
// else is known. The camera's clock is wrong by an unknown offset and drift and counts whole seconds or hundredths;
// shots are without a frame (the camera did not fire), and frames without a shot (tests).
//
// # Method
//
// All differences between a frame's time and a shot's vote for the clock's offset; the offsets with most votes are
// looked at closely, on a grid of offset, drift and scatter. Under each of those clocks a frame is where its shot is
// plus the scatter (normal), cut off at the clock's step; a shot has no frame with a probability of missing; frames
// of no shot are spread evenly. All ways to pair shots and frames in their order are summed (a pair hidden Markov
// model, Durbin et al. 1998, chapter 4, with its forward and backward sums), so that each clock has a likelihood and
// each pair a probability under it. The clocks' likelihoods, with a flat prior over two days of offset and over the
// drift, weight the pairs' probabilities; that nothing belongs together is one more hypothesis. How many shots are
// without a frame, and frames without a shot, is then taken from those probabilities, and all weighted again. So
// evenly spaced shots, which fit as well when moved by one, stay open; one pair that a person settles leaves one
// clock, and with it the rest.
//
// A number that the person typed for a shot counts as strong evidence, not as proof, as it may be mistyped.
package match

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"
)

// Shot is one try: its time by the record's clock, from any zero, and the file number typed for it, 0 for none.
type Shot struct {
	At     time.Duration
	Number int
}

// Frame is one file: its time by the camera's clock, from any zero, and the number in its name, 0 for none. One that is
// aside was taken for another purpose, by what a person uses it for, and is hardly a shot's.
type Frame struct {
	At     time.Duration
	Number int
	Aside  bool
}

// Pair is a shot and a frame by their places in what was given.
type Pair struct{ Shot, Frame int }

// Options is what is known beside the times.
type Options struct {
	Step    time.Duration // of the camera's clock: a second or a hundredth; 0: a second
	Settled []Pair        // by a person
}

// Sureness is how far a match can be relied on.
type Sureness string

// The grades. Certain has a probability of at least 99 %, and of 99.5 % as long as no person has settled a pair, as all
// then hangs on one clock; likely of at least 70 %: own choice. Nothing is certain while settled pairs contradict each
// other.
const (
	Certain Sureness = "certain"
	Likely  Sureness = "likely"
	Open    Sureness = "open"

	certainFrom  = 0.99
	certainAlone = 0.995
	likelyFrom   = 0.70
	guessFrom    = 0.05 // an open shot names its best frame from here
)

// Match is the frame that most probably belongs to a shot. Frame is -1 if none is probable enough to name.
type Match struct {
	Pair
	Sure        Sureness
	Probability float64 // of this frame
	NoFrame     float64 // that the shot has none
	Settled     bool    // by a person
}

// ConflictError means that two settled pairs have one shot or one frame in common.
type ConflictError struct{ One, Two Pair }

// Error names shots and frames by their places; whoever knows their names says those.
func (e *ConflictError) Error() string {
	return fmt.Sprintf("shot at place %d was paired by hand with frame at %d, and shot at %d with frame at %d: take "+
		"one pair back",
		e.One.Shot, e.One.Frame, e.Two.Shot, e.Two.Frame)
}

// CameraClock is the camera's clock against the record's: a shot at t has a frame at t + Offset + Drift (t - the first
// shot's t).
type CameraClock struct {
	Offset  time.Duration
	Drift   float64 // seconds a second; positive: the camera's runs fast
	Scatter time.Duration
}

// Result has one match a shot, in the order of the shots, and the most probable clock.
type Result struct {
	Matches []Match
	Clock   CameraClock
	Extra   []int // frames that probably belong to no shot

	// Contradictions are settled pairs that no one clock has, the one of the earlier shot first. Each is taken still, as
	// somebody may have set the camera's clock meanwhile.
	Contradictions [][2]Pair
}

// Limits of what is compared at once.
const (
	MaxShots  = 5000
	MaxFrames = 20_000
)

// Find pairs shots and frames, in any order. It refuses more than MaxShots or MaxFrames, settled pairs that contradict
// each other, and thousands of shots and frames at one time.
func Find(shots []Shot, frames []Frame, o Options) (Result, error) {
	switch {
	case len(shots) > MaxShots:
		return Result{}, fmt.Errorf("%d shots: at most %d can be matched at once; name one session", len(shots), MaxShots)
	case len(frames) > MaxFrames:
		return Result{}, fmt.Errorf("%d frames: at most %d can be matched at once; give a folder with fewer", len(frames),
			MaxFrames)
	}
	p, err := newProblem(shots, frames, o)
	if err != nil {
		return Result{}, err
	}
	if len(shots) == 0 || len(frames) == 0 {
		return p.result(nil, CameraClock{}), nil
	}
	hypotheses, err := p.search()
	if err != nil {
		return Result{}, err
	}
	pairs, best, err := p.average(hypotheses)
	if err == nil {
		p.learnRates(pairs)
		if hypotheses, err = p.weigh(hypotheses); err == nil {
			pairs, best, err = p.average(hypotheses)
		}
	}
	if err != nil {
		return Result{}, err
	}
	r := p.result(pairs, best)
	if r.Contradictions = p.contradictions(); len(r.Contradictions) > 0 {
		for i := range r.Matches {
			if r.Matches[i].Sure == Certain {
				r.Matches[i].Sure = Likely
			}
		}
	}
	return r, nil
}

// contradictions finds neighbouring settled pairs that do not agree, or if all do the first two others.
func (p *problem) contradictions() (found [][2]Pair) {
	var settled []Pair
	for i, j := range p.settledFrame {
		if j >= 0 {
			settled = append(settled, Pair{i, j})
		}
	}
	add := func(a, b Pair) {
		if !p.agree(a, b) {
			found = append(found, [2]Pair{{p.shotOrder[a.Shot], p.frameOrder[a.Frame]},
				{p.shotOrder[b.Shot], p.frameOrder[b.Frame]}})
		}
	}
	for i := 1; i < len(settled); i++ {
		add(settled[i-1], settled[i])
	}
	for i := 0; i < len(settled) && len(found) == 0; i++ {
		for j := i + 2; j < len(settled) && len(found) == 0; j++ {
			add(settled[i], settled[j])
		}
	}
	return found
}

// agree reports whether one clock can have two pairs, a with the earlier shot. Both may be off by six standard
// deviations of a shutter that is opened by hand; but a camera takes one frame after the other.
func (p *problem) agree(a, b Pair) bool {
	shots := p.shots[b.Shot] - p.shots[a.Shot]
	if shots > 0 && p.frames[b.Frame] < p.frames[a.Frame] {
		return false
	}
	allowed := p.step + 6*math.Sqrt2*scatters[0] + maxDrift*math.Abs(shots)
	return math.Abs(p.frames[b.Frame]-p.frames[a.Frame]-shots) <= allowed
}

// problem is what is to be matched, in the order of time; the orders lead back to what was given.
type problem struct {
	shots, frames         []float64 // s, from the first of each
	shotOrder, frameOrder []int
	typed, numbers        []int
	settledFrame          []int // by shot in order, -1 none
	settledShot           []int // by frame in order, -1 none
	aside                 []bool
	ordinary              int // frames that are not aside
	shotZero, frameZero   time.Duration
	step                  float64
	span                  float64 // of the shots
	missing               float64 // the probability that a shot has no frame
	extra                 float64 // frames of no shot in a step of the clock, expected
	duration              float64 // in which those are
	anySettled            bool
}

func newProblem(shots []Shot, frames []Frame, o Options) (*problem, error) {
	if o.Step <= 0 {
		o.Step = time.Second
	}
	p := &problem{step: o.Step.Seconds(), missing: usuallyMissing}
	p.shotOrder = orderBy(len(shots), func(a, b int) int { return cmp.Compare(shots[a].At, shots[b].At) })
	p.frameOrder = orderBy(len(frames), func(a, b int) int {
		return cmp.Or(cmp.Compare(frames[a].At, frames[b].At), cmp.Compare(frames[a].Number, frames[b].Number))
	})
	for n, i := range p.shotOrder {
		if n == 0 {
			p.shotZero = shots[i].At
		}
		p.shots, p.typed = append(p.shots, (shots[i].At-p.shotZero).Seconds()), append(p.typed, shots[i].Number)
	}
	for n, i := range p.frameOrder {
		if n == 0 {
			p.frameZero = frames[i].At
		}
		p.frames, p.numbers = append(p.frames, (frames[i].At-p.frameZero).Seconds()), append(p.numbers, frames[i].Number)
		p.aside = append(p.aside, frames[i].Aside)
		if !frames[i].Aside {
			p.ordinary++
		}
	}
	if len(shots) > 0 {
		p.span = p.shots[len(shots)-1]
	}
	if len(frames) > 0 {
		n, m := float64(p.ordinary), float64(len(shots))
		p.duration = max(p.frames[len(frames)-1], p.span, 60)
		p.extra = p.step * max(0.1*n, n-m*(1-p.missing), 1) / p.duration
	}
	return p, p.settle(o.Settled)
}

// learnRates takes from the pairs' probabilities how many shots have no frame and how many frames no shot. Before any
// evidence that is as if of ten shots one had none.
func (p *problem) learnRates(pairs map[Pair]float64) {
	paired, ordinary := 0.0, 0.0
	for pair, probability := range pairs {
		paired += probability
		if !p.aside[pair.Frame] {
			ordinary += probability
		}
	}
	if paired < 1 {
		return
	}
	n, m := float64(p.ordinary), float64(len(p.shots))
	p.missing = (max(m-paired, 0) + 10*usuallyMissing) / (m + 10)
	p.extra = p.step * (max(n-ordinary, 0) + 1) / p.duration
}

// orderBy returns the stable order of n things.
func orderBy(n int, compare func(a, b int) int) []int {
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, compare)
	return order
}

func (p *problem) settle(pairs []Pair) error {
	places := func(order []int) []int {
		at := make([]int, len(order))
		for n, i := range order {
			at[i] = n
		}
		return at
	}
	none := func(n int) []int { return slices.Repeat([]int{-1}, n) }
	shotAt, frameAt := places(p.shotOrder), places(p.frameOrder)
	p.settledFrame, p.settledShot = none(len(p.shots)), none(len(p.frames))
	for _, s := range pairs {
		if s.Shot < 0 || s.Shot >= len(p.shots) || s.Frame < 0 || s.Frame >= len(p.frames) {
			return fmt.Errorf("shot %d and frame %d were paired by hand, but one of them is missing: pair them again",
				s.Shot, s.Frame)
		}
		i, j := shotAt[s.Shot], frameAt[s.Frame]
		if at := p.settledFrame[i]; at >= 0 && at != j {
			return &ConflictError{Pair{s.Shot, p.frameOrder[at]}, s}
		}
		if at := p.settledShot[j]; at >= 0 && at != i {
			return &ConflictError{Pair{p.shotOrder[at], s.Frame}, s}
		}
		p.settledFrame[i], p.settledShot[j], p.anySettled = j, i, true
	}
	return nil
}

// result grades the pairs' probabilities.
func (p *problem) result(pairs map[Pair]float64, clock CameraClock) Result {
	r := Result{Clock: clock, Matches: make([]Match, len(p.shots))}
	sum, taken := make([]float64, len(p.shots)), make([]float64, len(p.frames))
	list := make([]Match, 0, len(pairs))
	for pair, probability := range pairs {
		sum[pair.Shot] += probability
		taken[pair.Frame] += probability
		list = append(list, Match{Pair: pair, Probability: probability})
	}
	slices.SortFunc(list, func(a, b Match) int {
		return cmp.Or(-cmp.Compare(a.Probability, b.Probability), cmp.Compare(a.Shot, b.Shot), cmp.Compare(a.Frame, b.Frame))
	})
	for i := range p.shots {
		r.Matches[p.shotOrder[i]] = Match{Pair: Pair{p.shotOrder[i], -1}, Sure: Open, NoFrame: clamp(1 - sum[i])}
	}
	used := make([]bool, len(p.frames))
	for _, m := range list {
		to := &r.Matches[p.shotOrder[m.Shot]]
		if to.Frame >= 0 || used[m.Frame] || m.Probability < guessFrom {
			continue
		}
		used[m.Frame] = true
		to.Frame, to.Probability, to.Sure = p.frameOrder[m.Frame], clamp(m.Probability), p.gradeOf(m.Probability)
		to.Settled = p.settledFrame[m.Shot] == m.Frame
	}
	for j, t := range taken {
		if t < 1-likelyFrom {
			r.Extra = append(r.Extra, p.frameOrder[j])
		}
	}
	return r
}

func (p *problem) gradeOf(probability float64) Sureness {
	certain := certainAlone
	if p.anySettled {
		certain = certainFrom
	}
	switch {
	case probability >= certain:
		return Certain
	case probability >= likelyFrom:
		return Likely
	}
	return Open
}

func clamp(p float64) float64 { return math.Min(math.Max(p, 0), 1) }
