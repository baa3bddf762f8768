package control

import (
	"time"

	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

// plan is what became of the set on the board there is: a program to arm with and a preview, or a refusal.
type plan struct {
	program shot.Program
	preview *Preview
	refusal *Refusal
}

// Making a plan takes long, on a small machine above all, so that it is done without the mutex: nothing that must be
// quick waits for it. It is put in place together with the set or the board it is for, in putSet and putLink, if the
// other of the two is still the same; else it is made again.

// put changes one field of the set. When it returns, the plan is there too.
func (c *Control) put(client, field, value string) error {
	for {
		before, set, bench, err := c.nextSet(client, field, value)
		if err != nil {
			return err
		}
		plan := c.opts.makePlan(set, bench)
		if done, err := c.putSet(client, field, before, bench, set, plan); done || err != nil {
			return err
		}
	}
}

// nextSet is the set as it is, as it would be, and what it would be for.
func (c *Control) nextSet(client, field, value string) (before, set shot.Set, bench *shot.Bench, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if err := c.mayPut(client, field); err != nil {
		return before, set, nil, err
	}
	set = c.set
	if err := set.Put(field, value); err != nil {
		return before, set, nil, asRefusal(err)
	}
	return c.set, set, c.bench, nil
}

// putSet returns false if the plan was made for what is no longer so.
func (c *Control) putSet(
	client, field string, before shot.Set, bench *shot.Bench, set shot.Set, made plan,
) (done bool, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if err := c.mayPut(client, field); err != nil {
		return false, err
	}
	if c.set != before || c.bench != bench {
		return false, nil
	}
	c.set, c.plan = set, made
	c.saveSet()
	c.publish()
	return true, nil
}

func (c *Control) mayPut(client, field string) error {
	if err := c.holds(client); err != nil {
		return err
	}
	return c.quiet(field, "The set")
}

// putLink shows a board, with the plan that it makes of the set.
func (c *Control) putLink(l *link) {
	for {
		c.mu.Lock()
		set := c.set
		c.mu.Unlock()
		plan := c.opts.makePlan(set, &l.wiring.Bench)
		c.mu.Lock()
		if c.set == set {
			c.connected(l, plan)
			c.mu.Unlock()
			return
		}
		c.mu.Unlock()
	}
}

// connected takes over a board that is safe. The mutex is held.
func (c *Control) connected(l *link, made plan) {
	c.reason = "nothing is armed"
	if c.lost != "" {
		c.reason = backWords
	}
	c.link, c.trouble, c.lost, c.said, c.left = l, "", "", wire.Safe, 0
	c.inputs = l.wiring.fresh(c.inputs)
	c.outputs = outputsOf(l.id)
	c.bench, c.plan = &l.wiring.Bench, made
	c.publish()
}

func makePlan(set shot.Set, bench *shot.Bench) plan {
	if bench == nil {
		return plan{refusal: refusal("", "What the board can do is not known yet.", "Wait until it is connected.")}
	}
	program, timeline, err := shot.Compile(set, *bench)
	if err != nil {
		return plan{refusal: asRefusal(err)}
	}
	preview, err := makePreview(set, program, timeline, bench.Tick)
	if err != nil {
		return plan{refusal: asRefusal(err)}
	}
	return plan{program: program, preview: preview}
}

func makePreview(set shot.Set, program shot.Program, timeline shot.Timeline, tick time.Duration) (*Preview, error) {
	estimate, err := set.Estimate()
	if err != nil {
		return nil, err
	}
	budget, err := shot.Errors(set, estimate, shot.DefaultSpread(), tick)
	if err != nil {
		return nil, err
	}
	advice, err := shot.Advice(set, estimate, shot.DefaultSpread(), tick)
	if err != nil {
		return nil, err
	}
	p := &Preview{
		DelayMs: ms(timeline.Delay), DelayLowMs: ms(timeline.Low), DelayHighMs: ms(timeline.High),
		SpeedMS: float64(estimate.Speed), Summary: estimate.Summary,
		Marks: []Mark{}, Bars: []Bar{}, Budget: []Term{}, Advice: append([]string{}, advice...), Table: []Sampled{},
	}
	for _, m := range timeline.Marks {
		p.Marks = append(p.Marks, Mark{Name: m.Name, AtMs: ms(m.At)})
	}
	for _, b := range timeline.Bars {
		p.Bars = append(p.Bars, Bar{Name: b.Name, FromMs: ms(b.From), ToMs: ms(b.To), Opening: b.Opening})
	}
	for _, t := range append(budget.Terms, budget.Total, budget.Repeat) {
		p.Budget = append(p.Budget, Term{
			Name: t.Name, Ms: float64(t.Mistiming) * 1e3, Mm: float64(t.Displaced) * 1e3, Steady: t.Systematic,
		})
	}
	if program.Gate != nil {
		for _, point := range program.Table {
			p.Table = append(p.Table, Sampled{IntervalMs: ms(point.Interval), DelayMs: ms(point.Delay)})
		}
	}
	return p, nil
}
