package match

import (
	"cmp"
	"math"
	"slices"
	"time"
)

const (
	// maxDrift of a camera's clock: ten times the 20 ppm of a watch crystal. From memory.
	maxDrift = 200e-6
	// offsets are looked for as if all within these seconds were equally probable: a day either way.
	offsetRange = 2 * 86400.0
	// maxVotes bounds the differences that vote; beyond, every second or third shot votes.
	maxVotes = 4_000_000
	// maxPeaks is how many offsets are looked at closely.
	maxPeaks = 16
	// negligible is the share of the best clock's weight below which a clock is left out.
	negligible = 1e-7
)

// scatters of a frame's time around its shot's that are tried, s: of the shutter's opening in step with the shot, and
// of one opened by hand before it. Own choice.
var scatters = [...]float64{1, 0.3, 0.1, 0.03}

// clock is a hypothesis: offset and drift in s and s/s from the first shot and frame, scatter in s.
type clock struct{ offset, drift, scatter float64 }

// at is where under that clock a shot at t is by the camera.
func (c clock) at(t float64) float64 { return t*(1+c.drift) + c.offset }

// weighted is a hypothesis with the logarithms of its prior and of its weight.
type weighted struct {
	clock
	prior, log float64
}

// search finds the clocks that may be right.
func (p *problem) search() ([]weighted, error) {
	var all []weighted
	for _, offset := range p.peaks() {
		found, err := p.refine(offset)
		if err != nil {
			return nil, err
		}
		all = append(all, found...)
	}
	return all, nil
}

// window is how far apart votes for one clock may be.
func (p *problem) window() float64 { return p.step + 2*scatters[1] + maxDrift*p.span }

// peaks lists the offsets with most votes; those of settled and typed pairs are always among them.
func (p *problem) peaks() []float64 {
	var known, votes []float64
	every := len(p.shots)*len(p.frames)/maxVotes + 1
	for i, shot := range p.shots {
		if j := p.settledFrame[i]; j >= 0 {
			known = append(known, p.frames[j]-shot)
		}
		for j, frame := range p.frames {
			if i%every == 0 {
				votes = append(votes, frame-shot)
			}
			if !p.anySettled && p.typed[i] != 0 && p.typed[i] == p.numbers[j] && len(known) < maxPeaks {
				known = append(known, frame-shot)
			}
		}
	}
	if p.anySettled {
		return p.apart(known)
	}
	slices.Sort(votes)
	type peak struct {
		at    float64
		count int
	}
	var list []peak
	for from, to := 0, 0; from < len(votes); from++ {
		for to < len(votes) && votes[to]-votes[from] <= p.window() {
			to++
		}
		list = append(list, peak{votes[(from+to)/2], to - from})
	}
	slices.SortStableFunc(list, func(a, b peak) int { return -cmp.Compare(a.count, b.count) })
	offsets := p.apart(known)
	for _, c := range list {
		if offsets = p.apart(append(offsets, c.at)); len(offsets) == maxPeaks {
			break
		}
	}
	return offsets
}

// apart drops offsets whose neighbourhood another one before it covers.
func (p *problem) apart(offsets []float64) (kept []float64) {
	for _, o := range offsets {
		if !slices.ContainsFunc(kept, func(k float64) bool { return math.Abs(k-o) < p.window()/2 }) {
			kept = append(kept, o)
		}
	}
	return kept
}

// refine lays a grid around an offset, and with each smaller scatter a finer one around the best so far.
func (p *problem) refine(offset float64) (all []weighted, _ error) {
	reach, driftReach := p.window()/2+p.step, maxDrift
	best := weighted{clock: clock{offset: offset + p.step/2}, log: math.Inf(-1)}
	for _, scatter := range scatters {
		cell := max(p.step, 2*scatter) / 3
		driftCell := 2 * driftReach
		if p.span > 0 {
			driftCell = min(driftCell, 2*cell/p.span)
		}
		prior := math.Log(cell/offsetRange) + math.Log(driftCell/(2*maxDrift)) - math.Log(float64(len(scatters)))
		center := best.clock
		best.log = math.Inf(-1)
		drifts := math.Floor(driftReach / driftCell)
		for d := -drifts; d <= drifts; d++ {
			drift := center.drift + d*driftCell
			if math.Abs(drift) > maxDrift {
				continue
			}
			for o := -math.Ceil(reach / cell); o <= math.Ceil(reach/cell); o++ {
				// the middle of the evening stays in place as the drift changes
				c := clock{center.offset + o*cell - (drift-center.drift)*p.span/2, drift, scatter}
				sum, err := p.sum(c, nil)
				if err != nil {
					return nil, err
				}
				w := weighted{c, prior, sum + prior}
				all = append(all, w)
				if w.log > best.log {
					best = w
				}
			}
		}
		reach, driftReach = min(reach, 2*cell), min(driftReach, 2*driftCell)
	}
	return all, nil
}

// weigh works the weights out again, of those clocks that had any.
func (p *problem) weigh(all []weighted) ([]weighted, error) {
	least := all[0].log + math.Log(negligible)
	for i, w := range all {
		if w.log < least {
			return all[:i], nil
		}
		sum, err := p.sum(w.clock, nil)
		if err != nil {
			return nil, err
		}
		all[i].log = sum + w.prior
	}
	return all, nil
}

// average weights the pairs' probabilities under each clock with what speaks for it. That no clock is right, and
// nothing belongs together, has the weight 1 before normalizing, unless a person has settled a pair. It sorts the
// clocks, the best first.
func (p *problem) average(all []weighted) (map[Pair]float64, CameraClock, error) {
	slices.SortFunc(all, func(a, b weighted) int { return -cmp.Compare(a.log, b.log) })
	best := all[0]
	total := 0.0
	if !p.anySettled {
		total = math.Exp(-best.log) // infinite if nothing fits: then no pair has any probability
	}
	for _, w := range all {
		total += math.Exp(w.log - best.log)
	}
	pairs := map[Pair]float64{}
	for _, w := range all {
		share := math.Exp(w.log-best.log) / total
		if share < negligible {
			break
		}
		if _, err := p.sum(w.clock, func(pair Pair, probability float64) { pairs[pair] += share * probability }); err != nil {
			return nil, CameraClock{}, err
		}
	}
	for i, j := range p.settledFrame {
		if j >= 0 {
			pairs[Pair{i, j}] = 1
		}
	}
	return pairs, CameraClock{
		Offset: p.frameZero - p.shotZero + seconds(best.offset),
		Drift:  best.drift, Scatter: seconds(best.scatter)}, nil
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }
