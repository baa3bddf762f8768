package shot

import (
	"fmt"
	"math"
	"time"

	"stillwater/internal/phys"
)

// TableError bounds how far the compiled table's delay may be from the exact physics, for every accepted interval.
const TableError = 50 * time.Microsecond

// samples is on how many intervals the exact delay is worked out to place the table's points and to check them.
const samples = 65

// curve is the exact delay over the accepted intervals, evenly sampled.
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

// bend is the second difference of the delay around a sample: step squared times the curvature.
func (c *curve) bend(i int) float64 {
	i = min(max(i, 1), samples-2)
	return math.Abs(float64(c.delay[i-1] - 2*c.delay[i] + c.delay[i+1]))
}

// knots chooses n samples as the table's points, first and last included: spaced so that each stretch between two holds
// the same share of the root of the curvature, which makes the largest error of linear interpolation least (de Boor's
// rule for piecewise linear functions, from memory).
func (c *curve) knots(n int) []int {
	var most float64
	for i := range samples {
		most = max(most, math.Sqrt(c.bend(i)))
	}
	var weight [samples]float64 // up to a sample
	for i := 1; i < samples; i++ {
		share := (math.Sqrt(c.bend(i-1)) + math.Sqrt(c.bend(i))) / 2
		weight[i] = weight[i-1] + share + most/100 // a floor, so that a straight stretch has points too
	}
	knots := []int{0}
	for i := 1; i < samples-1 && len(knots) < n-1; i++ {
		if weight[i] >= weight[samples-1]*float64(len(knots))/float64(n-1) {
			knots = append(knots, i)
		}
	}
	return append(knots, samples-1)
}

// apart drops knots nearer to the one before than least, so that no two fall on the same tick; the ends stay.
func (c *curve) apart(knots []int, least phys.Time) []int {
	last := len(knots) - 1
	kept := []int{knots[0]}
	for _, k := range knots[1:last] {
		if c.at(k)-c.at(kept[len(kept)-1]) >= least && c.at(knots[last])-c.at(k) >= least {
			kept = append(kept, k)
		}
	}
	return append(kept, knots[last])
}

// worst bounds the error of interpolating between those samples: the largest at a sample, and what it may grow by up to
// the next, an eighth of the second difference.
func (c *curve) worst(knots []int) phys.Time {
	var worst float64
	for k := 1; k < len(knots); k++ {
		a, b := knots[k-1], knots[k]
		for i := a; i < b; i++ {
			line := c.delay[a] + (c.delay[b]-c.delay[a])*phys.Time(i-a)/phys.Time(b-a)
			worst = max(worst, math.Abs(float64(line-c.delay[i]))+max(c.bend(i), c.bend(i+1))/8)
		}
	}
	return phys.Time(worst)
}

// fillTable makes the table of a throw. An interval on the board differs from the true one by the difference of the
// sensors' delays.
func (p plan) fillTable(program *Program) error {
	c, err := p.set.Throw.curve()
	if err != nil {
		return p.tooSlow(err)
	}
	if p.bench.TableLen < 2 {
		return &trouble{field: "kind", why: "the board has no table of delays, which a throw needs",
			otherwise: "use another board"}
	}
	later := p.bench.Beam.Delay - p.bench.Gate.Delay
	if c.from.Duration()+later <= 0 {
		return p.sensorsTooSlow(c.from, -later)
	}
	knots := c.apart(c.knots(min(p.bench.TableLen, samples)), 2*phys.Seconds(p.bench.Tick))
	if worst := c.worst(knots); worst > phys.Seconds(TableError) {
		return p.tooBent(worst)
	}
	for _, k := range knots {
		program.Table = append(program.Table, Point{Interval: c.at(k).Duration() + later, Delay: p.counted(c.delay[k])})
	}
	program.GateMin, program.GateMax = program.Table[0].Interval, program.Table[len(knots)-1].Interval
	return nil
}

// sensorsTooSlow refuses a gate whose first sensor answers after the second.
func (p plan) sensorsTooSlow(fastest phys.Time, behind time.Duration) error {
	return &trouble{field: "throw.gate", why: fmt.Sprintf("the fastest throw accepted takes %s through the gate, and the "+
		"gate's sensor answers %s later than the beam's", inMs(fastest), inMs(phys.Seconds(behind))),
		mends: []mend{{field: "throw.gate", step: byMm, from: float64(p.set.Throw.Gate), limit: 1,
			cured: func(set Set) bool {
				at, err := set.Throw.interval(set.Throw.SpeedHigh)
				return err == nil && at.Duration() > behind
			}, say: "widen the gate by at least %s, to %s"}}}
}

// tooBent refuses a range of speeds that the board's table cannot follow.
func (p plan) tooBent(worst phys.Time) error {
	t := p.set.Throw
	follows := func(set Set) bool {
		c, err := set.Throw.curve()
		return err == nil && c.worst(c.knots(p.bench.TableLen)) <= phys.Seconds(TableError)
	}
	return &trouble{field: "throw.speed_low",
		why: fmt.Sprintf("the board's table of %d points would be up to %v wrong between %.2f and %.2f m/s, more than %v",
			p.bench.TableLen, worst.Duration().Round(time.Microsecond), t.SpeedLow, t.SpeedHigh, TableError),
		mends: []mend{
			{field: "throw.speed_low", step: byCmPerSec, from: float64(t.SpeedLow), limit: float64(t.SpeedHigh),
				cured: follows, say: "bring the slowest throw accepted up by at least %s, to %s"},
			{field: "throw.speed_high", step: byCmPerSec, from: float64(t.SpeedHigh), limit: float64(t.SpeedLow),
				cured: follows, say: "bring the fastest throw accepted down by at least %s, to %s"},
		}}
}
