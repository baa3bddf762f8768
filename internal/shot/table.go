package shot

import (
	"fmt"
	"math"
	"time"

	"stillwater/internal/phys"
)

// MaxTableError bounds how far the compiled table's delay may be from the exact physics, for every accepted interval.
const MaxTableError = 50 * time.Microsecond

// samples is the number of intervals at which the exact delay is computed, to place and to check the table's points.
const samples = 65

// curve is the exact delay, sampled evenly over the accepted intervals.
type curve struct {
	from, step phys.Time
	delay      [samples]phys.Time
}

func (c *curve) at(i int) phys.Time { return c.from + phys.Time(i)*c.step }

// curve samples the exact delays between the fastest and the slowest throw accepted.
func (t ThrowSet) curve() (*curve, error) {
	from, err := t.interval(t.SpeedHigh)
	if err != nil {
		return nil, err
	}
	to, err := t.interval(t.SpeedLow)
	if err != nil {
		return nil, err
	}
	c := &curve{from: from, step: (to - from) / (samples - 1)}
	for i := range c.delay {
		if c.delay[i], err = t.delay(c.at(i)); err != nil {
			return nil, err
		}
	}
	return c, nil
}

// secondDifference of the delay around a sample is step squared times the curvature.
func (c *curve) secondDifference(i int) float64 {
	i = min(max(i, 1), samples-2)
	return math.Abs(float64(c.delay[i-1] - 2*c.delay[i] + c.delay[i+1]))
}

// knots chooses n samples as the table's points, including first and last, so that the integral of the root of the
// curvature between neighbours is the same everywhere. This minimises the largest error of linear interpolation (de
// Boor's rule for piecewise linear functions, from memory).
func (c *curve) knots(n int) []int {
	var most float64
	for i := range samples {
		most = max(most, math.Sqrt(c.secondDifference(i)))
	}
	var weight [samples]float64 // cumulative
	for i := 1; i < samples; i++ {
		share := (math.Sqrt(c.secondDifference(i-1)) + math.Sqrt(c.secondDifference(i))) / 2
		weight[i] = weight[i-1] + share + most/100 // a floor, so that straight sections get points too
	}
	knots := []int{0}
	for i := 1; i < samples-1 && len(knots) < n-1; i++ {
		if weight[i] >= weight[samples-1]*float64(len(knots))/float64(n-1) {
			knots = append(knots, i)
		}
	}
	return append(knots, samples-1)
}

// spreadKnots drops knots nearer to the one before than least, so that no two fall on the same tick; the ends stay.
func (c *curve) spreadKnots(knots []int, least phys.Time) []int {
	last := len(knots) - 1
	kept := []int{knots[0]}
	for _, k := range knots[1:last] {
		if c.at(k)-c.at(kept[len(kept)-1]) >= least && c.at(knots[last])-c.at(k) >= least {
			kept = append(kept, k)
		}
	}
	return append(kept, knots[last])
}

// maxError bounds the error of interpolating between those samples: the largest at a sample, plus its possible growth
// towards the next, an eighth of the second difference.
func (c *curve) maxError(knots []int) phys.Time {
	var worst float64
	for k := 1; k < len(knots); k++ {
		a, b := knots[k-1], knots[k]
		for i := a; i < b; i++ {
			line := c.delay[a] + (c.delay[b]-c.delay[a])*phys.Time(i-a)/phys.Time(b-a)
			worst = max(worst, math.Abs(float64(line-c.delay[i]))+max(c.secondDifference(i), c.secondDifference(i+1))/8)
		}
	}
	return phys.Time(worst)
}

// fillTable computes the table of a throw. The board's interval differs from the true one by the difference of the
// sensors' delays.
func (p plan) fillTable(program *Program) error {
	c, err := p.set.Throw.curve()
	if err != nil {
		return p.throwTooSlow(err)
	}
	if p.bench.TableLen < 2 {
		return &problem{field: "kind", why: "the board has no table of delays, which a throw needs",
			fallback: "use another board"}
	}
	later := p.bench.Beam.Delay - p.bench.Gate.Delay
	if c.from.Duration()+later <= 0 {
		return p.gateTooNarrow(c.from, -later)
	}
	knots := c.spreadKnots(c.knots(min(p.bench.TableLen, samples)), 2*phys.Seconds(p.bench.Tick))
	if worst := c.maxError(knots); worst > phys.Seconds(MaxTableError) {
		return p.tableTooCoarse(worst)
	}
	factor, err := p.set.trimFactor()
	if err != nil {
		return err
	}
	for _, k := range knots {
		program.Table = append(program.Table, Point{Interval: c.at(k).Duration() + later,
			Delay: p.fromStamp(c.delay[k] * phys.Time(factor))})
	}
	program.GateMin, program.GateMax = program.Table[0].Interval, program.Table[len(knots)-1].Interval
	return nil
}

// gateTooNarrow refuses a gate whose first sensor may respond after the second.
func (p plan) gateTooNarrow(fastest phys.Time, behind time.Duration) error {
	return &problem{field: "throw.gate", why: fmt.Sprintf("the fastest throw accepted takes %s through the gate, but the "+
		"gate's sensor responds %s later than the beam's", inMs(fastest), inMs(phys.Seconds(behind))),
		fixes: []fix{{field: "throw.gate", step: byMm, from: float64(p.set.Throw.Gate), limit: 1,
			holds: func(set Set) bool {
				at, err := set.Throw.interval(set.Throw.SpeedHigh)
				return err == nil && at.Duration() > behind
			}, format: "widen the gate by at least %s, to %s"}}}
}

// tableTooCoarse refuses a range of speeds for which the board's table is too small.
func (p plan) tableTooCoarse(worst phys.Time) error {
	t := p.set.Throw
	follows := func(set Set) bool {
		c, err := set.Throw.curve()
		return err == nil && c.maxError(c.knots(p.bench.TableLen)) <= phys.Seconds(MaxTableError)
	}
	return &problem{field: "throw.speed_low",
		why: fmt.Sprintf("the board's table of %d points would be wrong by up to %v between %.2f and %.2f m/s, more than %v",
			p.bench.TableLen, worst.Duration().Round(time.Microsecond), t.SpeedLow, t.SpeedHigh, MaxTableError),
		fixes: []fix{
			{field: "throw.speed_low", step: byCmPerSec, from: float64(t.SpeedLow), limit: float64(t.SpeedHigh),
				holds: follows, format: "raise the slowest throw accepted by at least %s, to %s"},
			{field: "throw.speed_high", step: byCmPerSec, from: float64(t.SpeedHigh), limit: float64(t.SpeedLow),
				holds: follows, format: "lower the fastest throw accepted by at least %s, to %s"},
		}}
}
