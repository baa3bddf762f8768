package export

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"stillwater/internal/history"
	"stillwater/internal/record"
	"stillwater/internal/render"
	"stillwater/internal/shot"
)

// verdicts in the order of the columns of SessionTable; the last is none yet.
var verdicts = []record.Verdict{record.Early, record.Good, record.Late, record.TooHigh, record.TooLow, record.Nothing,
	record.Unjudged}

// SessionTable writes a line a session for people: when it was, of which kinds its shots were and how judged.
func SessionTable(w io.Writer, all []record.Summary) error {
	rows := make([][]string, len(all))
	for i, s := range all {
		rows[i] = []string{fmt.Sprint(s.ID), dateWords(s.Started, s.When, "2006-01-02 15:04"), titleOf(s.Session), s.Board,
			kindWords(s), fmt.Sprint(s.Shots)}
		for _, v := range verdicts {
			rows[i] = append(rows[i], fmt.Sprint(s.Verdicts[v]))
		}
	}
	return render.Table(w,
		[]string{"session", "started", "name", "board", "kinds", "shots", "early", "good", "late",
			"too high", "too low", "nothing there", "unjudged"}, rows)
}

// ShotTable writes a session for people: a line about it, and its shots as they are read. They are read twice, for the
// widths of the columns and for what is in them.
func ShotTable(ctx context.Context, w io.Writer, source Source, s record.Summary) (result Result, err error) {
	_, err = fmt.Fprintf(w, "Session %d, %q, started %s, board: %s, kinds: %s, shots: %d\n", s.ID, titleOf(s.Session),
		dateWords(s.Started, s.When, "2006-01-02 15:04:05"), render.Printable(s.Board), render.Printable(kindWords(s)),
		s.Shots)
	if err != nil || s.Shots == 0 && s.Damaged == "" {
		return result, err
	}
	fmt.Fprintf(w, "Set as last changed: %s\n", setWords(s.Set))
	fmt.Fprint(w, "Times of cues are from the sensor's edge.\n\n")
	var failed error
	var outcomes shot.Outcomes
	err = render.LongTable(w, []string{"shot", "file", "time", "ended", "kind", "phase", "trim", "interval", "speed",
		"delay", "cue", "planned", "actual", "late", "seen", "verdict", "note"}, func(yield func([]string) bool) {
		result = Result{}
		for made, err := range source.AllShots(ctx, s.ID) {
			switch {
			case err != nil:
				failed = err
				return
			case made.Lost:
				result.Lost = append(result.Lost, made)
				continue
			case made.Damaged != "":
				result.Damaged++
			}
			result.Shots++
			for _, row := range shotRows(made, outcomes.Of(made), planOf(&outcomes, made)) {
				if !yield(row) {
					return
				}
			}
		}
	})
	return result, errors.Join(err, failed)
}

// kindWords are what was shot in a session, and "?" where that is not known.
func kindWords(s record.Summary) string {
	return cmp.Or(strings.Join(history.SessionKinds(s), ", "), "?")
}

// titleOf is a session's title, or why it has none.
func titleOf(s record.Session) string {
	if s.Damaged != "" {
		return strings.TrimSpace(s.Name + " (" + s.Damaged + ")")
	}
	return s.Title()
}

// shotRows is a shot as lines of a table, one for each cue.
func shotRows(s record.Shot, outcome shot.Outcome, plan planEntry) [][]string {
	ms := func(ns int64) string { return strconv.FormatFloat(float64(ns)/1e6, 'f', 3, 64) + " ms" }
	interval, trim, speed := "", "", ""
	if s.IntervalNs != 0 {
		interval = ms(s.IntervalNs)
	}
	if plan.TrimMs != nil {
		trim = strconv.FormatFloat(*plan.TrimMs, 'f', -1, 64) + " ms"
	}
	if plan.SpeedMS != nil {
		speed = strconv.FormatFloat(*plan.SpeedMS, 'f', 2, 64) + " m/s"
	}
	first := []string{fmt.Sprint(s.Number), record.FileName(s.File), dateWords(s.At, s.When, time.TimeOnly),
		endWords(s, outcome), plan.Kind, plan.Phase, trim, interval, speed, ms(s.DelayNs)}
	last := []string{s.Seen, remarkWords(s), strings.TrimSpace(s.Note + damagedWords(s))}
	var rows [][]string
	for _, c := range s.Cues {
		late := strconv.FormatFloat(float64(c.LateNs())/1e3, 'f', 1, 64) + " us"
		row := append(append([]string{}, first...), c.Name, ms(c.PlannedNs), ms(c.OnNs), late)
		rows = append(rows, append(row, last...))
		first, last = make([]string, len(first)), make([]string, len(last))
	}
	if rows == nil {
		rows = [][]string{append(append(first, "", "", "", ""), last...)}
	}
	return rows
}

// setWords lists the values that are shown of a stored set.
func setWords(stored string) string {
	set, err := shot.ParseSet(stored)
	if err != nil {
		return "cannot be read"
	}
	var words []string
	for _, v := range set.Shown() {
		words = append(words, v.Field+" "+v.Text)
	}
	return strings.Join(words, ", ")
}

// endWords is how a shot ended.
func endWords(s record.Shot, outcome shot.Outcome) string {
	switch {
	case outcome.Late > 0:
		return fmt.Sprintf("%s, machine %.1f ms late", s.Status, outcome.Late.Seconds()*1e3)
	case outcome.Late < 0:
		return fmt.Sprintf("%s, machine %.1f ms early", s.Status, -outcome.Late.Seconds()*1e3)
	}
	return s.Status
}

// remarkWords are the verdict and the marks.
func remarkWords(s record.Shot) string {
	words := history.Marks(s)
	if s.Verdict != "" {
		words = append([]string{string(s.Verdict)}, words...)
	}
	return strings.Join(words, ", ")
}

func damagedWords(s record.Shot) string {
	if s.Damaged == "" {
		return ""
	}
	return " (damaged: " + s.Damaged + ")"
}

// dateWords is a date with how it is known, where that is not the machine's clock.
func dateWords(at time.Time, w record.When, layout string) string {
	if how := w.Dated.String(); how != "" {
		return at.Format(layout) + " (" + how + ")"
	}
	return at.Format(layout)
}
