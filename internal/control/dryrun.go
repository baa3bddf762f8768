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
}

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
