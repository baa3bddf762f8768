package contactsheet

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"stillwater/internal/look"
	"stillwater/internal/match"
	"stillwater/internal/record"
	"stillwater/internal/shot"
	"stillwater/internal/tuning"
)

// Lesson is what the frames say of the delay, with the verdicts and measurements on record.
type Lesson struct {
	Measured int // frames that were measured
	Before   int // of them, those of shots of which a measurement is on record
	Cut      int // frames whose liquid reaches the border, which say nothing
	Accepted int // measurements put on record now
	Advice   tuning.Advice
}

// measurement is what a row's frame says for the record, in micrometres; false where a person measured it before, where
// its frame is no certain match, and where the liquid is cut off.
func (s *Sheet) measurement(r *Row) (pastUm, sdUm int64, ok bool) {
	if r.Shot.PastSDUm > 0 {
		return 0, 0, false
	}
	return s.seenPast(r)
}

// seenPast is what a row's frame says, whether or not something is on record.
func (s *Sheet) seenPast(r *Row) (pastUm, sdUm int64, ok bool) {
	m := s.missOf(r)
	if m == nil || m.Cut || r.Sure != match.Certain {
		return 0, 0, false
	}
	sd := math.Hypot(float64(m.SD), speedSD*float64(m.Past))
	return int64(math.Round(float64(m.Past) * 1e6)), max(int64(math.Ceil(sd*1e6)), 1), true
}

// learn works out what the frames say of the delay.
func (s *Sheet) learn() {
	set, err := shot.ParseSet(s.Session.Set)
	if err != nil || s.reference == nil || s.reference.pxPerMm == 0 {
		return
	}
	l := Lesson{}
	shots := make([]record.Shot, len(s.Rows))
	for i := range s.Rows {
		r := &s.Rows[i]
		shots[len(shots)-1-i] = r.Shot
		if um, sd, ok := s.measurement(r); ok {
			shots[len(shots)-1-i].PastUm, shots[len(shots)-1-i].PastSDUm = um, sd
			l.Measured++
		} else if _, _, ok := s.seenPast(r); ok {
			l.Measured++
			l.Before++
		} else if m := s.missOf(r); m != nil && m.Cut {
			l.Cut++
		}
	}
	learned, err := shot.Learn(set, shots, new(shot.Outcomes))
	if err != nil || l.Measured == 0 {
		return
	}
	l.Advice = learned.Advice
	s.Lesson = &l
}

var errNothingMeasured = errors.New("--accept: nothing was measured, because no certain frame shows the liquid " +
	"whole; " +
	"run it without --accept to see what each shows")

// accept puts what was measured on record.
func (s *Sheet) accept(ctx context.Context) error {
	switch {
	case s.Lesson == nil:
		return errNothingMeasured
	case s.store == nil || s.dry:
		return nil
	}
	for i := range s.Rows {
		r := &s.Rows[i]
		um, sd, ok := s.measurement(r)
		if !ok {
			continue
		}
		if err := s.store.SetPast(ctx, r.Shot.ID, um, sd); err != nil {
			return fmt.Errorf("--accept: shot %d: %w", r.Shot.Number, err)
		}
		s.Lesson.Accepted++
	}
	return nil
}

// words say what was learned, in sentences.
func (l *Lesson) words() string {
	text := fmt.Sprintf("Measured in %d frames", l.Measured)
	if l.Cut > 0 {
		text += fmt.Sprintf(" (in %d more the liquid reaches the frame's border, which says too little)", l.Cut)
	}
	text += ". " + l.Advice.Words
	switch {
	case l.Accepted > 0:
		return text + fmt.Sprintf(" On record now: %d.", l.Accepted)
	case l.Before == l.Measured:
		return text + " All of them are on record."
	}
	return text + " It is a suggestion: --accept records the measurements."
}

// unreadableWords are said of a frame whose match is as sure as any, since only its time counts for that.
const unreadableWords = "its picture cannot be read"

// seenWords are what a row's picture shows, and what to do about it.
func (s *Sheet) seenWords(r *Row) string {
	if r.unreadable {
		return unreadableWords
	}
	g, ok := s.suggestion(r)
	if !ok {
		return ""
	}
	parts := slices.Concat(g.Reasons, g.Next)
	if r.pictured.Seen != nil && r.pictured.Seen.OtherWay {
		parts = append(parts, "its picture has a different size than the empty frame")
	}
	if g.Verdict != "" {
		parts = append([]string{string(g.Verdict) + "?"}, parts...)
	}
	return strings.Join(parts, "; ")
}

// Look is what was seen in a frame, for a program.
type Look struct {
	Black     bool     `json:"black"`
	Clipped   float64  `json:"clipped"`
	Median    float64  `json:"median_level"`
	Found     *bool    `json:"liquid_found"`
	Contrast  *float64 `json:"edge_contrast_stops"`
	SmearPx   *float64 `json:"smear_px"`
	PastMm    *float64 `json:"past_mm"`
	PastSDMm  *float64 `json:"past_sd_mm"`
	LateMs    *float64 `json:"late_ms"`
	LateSDMs  *float64 `json:"late_sd_ms"`
	Cut       bool     `json:"cut_by_the_border"`
	Suggested string   `json:"suggested"`
	Reasons   []string `json:"reasons"`
	Next      []string `json:"next"`
}

func (s *Sheet) lookOf(r *Row) *Look {
	g, ok := s.suggestion(r)
	if !ok {
		return nil
	}
	p := r.pictured
	l := Look{Black: p.Tones.Black, Clipped: p.Tones.Clipped, Median: float64(p.Tones.Median),
		Suggested: string(g.Verdict), Reasons: append([]string{}, g.Reasons...), Next: append([]string{}, g.Next...)}
	if p.Seen != nil && !p.Seen.OtherWay {
		l.Found, l.Contrast, l.SmearPx = &p.Seen.Found, &p.Seen.Contrast, &p.Seen.SmearPx
	}
	if m := s.missOf(r); m != nil {
		l.setMiss(m)
	}
	return &l
}

func (l *Look) setMiss(m *look.Miss) {
	past, sd := float64(m.Past)*1e3, float64(m.SD)*1e3
	late, lateSD := m.Delay.By.Seconds()*1e3, m.Delay.SD.Seconds()*1e3
	l.PastMm, l.PastSDMm, l.LateMs, l.LateSDMs, l.Cut = &past, &sd, &late, &lateSD, m.Cut
}
