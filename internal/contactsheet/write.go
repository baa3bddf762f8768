package contactsheet

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"time"

	"stillwater/internal/export"
	"stillwater/internal/frames"
	"stillwater/internal/history"
	"stillwater/internal/match"
	"stillwater/internal/record"
	"stillwater/internal/render"
)

const clockLayout = "2006-01-02 15:04:05"

// Count is how many shots have a frame that is certain, likely, or neither.
func (s *Sheet) Count() (certain, likely, open int) {
	for _, r := range s.Rows {
		switch r.Sure {
		case match.Certain:
			certain++
		case match.Likely:
			likely++
		default:
			open++
		}
	}
	return certain, likely, open
}

// unreadable is how many shots have a frame that is certain or likely, and whose picture cannot be read.
func (s *Sheet) unreadable() (n int) {
	for _, r := range s.Rows {
		if r.unreadable && r.Sure != match.Open {
			n++
		}
	}
	return n
}

// Write writes the sheet for people: a line a shot, and what is left over.
func (s *Sheet) Write(w io.Writer) error {
	rows, looked := make([][]string, len(s.Rows)), false
	for i, r := range s.Rows {
		rows[i] = []string{fmt.Sprint(r.Shot.Number), r.Shot.At.Format(clockLayout), r.name(), r.takenWords(), r.sureWords(),
			fmt.Sprintf("%.1f ms", float64(r.Shot.DelayNs)/1e6), strings.Join(history.Remarks(r.Shot), ", "),
			s.seenWords(&s.Rows[i])}
		looked = looked || r.pictured != nil || r.unreadable
	}
	header := []string{"shot", "time", "frame", "camera's time", "match", "delay", "verdict", "the frame shows"}
	if !looked {
		header = header[:len(header)-1]
		for i := range rows {
			rows[i] = rows[i][:len(header)]
		}
	}
	err := render.Table(w, header, rows)
	if err != nil {
		return err
	}
	certain, likely, open := s.Count()
	if len(s.Rows) == 0 {
		fmt.Fprintf(w, "\nSession %d has no shots.\n", s.Session.ID)
	} else {
		fmt.Fprintf(w, "\nOf %d shots %d have a frame that is certain, %d a likely one; open: %d.\n", len(s.Rows),
			certain, likely, open)
		if n := s.unreadable(); n > 0 {
			fmt.Fprintf(w, "Of these frames %d cannot be seen: %s.\n", n, unreadableWords)
		}
	}
	for _, c := range s.Clocks {
		fmt.Fprintf(w, "The camera's clock was %s.\n", clockWords(c.Offset))
	}
	list(w, s.extraWords(), s.Extra)
	list(w, "Frames that do not say when they were taken", s.Untimed)
	if len(s.Duplicates) > 0 {
		fmt.Fprintf(w, "Frames with the content of another, which count once: %d (%s).\n", len(s.Duplicates),
			s.duplicateNames())
	}
	if s.Lost > 0 {
		fmt.Fprintf(w, "Shots of the record that cannot be read: %d.\n", s.Lost)
	}
	paired := slices.ContainsFunc(s.Rows, func(r Row) bool { return r.Settled })
	if open > 0 && len(s.Extra) > 0 && !paired {
		fmt.Fprint(w, "One pair that you know settles others: --match SHOT=FILE.\n")
	}
	if s.Lesson != nil {
		fmt.Fprintf(w, "\n%s\n", s.Lesson.words())
	}
	if s.Room != nil {
		fmt.Fprintf(w, "\n%s\n", s.Room.words())
	}
	return nil
}

// duplicateNames names the duplicates and what they are of.
func (s *Sheet) duplicateNames() string {
	var names []string
	for _, d := range s.Duplicates[:min(len(s.Duplicates), maxNamed)] {
		names = append(names, fmt.Sprintf("%s of %s", oneLine(d.Frame), oneLine(d.Of)))
	}
	if len(s.Duplicates) > maxNamed {
		names = append(names, "...")
	}
	return strings.Join(names, ", ")
}

// extraWords say what the frames are that no shot has: where one may be a shot's, nobody knows.
func (s *Sheet) extraWords() string {
	if slices.ContainsFunc(s.Rows, func(r Row) bool { return r.Sure == match.Open && r.Frame != nil }) {
		return "Frames not matched"
	}
	return "Frames that belong to no shot"
}

