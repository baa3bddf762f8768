package export

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"strings"

	"stillwater/internal/history"
	"stillwater/internal/record"
	"stillwater/internal/render"
	"stillwater/internal/shot"
)

// NewestSource has the record's shots newest first.
type NewestSource interface {
	Source
	NewestShots(context.Context) iter.Seq2[record.Shot, error]
}

// FoundEntry is what was found, as it is written in JSON: a session or a shot.
type FoundEntry struct {
	ID      string        `json:"id"` // "3", or "3/17" for a shot: what names it to "record again"
	Session *SessionEntry `json:"session,omitempty"`
	Shot    *ShotEntry    `json:"shot,omitempty"`
}

// Find writes a line for each session and shot that has all the words, newest first, as they are read. A session has
// words in its name, date and kind; a shot in its own note, verdict, marks, file number, date and kind, and in its
// session's. A session that has them all is followed by those of its own shots that have at least one. Case does not
// matter.
func Find(ctx context.Context, w io.Writer, source NewestSource, words []string) (Result, error) {
	f, err := newFinder(ctx, source, words)
	if err != nil {
		return Result{}, err
	}
	none := true
	for s, err := range f.found(ctx) {
		if err == nil && none {
			err = f.writeLine(w, "id", "when", "kind", "verdict", "name or note")
		}
		if err == nil {
			err = s.writeLine(w, f)
		}
		if err != nil {
			return f.result, err
		}
		none = false
	}
	if none {
		_, err = fmt.Fprintf(w, "Nothing in the record has all of these words: %s. It has names, notes, dates (2026-11-24, "+
			"24 November 2026, Tuesday), kinds (drop, throw, sound), verdicts, marks (keeper, blurred, black) and the "+
			"camera's file numbers and frames (0471, PICT0471).\n",
			render.Printable(strings.Join(words, ", ")))
	}
	return f.result, err
}

// FindJSON is Find as an array.
func FindJSON(ctx context.Context, w io.Writer, source NewestSource, words []string) (Result, error) {
	f, err := newFinder(ctx, source, words)
	if err != nil {
		return Result{}, err
	}
	err = writeArray(w, "", func(yield func(FoundEntry, error) bool) {
		for s, err := range f.found(ctx) {
			if !yield(s.entry(f), err) {
				return
			}
		}
	})
	return f.result, err
}

// finder goes through the record, and has only its sessions in memory.
type finder struct {
	source   NewestSource
	words    history.Query
	sessions []record.Summary
	place    map[int64]int // of a session in sessions
	texts    []string      // what each session is found by
	widths   struct{ id, kind int }
	outcomes shot.Outcomes
	result   Result
}

func newFinder(ctx context.Context, source NewestSource, words []string) (*finder, error) {
	f := &finder{source: source, words: history.NewQuery(words), place: map[int64]int{}}
	f.widths.id, f.widths.kind = len("id"), len("throw")
	var err error
	f.sessions, err = source.Sessions(ctx)
	for i, s := range f.sessions {
		f.place[s.ID] = i
		f.texts = append(f.texts, history.SessionText(s))
		f.widths.kind = max(f.widths.kind, len(kindWords(s)))
		f.widths.id = max(f.widths.id, len(fmt.Sprint(s.ID, "/", s.Shots)))
	}
	return f, err
}

// finding is a shot, or without one a session.
type finding struct {
	session record.Summary
	shot    *record.Shot
}

// found yields what has the words. A session comes before the newest of its shots.
func (f *finder) found(ctx context.Context) iter.Seq2[finding, error] {
	return func(yield func(finding, error) bool) {
		next := 0
		sessionsTo := func(end int) bool {
			for ; next < end; next++ {
				if f.words.MatchSession(f.texts[next]) && !yield(finding{session: f.sessions[next]}, nil) {
					return false
				}
			}
			return true
		}
		for made, err := range f.source.NewestShots(ctx) {
			if err != nil {
				yield(finding{}, err)
				return
			}
			i, known := f.place[made.Session]
			if !f.take(made) || !known || !f.words.MatchShot(f.texts[i], made) {
				continue
			}
			if !sessionsTo(i+1) || !yield(finding{f.sessions[i], &made}, nil) {
				return
			}
		}
		sessionsTo(len(f.sessions))
	}
}

// take keeps account of what cannot be read; false: nothing of the shot can.
func (f *finder) take(made record.Shot) bool {
	if made.Lost {
		f.result.Lost = append(f.result.Lost, made)
		return false
	}
	if made.Damaged != "" {
		f.result.Damaged++
	}
	f.result.Shots++
	return true
}

func (f *finder) writeLine(w io.Writer, id, when, kind, verdict, words string) error {
	line := fmt.Sprintf("%-*s  %-16s  %-*s  %-13s  %s", f.widths.id, id, when, f.widths.kind, kind, verdict, words)
	_, err := fmt.Fprintln(w, strings.TrimRight(render.Printable(strings.ReplaceAll(line, "\n", " ")), " "))
	if err != nil {
		err = fmt.Errorf("write what was found: %w", err)
	}
	return err
}

func (s finding) id() string {
	if s.shot == nil {
		return fmt.Sprint(s.session.ID)
	}
	return fmt.Sprintf("%d/%d", s.session.ID, s.shot.Number)
}

func (s finding) writeLine(w io.Writer, f *finder) error {
	const layout = "2006-01-02 15:04"
	if s.shot == nil {
		return f.writeLine(w, s.id(), dateWords(s.session.Started, s.session.When, layout), kindWords(s.session),
			fmt.Sprint(s.session.Shots, " ", plural(s.session.Shots, "shot", "shots")), titleOf(s.session.Session))
	}
	return f.writeLine(w, s.id(), dateWords(s.shot.At, s.shot.When, layout), history.KindOf(s.shot.Set),
		string(s.shot.Verdict), strings.TrimSpace(s.shot.Note+foundMarks(*s.shot)+damagedWords(*s.shot)))
}

// foundMarks are the marks of a shot and its file number.
func foundMarks(s record.Shot) string {
	marks := history.Marks(s)
	if s.File != 0 {
		marks = append(marks, "file "+record.FileName(s.File))
	}
	if s.Frame != "" {
		marks = append(marks, "frame "+s.Frame)
	}
	if marks == nil {
		return ""
	}
	return " (" + strings.Join(marks, ", ") + ")"
}

func (s finding) entry(f *finder) FoundEntry {
	if s.shot == nil {
		session := sessionOf(s.session)
		return FoundEntry{ID: s.id(), Session: &session}
	}
	made := shotOf(s.session.Session, *s.shot, f.outcomes.Of(*s.shot), planOf(&f.outcomes, *s.shot))
	return FoundEntry{ID: s.id(), Shot: &made}
}

// CheckWords refuses search words that would find everything: none, or an empty one.
func CheckWords(words []string) error {
	if len(words) == 0 {
		return errors.New("WORDS: there are none; give some of a name, a note, a date, a kind or a verdict, like " +
			"\"crown good\"")
	}
	for _, w := range words {
		if strings.TrimSpace(w) == "" {
			return errors.New("WORDS: one of them is empty; leave it out")
		}
	}
	return nil
}
