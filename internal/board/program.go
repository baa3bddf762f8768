package board

import (
	"fmt"
	"math"
	"time"

	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

// ProgramError reports which part of a program this board cannot carry out, and why. Nothing was sent.
type ProgramError struct {
	Part string // "clock", "gate", "table point 3", "flash cue", ...
	Why  string
}

func (e *ProgramError) Error() string {
	return "this board cannot carry out the program: " + e.Part + ": " + e.Why
}

func programError(part, why string, args ...any) error {
	return &ProgramError{Part: part, Why: fmt.Sprintf(why, args...)}
}

// programInTicks converts a program to the board's ticks, to the nearest tick, and checks it against the board's
// limits.
func programInTicks(p shot.Program, id Identity) (wire.Program, error) {
	t := converter{id: id}
	w := wire.Program{
		Clock:   t.source("clock", p.Clock),
		Gate:    t.source("gate", p.Gate),
		Nth:     t.nth(p),
		HoldOff: t.span("hold-off", p.HoldOff, wire.MaxDelay),
		Late:    t.span("lateness allowed", p.Late, wire.MaxDelay),
		Rest:    t.span("rest", p.Rest, wire.MaxWidth),
	}
	if p.Gate != nil {
		w.GateMin = t.span("shortest gate interval", p.GateMin, wire.MaxDelay)
		w.GateMax = t.span("longest gate interval", p.GateMax, wire.MaxDelay)
	} else {
		w.GateMin = t.span("begin of the window after Go", p.GateMin, wire.MaxDelay)
		w.GateMax = t.span("end of the window after Go", p.GateMax, wire.MaxDelay)
	}
	t.table(p, &w)
	w.CueLen = t.cues("cue", p.Cues, &w.Cues)
	w.OpenLen = t.cues("opening cue", p.Opening, &w.Opening)
	t.gateRange(p, w)
	t.lead(p, w)
	t.rest(w)
	return w, t.err
}

// converter keeps the first error.
type converter struct {
	id  Identity
	err error
}

func (t *converter) fail(part, why string, args ...any) {
	if t.err == nil {
		t.err = programError(part, why, args...)
	}
}

func (t *converter) source(part string, s *shot.Source) wire.Source {
	if s == nil {
		return wire.Source{Input: wire.NoInput}
	}
	if int(s.Input) >= len(t.id.Inputs) {
		t.fail(part, "there is no input %d: the board has %d", s.Input, len(t.id.Inputs))
	}
	return wire.Source{Input: s.Input, Falling: s.Falling}
}

func (t *converter) nth(p shot.Program) uint8 {
	if p.Nth < 1 || p.Nth > math.MaxUint8 {
		t.fail("nth edge", "%d is not within 1 to %d", p.Nth, math.MaxUint8)
	}
	if p.Gate != nil && p.Nth != 1 {
		t.fail("nth edge", "with a gate it must be 1, not %d", p.Nth)
	}
	return uint8(p.Nth)
}

func (t *converter) span(part string, d time.Duration, farthest int64) uint32 {
	n := timeToTicks(d, t.id.TickHz)
	switch {
	case d < 0:
		t.fail(part, "%v is negative", d)
	case n > farthest:
		t.fail(part, "%v is longer than the %v this board can time", d, ticksToTime(farthest, t.id.TickHz))
	default:
		return uint32(n)
	}
	return 0
}

func (t *converter) table(p shot.Program, w *wire.Program) {
	room := min(t.id.TableLen, wire.MaxTable)
	switch {
	case len(p.Table) > room:
		t.fail("table", "%d points: the board takes %d", len(p.Table), room)
		return
	case p.Gate == nil && len(p.Table) != 1:
		t.fail("table", "without a gate it must have one delay, not %d", len(p.Table))
		return
	case p.Gate != nil && len(p.Table) < 2:
		t.fail("table", "with a gate it needs two points or more, not %d", len(p.Table))
		return
	}
	w.TableLen = uint8(len(p.Table))
	for i, point := range p.Table {
		part := fmt.Sprintf("table point %d", i+1)
		w.Table[i] = wire.Point{
			Interval: t.span(part, point.Interval, wire.MaxDelay),
			Delay:    t.span(part, point.Delay, wire.MaxDelay),
		}
		if i > 0 && w.Table[i].Interval <= w.Table[i-1].Interval {
			t.fail(part, "interval %v is not longer than the one before, in ticks of %v", point.Interval, t.id.Tick)
		}
	}
}

// gateRange checks the accepted intervals against each other and against the table, which has no delay outside it.
func (t *converter) gateRange(p shot.Program, w wire.Program) {
	if p.Gate == nil || t.err != nil {
		return
	}
	if w.GateMin > w.GateMax {
		t.fail("gate", "the shortest interval %v is longer than the longest %v", p.GateMin, p.GateMax)
	}
	first, last := w.Table[0], w.Table[w.TableLen-1]
	if w.GateMin < first.Interval || w.GateMax > last.Interval {
		t.fail("gate", "intervals %v to %v reach outside the table, %v to %v", p.GateMin, p.GateMax,
			p.Table[0].Interval, p.Table[len(p.Table)-1].Interval)
	}
}

func (t *converter) cues(kind string, cues []shot.Cue, to *[wire.MaxCues]wire.CueSpec) uint8 {
	if room := min(t.id.CueLen, wire.MaxCues); len(cues) > room {
		t.fail(kind+"s", "%d of them: the board takes %d", len(cues), room)
		return 0
	}
	for i, c := range cues {
		part := cueName(kind, i, c)
		if int(c.Output) >= len(t.id.Outputs) {
			t.fail(part, "there is no output %d: the board has %d", c.Output, len(t.id.Outputs))
			continue
		}
		if kind == "opening cue" && c.Offset < 0 {
			t.fail(part, "it starts %v before Go", -c.Offset)
		}
		to[i] = wire.CueSpec{
			Output: c.Output,
			Offset: t.offset(part, c.Offset),
			Width:  t.span(part, c.Width, wire.MaxWidth),
		}
		t.width(part, c, to[i].Width)
	}
	return uint8(len(cues))
}

func (t *converter) width(part string, c shot.Cue, ticks uint32) {
	limit := t.id.Outputs[c.Output].MaxOn
	switch {
	case t.err != nil:
	case ticks == 0:
		t.fail(part, "a width of %v is less than a tick of %v", c.Width, t.id.Tick)
	case int64(ticks) > timeToTicks(limit, t.id.TickHz):
		t.fail(part, "%v is longer than output %q may be on: %v", c.Width, t.id.Outputs[c.Output].Name, limit)
	}
}

func (t *converter) offset(part string, d time.Duration) int32 {
	n := timeToTicks(d, t.id.TickHz)
	if n > wire.MaxDelay || n < -wire.MaxDelay {
		t.fail(part, "an offset of %v is further than the %v this board can time", d,
			ticksToTime(wire.MaxDelay, t.id.TickHz))
		return 0
	}
	return int32(n)
}

// lead checks that the board knows each cue's time early enough.
func (t *converter) lead(p shot.Program, w wire.Program) {
	if t.err != nil {
		return
	}
	shortest := w.Table[0].Delay
	for _, point := range w.Table[1:w.TableLen] {
		shortest = min(shortest, point.Delay)
	}
	lead := t.id.EdgeLead
	switch {
	case p.Clock == nil:
		lead = t.id.Lead
	case p.Gate != nil:
		lead = t.id.GateLead
	}
	need := timeToTicks(lead, t.id.TickHz)
	for i, c := range w.Cues[:w.CueLen] {
		if start := int64(shortest) + int64(c.Offset); start < need {
			t.fail(cueName("cue", i, p.Cues[i]), "it starts %v after the clock edge at the shortest delay; the board needs %v",
				ticksToTime(start, t.id.TickHz), lead)
		}
	}
}

// rest runs the protocol's own check, which the board runs too, for all that has no better message here.
func (t *converter) rest(w wire.Program) {
	if t.err != nil {
		return
	}
	if problem := w.Check(t.id.limits()); !problem.OK() {
		t.err = &ProgramError{Part: "the program as a whole", Why: problem.Err().Error()}
	}
}

func (id Identity) limits() *wire.Limits {
	l := &wire.Limits{
		Inputs:  uint8(len(id.Inputs)),
		Outputs: uint8(len(id.Outputs)),
		Table:   uint8(id.TableLen),
		Cues:    uint8(id.CueLen),
		Lead:    uint32(timeToTicks(id.Lead, id.TickHz)),
	}
	for i, in := range id.Inputs {
		if in.Kind == wire.InputKill {
			l.Kill |= 1 << i
		}
	}
	for i, out := range id.Outputs {
		l.MaxOn[i] = uint32(timeToTicks(out.MaxOn, id.TickHz))
	}
	return l
}

func cueName(kind string, i int, c shot.Cue) string {
	if c.Name != "" {
		return c.Name + " " + kind
	}
	return fmt.Sprintf("%s %d", kind, i+1)
}
