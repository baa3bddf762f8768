package match

import (
	"fmt"
	"math"
)

const (
	// usuallyMissing is the share of shots without a frame before anything is known of it. Own choice.
	usuallyMissing = 0.1
	// numberAgrees is by how much more probable a pair is whose typed number is the file's, and less if it is not.
	numberAgrees = 1e4
	// asideLess is by how much less probable a pair is whose frame is aside. Own choice.
	asideLess = 50
	// faint is the probability of a pair below which it is not considered.
	faint = 1e-9
	// unlikely is the logarithm of what a clock loses that does not fit a settled pair.
	unlikely = -40
	// maxCells bounds the table of shots and frames that all could belong together.
	maxCells = 1_000_000
)

// sum is the logarithm of the likelihood of a clock, against that of no pair at all. It visits each pair with its
// probability under that clock, if visit is not nil. Shots and frames fall into groups that have no pair in common.
func (p *problem) sum(c clock, visit func(Pair, float64)) (log float64, _ error) {
	reach := 6*c.scatter + p.step
	var g group
	low := 0
	for i := range p.shots {
		at := c.at(p.shots[i])
		for low < len(p.frames) && p.frames[low] < at-reach {
			low++
		}
		high := low
		for high < len(p.frames) && p.frames[high] <= at+reach {
			high++
		}
		if high == low {
			continue
		}
		if g.shots > 0 && low >= g.high {
			part, err := p.sumGroup(c, g, visit)
			if err != nil {
				return 0, err
			}
			log += part
			g = group{}
		}
		if g.shots == 0 {
			g = group{first: i, low: low}
		}
		g.shots, g.high = i-g.first+1, max(high, g.high)
	}
	part, err := p.sumGroup(c, g, visit)
	return log + part + p.misfit(c, reach), err
}

// misfit is what a clock loses with settled pairs that it takes apart.
func (p *problem) misfit(c clock, reach float64) (log float64) {
	if !p.anySettled {
		return 0
	}
	for i, j := range p.settledFrame {
		if j >= 0 && math.Abs(p.frames[j]-c.at(p.shots[i])) > reach {
			log += unlikely
		}
	}
	return log
}

// group is a run of shots, and the frames that may be theirs.
type group struct{ first, shots, low, high int }

// weight is how much more probable it is that frame j is shot i's than that the shot has none and the frame is of no
// shot.
func (p *problem) weight(c clock, i, j int) float64 {
	if s := p.settledFrame[i]; s >= 0 && s != j {
		return 0
	}
	if s := p.settledShot[j]; s >= 0 && s != i {
		return 0
	}
	late := c.at(p.shots[i]) - p.frames[j]
	fits := normal(late/c.scatter) - normal((late-p.step)/c.scatter)
	if fits < faint {
		return 0
	}
	w := (1 - p.missing) * fits / (p.missing * p.extra)
	if p.aside[j] && p.settledShot[j] != i {
		w /= asideLess
	}
	switch {
	case p.typed[i] == 0 || p.numbers[j] == 0:
	case p.typed[i] == p.numbers[j]:
		w *= numberAgrees
	default:
		w /= numberAgrees
	}
	return w
}

func normal(x float64) float64 { return 0.5 * math.Erfc(-x/math.Sqrt2) }

// sumGroup adds up all ways to pair the shots and frames of a group in their order: forward[i][j] has those of the
// first i shots and j frames, backward[i][j] those of the others. Each row has a scale of its own, as the sums exceed
// what a number can hold.
func (p *problem) sumGroup(c clock, g group, visit func(Pair, float64)) (log float64, _ error) {
	frames := g.high - g.low
	if g.shots == 0 {
		return 0, nil
	}
	if g.shots == 1 && frames == 1 { // nearly all
		w := p.weight(c, g.first, g.low)
		if visit != nil && w > 0 {
			visit(Pair{g.first, g.low}, w/(1+w))
		}
		return math.Log1p(w), nil
	}
	if (g.shots+1)*(frames+1) > maxCells {
		return 0, fmt.Errorf("%d shots and %d frames are at nearly the same time: their times are no use; set the camera's "+
			"clock", g.shots, frames)
	}
	weight := func(i, j int) float64 { return p.weight(c, g.first+i, g.low+j) }
	forward := sumForward(g.shots, frames, weight)
	log = math.Log(forward.at(g.shots, frames)) + forward.scale[g.shots]
	if visit == nil {
		return log, nil
	}
	backward := sumForward(g.shots, frames, func(i, j int) float64 { return weight(g.shots-1-i, frames-1-j) })
	for i := range g.shots {
		for j := range frames {
			w := weight(i, j)
			if w == 0 {
				continue
			}
			before, after := forward.at(i, j), backward.at(g.shots-1-i, frames-1-j)
			probability := math.Exp(math.Log(before) + forward.scale[i] + math.Log(w) + math.Log(after) +
				backward.scale[g.shots-1-i] - log)
			visit(Pair{g.first + i, g.low + j}, probability)
		}
	}
	return log, nil
}

// sums are rows of sums, each times the exponential of its scale.
type sums struct {
	cells []float64
	width int
	scale []float64
}

func (s *sums) at(i, j int) float64 { return s.cells[i*s.width+j] }

// sumForward fills the table row by row; each way to pair is counted once, by the shot that is paired last.
func sumForward(shots, frames int, weight func(i, j int) float64) sums {
	s := sums{make([]float64, (shots+1)*(frames+1)), frames + 1, make([]float64, shots+1)}
	for j := range s.width {
		s.cells[j] = 1
	}
	for i := range shots {
		row, next := s.cells[i*s.width:(i+1)*s.width], s.cells[(i+1)*s.width:(i+2)*s.width]
		next[0] = row[0]
		paired := 0.0
		for j := range frames {
			paired += weight(i, j) * row[j]
			next[j+1] = row[j+1] + paired
		}
		most := next[frames] // the sums grow along a row
		for j := range next {
			next[j] /= most
		}
		s.scale[i+1] = s.scale[i] + math.Log(most)
	}
	return s
}
