package control

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"stillwater/internal/board"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

// A dry run is armed like any other, with a program that has no cues: the board's sensors and tables are real, and it
// has nothing that it could switch. What would have been switched is worked out here from the delay that the board
// reports. Its shots are no tries: they go on no record.

// DryShot is one shot of a dry run.
type DryShot struct {
	Number     int      `json:"number"`      // in the run, from 1
	IntervalMs *float64 `json:"interval_ms"` // null without a gate
	DelayMs    float64  `json:"delay_ms"`
	Cues       []DryCue `json:"cues"`  // in the order in which they would begin
	Words      string   `json:"words"` // "it would have fired 213.4 ms after the edge: ..."
}

// DryCue is a pulse that would have been switched.
type DryCue struct {
	Name   string  `json:"name"`
	FromMs float64 `json:"from_ms"` // from the clock edge
	ToMs   float64 `json:"to_ms"`
}

// DryEdge is how ragged the sheet's edges were, by the throws of a dry run.
type DryEdge struct {
	Throws int    `json:"throws"` // 0: nothing was measured
	Value  string `json:"value"`  // for throw.edge: "3.4 mm"
	Words  string `json:"words"`
}

// dry reports whether the run is a dry one.
func (r *run) dry() bool { return r.withCues != nil }

// beginDryRun makes a run dry. The mutex is held.
func (c *Control) beginDryRun(r *run) {
	whole := r.program
	r.withCues = &whole
	r.program.Cues, r.program.Opening = nil, nil
	if r.program.Gate == nil {
		r.program.GateMin, r.program.GateMax = 0, 0 // a window after a Go that opens nothing
	}
	c.dryShots = nil
	c.goOnMeasuring(r)
}

// goOnMeasuring keeps what earlier dry runs showed of the sheet's edge, if the throws are as they were then. The mutex
// is held.
func (c *Control) goOnMeasuring(r *run) {
	thrown := r.set.Throw
	thrown.Edge = 0 // the result of measuring, which changes between runs
	same := r.program.Gate != nil && thrown == c.passagesOf && len(c.passages) > 0
	if same {
		last := c.passages[len(c.passages)-1]
		same = last.gate == r.program.Gate.Input && last.beam == r.program.Clock.Input
	}
	if !same {
		c.passages = nil
	}
	c.passagesOf = thrown
}

// maxPassages bounds what is kept: more passages hardly change what is learned of the edge.
const maxPassages = 200

// showDryShot shows what would have been fired. The mutex is held.
func (c *Control) showDryShot(r *run, report board.ShotReport) {
	if report.Status != wire.Done {
		return
	}
	number := 1
	if len(c.dryShots) > 0 {
		number = c.dryShots[0].Number + 1
	}
	made := dryShot(r, number, report)
	c.dryShots = append([]DryShot{made}, c.dryShots[:min(len(c.dryShots), shotsShown-1)]...)
	c.notice = made.Words
	if r.program.Gate != nil {
		c.passages = append(c.passages, passage{gate: r.program.Gate.Input, beam: r.program.Clock.Input,
			Passage: shot.Passage{GateBroken: report.GateAt, BeamBroken: report.ClockAt}})
		c.passages = c.passages[max(len(c.passages)-maxPassages, 0):]
		for input, at := range c.cleared {
			c.passageEnds(input, at)
		}
	}
}

// passage is what the beams saw of a throw of a dry run, as far as it is known.
type passage struct {
	gate, beam uint8 // inputs
	shot.Passage
}

// longestPassage is how long after the second beam was broken the end of a sheet is looked for. Common practice, no
// source.
const longestPassage = time.Second

// passageEnds notes that an input is clear again: the last time is the end of the newest throw.
func (c *Control) passageEnds(input uint8, at wire.Tick) {
	if len(c.passages) == 0 || c.link == nil {
		return
	}
	p := &c.passages[len(c.passages)-1]
	tick := c.link.id.Tick
	after := time.Duration(at.Sub(wire.Tick(p.BeamBroken/tick))) * tick
	if after.Abs() > longestPassage {
		return
	}
	switch input {
	case p.gate:
		p.GateClear = p.BeamBroken + after
	case p.beam:
		p.BeamClear = p.BeamBroken + after
	}
}

// dryEdge is what the throws of the dry run say of the sheet's edge.
func (c *Control) dryEdge() DryEdge {
	var whole []shot.Passage
	for _, p := range c.passages {
		if p.GateClear > p.GateBroken && p.BeamClear > max(p.BeamBroken, p.GateClear) {
			whole = append(whole, p.Passage)
		}
	}
	n := len(whole)
	if n == 0 || c.lastRun == nil {
		return DryEdge{}
	}
	edge, enough := c.lastRun.set.RaggedEdge(whole)
	if !enough {
		return DryEdge{Throws: n, Words: fmt.Sprintf("%s of the %d needed to tell how ragged the sheet's edge is.",
			plural(n, "throw", "throws"), shot.MinPassages)}
	}
	value := fmt.Sprintf("%.1f mm", float64(edge.SD)*1e3)
	words := fmt.Sprintf("From %d throws, the sheet's edge is ragged by %s (standard deviation, known to %.0f %%): "+
		"the front and the end of each throw were compared between the beams.", n-edge.Spray, value, 100*edge.Within)
	if edge.Spray > 0 {
		words += fmt.Sprintf(" %s left out because of spray ahead of the sheet.", plural(edge.Spray, "is", "are"))
	}
	return DryEdge{Throws: n, Value: value, Words: words}
}

func dryShot(r *run, number int, report board.ShotReport) DryShot {
	made := DryShot{Number: number, DelayMs: ms(report.Delay), Cues: []DryCue{}}
	if r.program.Gate != nil {
		interval := ms(report.Interval())
		made.IntervalMs = &interval
	}
	for _, cue := range r.withCues.Cues {
		from := report.Delay + cue.Offset
		made.Cues = append(made.Cues, DryCue{Name: cue.Name, FromMs: ms(from), ToMs: ms(from + cue.Width)})
	}
	slices.SortStableFunc(made.Cues, func(a, b DryCue) int { return cmp.Compare(a.FromMs, b.FromMs) })
	made.Words = dryWords(r.program, report.Delay, made.Cues)
	return made
}

// dryWords says when what would have been switched.
func dryWords(p shot.Program, delay time.Duration, cues []DryCue) string {
	after := "the edge"
	if p.Clock == nil {
		after = "Go"
	}
	var parts []string
	for _, cue := range cues {
		parts = append(parts, fmt.Sprintf("%s at %.1f ms", cue.Name, cue.FromMs))
	}
	return fmt.Sprintf("It would have fired %.1f ms after %s: %s.", ms(delay), after, strings.Join(parts, ", "))
}