func (r *Row) name() string {
	if r.Frame == nil {
		return "none"
	}
	return r.Frame.Name
}

func (r *Row) takenWords() string {
	if r.Frame == nil {
		return ""
	}
	return r.Frame.Taken.Format(clockLayout)
}

func (r *Row) sureWords() string {
	switch {
	case r.Settled:
		return string(r.Sure) + ", as you said"
	case r.Frame == nil && r.NoFrame >= 0.5:
		return "open: probably without a frame, " + percent(r.NoFrame)
	case r.Frame == nil:
		return string(match.Open)
	}
	if r.contradicted && r.Sure == match.Likely { // its probability is of one clock
		return "likely, but contradicted"
	}
	return fmt.Sprintf("%s, %s", r.Sure, percent(r.Probability))
}

// percent never shows a probability as certain that is not: what lacks a little does not look as if it lacked nothing.
// What is certain begins beyond 98 %, which takes a decimal.
func percent(p float64) string {
	const rounding = 1e-9 // of floating point
	if p > 0.98 {
		return fmt.Sprintf("%.1f %%", min(math.Floor(p*1000+rounding)/10, 99.9))
	}
	return fmt.Sprintf("%.0f %%", math.Floor(p*100+rounding))
}

func clockWords(offset time.Duration) string {
	switch offset = offset.Round(time.Second); {
	case offset == 0:
		return "right, to the second"
	case offset < 0:
		return apartWords(offset) + " behind"
	default:
		return apartWords(offset) + " ahead"
	}
}

// maxNamed is how many leftover frames are named.
const maxNamed = 20

func list(w io.Writer, what string, all []frames.Frame) {
	if len(all) == 0 {
		return
	}
	names := make([]string, 0, maxNamed)
	for _, f := range all[:min(len(all), maxNamed)] {
		names = append(names, oneLine(f.Name))
	}
	more := ""
	if len(all) > maxNamed {
		more = ", ..."
	}
	fmt.Fprintf(w, "%s: %d (%s%s).\n", what, len(all), strings.Join(names, ", "), more)
}

// Entry is a sheet as JSON.
type Entry struct {
	Session  int64       `json:"session"`
	Shots    []ShotEntry `json:"shots"`
	Certain  int         `json:"certain"`
	Likely   int         `json:"likely"`
	Open     int         `json:"open"`
	NotSeen  int         `json:"pictures_unreadable"` // of frames that are certain or likely
	Clocks   []ClockFact `json:"clocks"`
	Extra    []string    `json:"frames_of_no_shot"`
	Untimed  []string    `json:"frames_without_time"`
	Same     []Duplicate `json:"frames_of_same_content"`
	Problems []string    `json:"problems"`
	Lost     int         `json:"shots_lost"`
	Read     int         `json:"frames_read_now"`
	Looked   int         `json:"pictures_looked_at_now"`
	Lesson   *LessonFact `json:"delay"` // null: the frames say nothing of it
	Room     *Room       `json:"room"`  // null: --black named no frame
}

// LessonFact is what the frames say of the delay.
type LessonFact struct {
	Measured int     `json:"measured"`
	Accepted int     `json:"accepted"`
	Step     string  `json:"step"`
	TrimMs   float64 `json:"trim_ms"`
	LowMs    float64 `json:"low_ms"`
	HighMs   float64 `json:"high_ms"`
	Sure     float64 `json:"sure"`
	Words    string  `json:"words"`
}

// ClockFact is the camera's clock against the record's.
type ClockFact struct {
	Boot      int64   `json:"boot"`
	AheadS    float64 `json:"ahead_s"`
	DriftPpm  float64 `json:"drift_ppm"`
	ScatterMs float64 `json:"scatter_ms"`
}

// ShotEntry is a shot with its frame, "" for none.
type ShotEntry struct {
	Shot        int            `json:"shot"`
	ID          int64          `json:"id"`
	At          string         `json:"at"`
	DelayMs     float64        `json:"delay_ms"`
	Verdict     record.Verdict `json:"verdict"`
	Keeper      bool           `json:"keeper"`
	Frame       string         `json:"frame"`
	Files       []string       `json:"files"`
	Taken       string         `json:"camera_time"`
	Match       string         `json:"match"`
	Probability float64        `json:"probability"`
	NoFrame     float64        `json:"probability_of_none"`
	Settled     bool           `json:"settled"`
	Look        *Look          `json:"look"` // null: not looked at
}

