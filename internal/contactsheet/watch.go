package contactsheet

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strings"
	"time"

	"stillwater/internal/frames"
	"stillwater/internal/match"
	"stillwater/internal/record"
)

// Growing is a Source that says how many shots there are, so that it can be watched.
type Growing interface {
	Source
	Count(ctx context.Context, session int64) (int, error)
}

// watchEvery is how often a folder is looked into. Own choice.
const watchEvery = 2 * time.Second

// Watch reports which frame is which shot, and what is seen in it, as files come into a folder, until the context ends.
// A file that is still being written is read when it is whole. Nothing is reported twice. If the folder disappears, as
// when a card is taken out, Watch waits for it.
func Watch(ctx context.Context, source Growing, session record.Summary, folder *frames.Folder, o Options,
	w io.Writer) error {
	o.FrameStore, o.DryRun, o.Progress = newMemory(o.FrameStore), false, nil
	fmt.Fprintf(w, "Session %d: watching %s; end with Ctrl-C.\n", session.ID, oneLine(folder.Path()))
	v := watcher{sent: map[string]string{}}
	again := time.NewTicker(watchEvery)
	defer again.Stop()
	for {
		now, err := frames.Open(folder.Path()) // anew, as there may be another card
		if err == nil {
			err = errors.Join(v.look(ctx, source, session, now, o, w), now.Close())
		}
		switch {
		case ctx.Err() != nil:
			return nil
		case err != nil && isThere(folder.Path()) && !errors.Is(err, fs.ErrNotExist):
			return ForCommandLine(err)
		case err != nil:
			v.say(w, "the folder", "it is gone; waiting until it is back")
		default:
			v.unsay(w, "the folder", "it is back")
		}
		select {
		case <-ctx.Done():
			return nil
		case <-again.C:
		}
	}
}

// watcher is what was seen and reported so far.
type watcher struct {
	before   string            // of the folder and the record
	sent     map[string]string // words, by what they are of
	changing bool              // a file was being written
}

// look looks into the folder once. If nothing changed it reads no file, except one that was being written.
func (v *watcher) look(ctx context.Context, source Growing, session record.Summary, folder *frames.Folder, o Options,
	w io.Writer) error {
	list, _, err := folder.List(ctx)
	if err != nil {
		return err
	}
	shots, err := source.Count(ctx, session.ID)
	if err != nil {
		return err
	}
	now := fmt.Sprint(shots, list)
	if now == v.before && !v.changing {
		return nil
	}
	if o.Measure.Empty != "" && !hasFrame(list, o.Measure.Empty) {
		v.say(w, "empty", "the frame without liquid, "+o.Measure.Empty+", is not there yet")
		return nil
	}
	s, err := Make(ctx, source, session, folder, o)
	if err != nil {
		return err
	}
	v.before, v.changing = now, false
	for i := range s.Rows {
		r := &s.Rows[i]
		if r.Frame == nil || r.Sure == match.Open {
			continue
		}
		words := r.name() + ", " + r.sureWords()
		if seen := s.seenWords(r); seen != "" {
			words += ": " + seen
		}
		v.say(w, fmt.Sprintf("shot %d", r.Shot.Number), words)
	}
	for _, c := range s.Contradictions {
		v.say(w, fmt.Sprintf("shots %d and %d", c.Shots[0], c.Shots[1]), c.ForCommandLine())
	}
	for _, d := range s.Duplicates {
		v.say(w, d.Frame, "it has the content of "+d.Of+", and counts once")
	}
	for _, problem := range s.Problems {
		if errors.Is(problem, frames.ErrChanging) {
			v.changing = true
			continue
		}
		name, what, _ := strings.Cut(ForCommandLine(problem).Error(), ": ")
		v.say(w, name, what)
	}
	if s.Lesson != nil {
		v.say(w, "delay", s.Lesson.Advice.Line)
	}
	return nil
}

// isThere reports whether a folder can be looked into.
func isThere(path string) bool {
	_, err := os.ReadDir(path)
	return err == nil
}

func hasFrame(list []frames.Frame, name string) bool {
	for _, f := range list {
		if isNamed(f, name) {
			return true
		}
	}
	return false
}

// say says something that was not said before.
func (v *watcher) say(w io.Writer, of, words string) {
	if v.sent[of] != words {
		v.sent[of] = words
		fmt.Fprintf(w, "%s: %s\n", oneLine(of), oneLine(words))
	}
}

// unsay says that something that was said is over.
func (v *watcher) unsay(w io.Writer, of, words string) {
	if v.sent[of] != "" {
		v.say(w, of, words)
		v.sent[of] = ""
	}
}
