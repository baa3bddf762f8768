package control

import (
	"slices"
	"time"

	"stillwater/internal/elevation"
	"stillwater/internal/lighting"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

// plan is what the set comes to on the present board: a program to arm with and a preview, or a refusal; and in either
// case a drawing.
type plan struct {
	program   shot.Program
	preview   *Preview
	refusal   *Refusal
	elevation string
	lighting  *Lighting       // nil: the set cannot be worked out
	judged    []lighting.Step // none: nor can its light be judged
}

// Making a plan is slow, above all on a small machine, so it is done without the mutex: nothing that must be quick
// waits for it. It is put in place together with the set or the board it is for, in installSet and installLink,
// if the other of the two is still the same; else it is made again.

// putField changes one field of the set. When it returns, the plan is there too.
func (c *Control) putField(client, field, value string) error {
	return c.changeSet(client, field, func(set *shot.Set) error {
		before := *set
		if err := set.Put(field, value); err != nil {
			return err
		}
		*set = set.WithoutStale(before)
		if earlier, is := c.lastSet(set.Kind); is && set.Kind != before.Kind {
			*set = set.Recall(earlier)
		}
		return nil
	})
}

// lastSet is the set of a kind when it was left for another kind in this session.
func (c *Control) lastSet(kind shot.Kind) (set shot.Set, is bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	set, is = c.lastSets[kind]
	return set, is
}

// changeSet changes the set, one field or, if that is "", several. change is called again if the set has changed
// meanwhile.
func (c *Control) changeSet(client, field string, change func(*shot.Set) error) error {
	for {
		before, bench, err := c.currentSet(client, field)
		if err != nil {
			return err
		}
		set := before
		if err := change(&set); err != nil {
			return toRefusal(err)
		}
		plan := c.opts.makePlan(set, bench)
		if done, err := c.installSet(client, field, before, bench, set, plan); done || err != nil {
			return err
		}
	}
}

// currentSet is the set as it is, to be changed, and what it is for.
func (c *Control) currentSet(client, field string) (set shot.Set, bench *shot.Bench, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.set, c.bench, c.checkPut(client, field)
}

// installSet returns false if the set or the bench has changed since the plan was made.
func (c *Control) installSet(
	client, field string, before shot.Set, bench *shot.Bench, set shot.Set, made plan,
) (done bool, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if err := c.checkPut(client, field); err != nil {
		return false, err
	}
	if c.set != before || c.bench != bench {
		return false, nil
	}
	if c.canRetrim(field) && made.refusal != nil {
		return false, made.refusal
	}
	c.dropStaleTuning(c.set, set)
	if set.Kind != before.Kind {
		c.clearShotsDone()
		c.lastSets[before.Kind] = before
	}
	if set.Kind != before.Kind || set.Camera.Differs(before.Camera) {
		c.untickSteps()
	}
	c.set, c.plan = set, made
	c.sweepIfOwn(before, set)
	c.learn()
	c.saveSet()
	c.retrimIfDue()
	c.publish()
	return true, nil
}

// clearShotsDone withdraws the report that the shots asked for are done: of another kind, or in another session, none
// was asked for. The mutex is held.
func (c *Control) clearShotsDone() {
	if c.boardState == wire.Safe && c.reason == wire.ReasonShotsDone.String() {
		c.reason = nothingArmed
	}
}

func (c *Control) checkPut(client, field string) error {
	if err := c.requireHolder(client); err != nil || c.canRetrim(field) {
		return err
	}
	return c.requireDisarmed(field, "The set")
}

// installLink makes a board the current one, together with the plan for it.
func (c *Control) installLink(l *link) {
	for {
		c.mu.Lock()
		set := c.set
		c.mu.Unlock()
		plan := c.opts.makePlan(set, &l.wiring.Bench)
		c.mu.Lock()
		if c.set == set {
			c.attach(l, plan)
			c.mu.Unlock()
			return
		}
		c.mu.Unlock()
	}
}

// nothingArmed is the reason of the safe state when there is no other.
const nothingArmed = "nothing is armed"

// attach takes over a board that is safe. The mutex is held.
func (c *Control) attach(l *link, made plan) {
	c.reason = nothingArmed
	if c.lostReason != "" {
		c.reason = reconnectedWords
	}
	c.link, c.disconnectReason, c.lostReason, c.boardState, c.left = l, "", "", wire.Safe, 0
	c.inputs = l.wiring.newInputs(c.inputs)
	c.outputs = outputsOf(l.id)
	c.bench, c.plan = &l.wiring.Bench, made
	c.publish()
}

func makePlan(set shot.Set, bench *shot.Bench) plan {
	p := compilePlan(set, bench)
	opts := elevation.Options{ForPage: true}
	if r := p.refusal; r != nil && bench != nil {
		opts.Problem = elevation.Problem{Field: r.Field, Words: r.Why + "; " + r.Remedy}
	}
	p.elevation = elevation.Draw(set, opts).SVG
	p.lighting, p.judged = makeLighting(set, compilesOn(bench))
	p.addFixes(set, bench)
	return p
}

// compilesOn reports whether a set compiles on a bench; nil where the bench is not known.
func compilesOn(bench *shot.Bench) func(shot.Set) bool {
	if bench == nil {
		return nil
	}
	return func(set shot.Set) bool { return shot.Compiles(set, *bench) }
}

// addFixes offers beside the refusal what the step of its field does, as far as it works.
func (p plan) addFixes(set shot.Set, bench *shot.Bench) {
	if bench == nil {
		return
	}
	if p.refusal == nil || len(p.refusal.Fixes) > 0 || p.lighting == nil {
		return
	}
	for _, s := range p.lighting.Steps {
		if s.Verdict == string(lighting.Change) && slices.Contains(append(s.Seen, s.Fields...), p.refusal.Field) {
			p.refusal.Fixes = slices.DeleteFunc(slices.Clone(s.Fixes), func(f Fix) bool {
				next := set
				return f.put(&next) != nil || !shot.Compiles(next.WithoutStale(set), *bench)
			})
		}
	}
}

func compilePlan(set shot.Set, bench *shot.Bench) plan {
	if bench == nil {
		return plan{refusal: refusal("", "What the board can do is not known yet.", "Wait until it is connected.")}
	}
	program, timeline, err := shot.Compile(set, *bench)
	if err != nil {
		return plan{refusal: toRefusal(err)}
	}
	preview, err := makePreview(set, program, timeline, bench.Tick)
	if err != nil {
		return plan{refusal: toRefusal(err)}
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
	light, err := lighting.Judge(set)
	if err != nil {
		return nil, err
	}
	advice = append(advice, light.Budget()...)
	_, places, err := shot.Places(set, estimate, shot.DefaultSpread(), tick)
	if err != nil {
		return nil, err
	}
	p := &Preview{
		DelayMs: ms(timeline.Delay), DelayLowMs: ms(timeline.Low), DelayHighMs: ms(timeline.High),
		FromGo: timeline.FromGo,
		Within: estimate.Within, SpeedMS: float64(estimate.Speed), Summary: estimate.Summary,
		Marks: []Mark{}, Bars: []BarView{}, Budget: []Term{}, Advice: append([]string{}, advice...), Places: places,
		Table: []TablePoint{},
	}
	for _, m := range timeline.Marks {
		p.Marks = append(p.Marks, Mark{Name: m.Name, AtMs: ms(m.At)})
	}
	for _, b := range timeline.Bars {
		p.Bars = append(p.Bars, BarView{Name: b.Name, FromMs: ms(b.From), ToMs: ms(b.To), Opening: b.Opening, Light: b.Light})
	}
	for _, t := range append(budget.Terms, budget.Total, budget.Repeat) {
		p.Budget = append(p.Budget, Term{
			Name: t.Label(), Ms: float64(t.Mistiming) * 1e3, Mm: float64(t.Displaced) * 1e3, Steady: t.Systematic,
		})
	}
	if program.Gate != nil {
		for _, point := range program.Table {
			p.Table = append(p.Table, TablePoint{IntervalMs: ms(point.Interval), DelayMs: ms(point.Delay)})
		}
	}
	return p, nil
}