// Entry is the sheet for a program.
func (s *Sheet) Entry() Entry {
	e := Entry{Session: s.Session.ID, Shots: []ShotEntry{}, Clocks: []ClockFact{}, Extra: names(s.Extra),
		Untimed: names(s.Untimed), Problems: []string{}, Lost: s.Lost, Read: s.Read, Looked: s.Looked,
		Lesson: s.Lesson.fact(), Room: s.Room}
	e.Same = append([]Duplicate{}, s.Duplicates...)
	e.Certain, e.Likely, e.Open = s.Count()
	e.NotSeen = s.unreadable()
	for i := range s.Rows {
		e.Shots = append(e.Shots, s.Rows[i].entry())
		e.Shots[i].Look = s.lookOf(&s.Rows[i])
	}
	for _, c := range s.Clocks {
		e.Clocks = append(e.Clocks, ClockFact{c.Boot, c.Offset.Seconds(), c.Drift * 1e6, c.Scatter.Seconds() * 1e3})
	}
	for _, c := range s.Contradictions {
		e.Problems = append(e.Problems, c.ForCommandLine())
	}
	for _, p := range s.Problems {
		e.Problems = append(e.Problems, ForCommandLine(p).Error())
	}
	return e
}

func (l *Lesson) fact() *LessonFact {
	if l == nil {
		return nil
	}
	ms := func(d time.Duration) float64 { return d.Seconds() * 1e3 }
	a := l.Advice
	return &LessonFact{l.Measured, l.Accepted, string(a.Step), ms(a.Trim), ms(a.Low), ms(a.High), a.Sure, a.Words}
}

func (r *Row) entry() ShotEntry {
	e := ShotEntry{Shot: r.Shot.Number, ID: r.Shot.ID, At: r.Shot.At.Format(time.RFC3339Nano),
		DelayMs: float64(r.Shot.DelayNs) / 1e6, Verdict: r.Shot.Verdict, Keeper: r.Shot.Star, Files: []string{},
		Match: string(r.Sure), Probability: r.Probability, NoFrame: r.NoFrame, Settled: r.Settled}
	if r.Frame != nil {
		e.Frame, e.Taken = r.Frame.Name, r.Frame.Taken.Format("2006-01-02T15:04:05.00")
		for _, f := range r.Frame.Files {
			e.Files = append(e.Files, f.Name)
		}
	}
	return e
}

func names(all []frames.Frame) []string {
	list := make([]string, len(all))
	for i, f := range all {
		list[i] = f.Name
	}
	return list
}

// WriteCSV writes a line a shot.
func (s *Sheet) WriteCSV(w io.Writer) error {
	out := csv.NewWriter(w)
	if err := out.Write([]string{"session", "shot", "at", "delay_ms", "verdict", "keeper", "frame", "files", "camera_time",
		"match", "probability", "probability_of_none", "past_mm", "past_sd_mm", "suggested", "shows"}); err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	for i := range s.Rows {
		r := &s.Rows[i]
		e, past, sd, suggested := r.entry(), "", "", ""
		if l := s.lookOf(r); l != nil {
			suggested = l.Suggested
			if l.PastMm != nil {
				past, sd = fmt.Sprintf("%.1f", *l.PastMm), fmt.Sprintf("%.1f", *l.PastSDMm)
			}
		}
		if err := out.Write([]string{fmt.Sprint(s.Session.ID), fmt.Sprint(e.Shot), e.At, fmt.Sprint(e.DelayMs),
			export.Harmless(string(e.Verdict)), fmt.Sprint(e.Keeper), export.Harmless(oneLine(e.Frame)),
			export.Harmless(oneLine(strings.Join(e.Files, " "))), e.Taken, e.Match, fmt.Sprintf("%.4f", e.Probability),
			fmt.Sprintf("%.4f", e.NoFrame), past, sd, suggested, export.Harmless(s.seenWords(r))}); err != nil {
			return fmt.Errorf("write CSV: %w", err)
		}
	}
	out.Flush()
	if err := out.Error(); err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	return nil
}

// oneLine is a text that comes from a file's name as it is shown: in one line, and without what turns it round.
func oneLine(text string) string { return strings.ReplaceAll(render.Printable(text), "\n", `\n`) }
