package control

import (
	"time"

	"stillwater/internal/shot"
)

// plan is what became of the set on the board there is: a program to arm with and a preview, or a refusal.
type plan struct {
	program shot.Program
	preview *Preview
	refusal *Refusal
}

// replan works the plan out again after the set or the board changed. Without a board the last one's bench is used.
func (c *Control) replan() { c.plan = makePlan(c.set, c.bench) }

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
