package intake

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"stillwater/internal/contactsheet"
	"stillwater/internal/control"
	"stillwater/internal/match"
	"stillwater/internal/page"
	"stillwater/internal/sentence"
)

// said is what a person said of a frame: the number of its shot; control.NoShot, it is of none; 0, what was said of it
// before counts no more.
type said struct {
	Frame string `json:"frame"`
	Shot  int    `json:"shot"`
}

// pairs is what people said of a session's frames and what it changed. It is on record: however the program ends, the
// report stays the same.
type pairs struct {
	Said    []said             `json:"said"`    // what was not looked at yet
	Before  []paired           `json:"before"`  // the frames before that was; null: as they are now
	Changed *page.CameraChange `json:"changed"` // by what was looked at last; null: nothing was said yet
	Firmer  []string           `json:"firmer"`  // frames that it made certain, by name
	Looser  []string           `json:"looser"`  // that it made only likely
	Undo    []said             `json:"undo"`    // takes that back
	Refused string             `json:"refused"` // why what was said last cannot be, until the next is said
}

// paired is a frame and what it was taken for.
type paired struct {
	Name    string         `json:"name"`
	Shot    int            `json:"shot,omitempty"`
	Sure    match.Sureness `json:"sure,omitempty"`
	Settled bool           `json:"settled,omitempty"`
}

func pairedOf(frames []page.CameraFrame) []paired {
	list := make([]paired, len(frames))
	for i, f := range frames {
		list[i] = paired{f.Name, f.Shot, match.Sureness(f.Sure), f.Settled}
	}
	return list
}

// replaces reports whether it leaves nothing of something said before it.
func (s said) replaces(before said) bool {
	return s.Frame == before.Frame || s.Shot > 0 && s.Shot == before.Shot
}

// tell has frames looked at with it.
func (s said) tell(o *contactsheet.Options) {
	switch s.Shot {
	case control.NoShot:
		o.NoShot(s.Frame)
	case 0:
		o.TakeBack(s.Frame)
	default:
		o.Match(s.Shot, s.Frame)
	}
}

func (s said) words() string {
	switch s.Shot {
	case control.NoShot:
		return fmt.Sprintf("%s is not a shot, as you said.", s.Frame)
	case 0:
		return fmt.Sprintf("What you said of %s is taken back.", s.Frame)
	}
	return fmt.Sprintf("%s is shot %d, as you said.", s.Frame, s.Shot)
}

// matchWords say at the page why what was said cannot be, and what to do.
func matchWords(e *contactsheet.MatchError) string {
	why := sentence.Capital(e.Why)
	if e.Text == "" {
		return fmt.Sprintf("%s. Take back what you said about shot %d.", why, e.Shot)
	}
	return why + ". Open the frame and say again which shot it is."
}

// maxNamed of the frames that changed are named.
const maxNamed = 2

// change is what something said changed. How sure others are of their shots may change again, so that words of that
// hold for a while: see shown.
func (p *pairs) change(before, after []paired, now []said) {
	var words, moved []string
	p.Changed, p.Undo, p.Firmer, p.Looser = &page.CameraChange{Back: true}, nil, nil, nil
	for n, one := range now {
		if !slices.ContainsFunc(now[n+1:], func(later said) bool { return later.replaces(one) }) {
			words = append(words, one.words())
			p.Changed.Back = p.Changed.Back && one.Shot == 0
		}
	}
	for _, is := range after {
		at := slices.IndexFunc(before, func(f paired) bool { return f.Name == is.Name })
		if at < 0 {
			continue
		}
		was := before[at]
		isSaid := slices.ContainsFunc(now, func(s said) bool { return s.Frame == is.Name })
		switch {
		case was.Settled != is.Settled || was.Settled && was.Shot != is.Shot:
			p.Undo = append(p.Undo, said{is.Name, saidOf(was)})
		case isSaid && is.Settled: // what was said before was said once more
			p.Undo = append(p.Undo, said{is.Name, 0})
		}
		if isSaid {
			continue
		}
		if was.Settled && !is.Settled {
			words = append(words, fmt.Sprintf("You had said that of %s; that no longer counts.", was.Name))
		}
		switch {
		case shotOf(was) != shotOf(is):
			moved = append(moved, fmt.Sprintf("%s from %s to %s", is.Name, shotWords(was), shotWords(is)))
		case was.Sure != match.Certain && is.Sure == match.Certain:
			p.Firmer = append(p.Firmer, is.Name)
		case was.Sure == match.Certain && is.Sure == match.Likely:
			p.Looser = append(p.Looser, is.Name)
		}
	}
	if len(moved) > 0 {
		words = append(words, movedWords(moved))
	}
	p.Changed.Others = len(moved) + len(p.Firmer) + len(p.Looser)
	p.Changed.Words = strings.Join(words, " ")
}

// shown is what was changed, with how sure others are of their shots as far as that still holds.
func (p *pairs) shown(frames []page.CameraFrame) *page.CameraChange {
	if p.Changed == nil {
		return nil
	}
	still := func(names []string, sure match.Sureness) (n int) {
		for _, f := range frames {
			if slices.Contains(names, f.Name) && f.Sure == string(sure) {
				n++
			}
		}
		return n
	}
	now := *p.Changed
	if n := still(p.Firmer, match.Certain); n > 0 {
		now.Words += " " + settledWords(n)
	}
	if n := still(p.Looser, match.Likely); n > 0 {
		now.Words += " " + unsettledWords(n)
	}
	return &now
}

func settledWords(n int) string {
	if n == 1 {
		return "1 other is certain now."
	}
	return fmt.Sprintf("%d others are certain now.", n)
}

func unsettledWords(n int) string {
	if n == 1 {
		return "1 other is only likely now."
	}
	return fmt.Sprintf("%d others are only likely now.", n)
}

func movedWords(moved []string) string {
	text := fmt.Sprintf("%d other frames changed shot: ", len(moved))
	if len(moved) == 1 {
		text = "1 other frame changed shot: "
	}
	text += strings.Join(moved[:min(len(moved), maxNamed)], "; ")
	if more := len(moved) - maxNamed; more > 0 {
		text += fmt.Sprintf("; and %d more", more)
	}
	return text + "."
}

// saidOf is what a person said of a frame.
func saidOf(f paired) int {
	switch {
	case !f.Settled:
		return 0
	case f.Shot == 0:
		return control.NoShot
	}
	return f.Shot
}

// shotOf is the shot that a frame is taken for; 0 none.
func shotOf(f paired) int {
	if f.Sure == match.Open {
		return 0
	}
	return f.Shot
}

func shotWords(f paired) string {
	if shot := shotOf(f); shot > 0 {
		return fmt.Sprintf("shot %d", shot)
	}
	return "none"
}

// Match implements control.Camera.
func (i *Intake) Match(ctx context.Context, session int64, number int, frame string) error {
	e, was := i.frame(session, frame)
	switch {
	case e != nil && frame == "":
		return notNamed
	case e == nil:
		return i.noFrame(session, frame)
	case number == control.NoShot:
	case number == 0 && !was.Settled:
		return &control.Refusal{Field: "name", Why: fmt.Sprintf("Nobody said which shot %s is.", frame),
			Remedy: "Say which one it is."}
	case number != 0:
		if err := i.hasShot(ctx, session, number); err != nil {
			return err
		}
	}
	return i.keepSaid(e, said{frame, number})
}

// keepSaid keeps what a person said until it can be looked at: not while something is armed.
func (i *Intake) keepSaid(e *evening, says ...said) error {
	i.notes.Lock()
	defer i.notes.Unlock()
	i.mu.Lock()
	all := e.pairs
	i.mu.Unlock()
	all.Said, all.Refused = slices.Concat(all.Said, says), ""
	if err := keepMark(i, e.session, pairsMark, all); err != nil {
		return i.notKept(err)
	}
	i.want(e, 0, func() {
		e.pairs, e.stale = all, true
		if e.stop != nil {
			e.stop(errSaid)
		}
	})
	return nil
}

// unsettled are the sessions of which something was said, or files came, that was not looked at when the program ended.
func (i *Intake) unsettled() (sessions []int64) {
	marked, err := i.o.Journal.Marked(context.Background())
	if err != nil {
		i.o.Log.Warn("cannot look for saved pairs of frames and shots", "err", err)
	}
	for _, session := range marked {
		if before, err := readMark[pairs](i, session, pairsMark); err == nil && len(before.Said) > 0 {
			sessions = append(sessions, session)
		}
	}
	folders, err := os.ReadDir(i.o.Dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		i.o.Log.Warn("cannot look for files that came", "err", err)
	}
	for _, f := range folders {
		session, err := strconv.ParseInt(f.Name(), 10, 64)
		if err != nil || slices.Contains(sessions, session) {
			continue
		}
		if _, err := os.Lstat(filepath.Join(i.store.session(session), newsFile)); err == nil {
			sessions = append(sessions, session)
		}
	}
	return sessions
}

// changePairs changes what is known of pairs. If that cannot be kept, it is worked out again after a restart, with the
// same result.
func (i *Intake) changePairs(e *evening, change func(*pairs)) {
	i.notes.Lock()
	defer i.notes.Unlock()
	i.mu.Lock()
	now := e.pairs
	i.mu.Unlock()
	change(&now)
	if err := keepMark(i, e.session, pairsMark, now); err != nil {
		i.o.Log.Warn("cannot save the pairs of frames and shots", "session", e.session, "err", err)
	}
	i.mu.Lock()
	e.pairs = now
	i.mu.Unlock()
}

// Unmatch implements control.Camera.
func (i *Intake) Unmatch(session int64) error {
	e, _ := i.frame(session, "")
	if e == nil {
		return i.noFrame(session, "")
	}
	i.mu.Lock()
	undo := e.pairs.Undo
	if n := len(e.pairs.Said); n > 0 { // it is not looked at yet
		undo = []said{e.before(e.pairs.Said[n-1])}
	}
	i.mu.Unlock()
	if len(undo) == 0 {
		return nothingSaid
	}
	return i.keepSaid(e, undo...)
}

// before is what was said of a frame before something that waits to be looked at. The mutex is held.
func (e *evening) before(last said) said {
	list := e.pairs.Before
	if list == nil {
		list = pairedOf(e.view.Frames)
	}
	back := said{Frame: last.Frame}
	for _, f := range list {
		if f.Name == last.Frame {
			back.Shot = saidOf(f)
		}
	}
	for _, one := range e.pairs.Said[:len(e.pairs.Said)-1] {
		if one.Frame == last.Frame {
			back.Shot = one.Shot
		}
	}
	return back
}

var notNamed = &control.Refusal{Field: "name", Why: "No frame was named.",
	Remedy: "Open the frame, then say which shot it is."}

var nothingSaid = &control.Refusal{Field: "session", Why: "There is nothing to take back.",
	Remedy: "Open a frame and say which shot it is."}

// hasShot refuses the number of a shot that a session does not have.
func (i *Intake) hasShot(ctx context.Context, session int64, number int) error {
	s, err := i.find(ctx, session)
	switch {
	case err != nil:
		return notRead(err)
	case s.Shots == 0:
		return &control.Refusal{Field: "number", Why: fmt.Sprintf("Session %d has no shots.", session),
			Remedy: "Make a shot first."}
	case number < 1 || number > s.Shots:
		return &control.Refusal{Field: "number", Why: fmt.Sprintf("Session %d has no shot %d.", session, number),
			Remedy: fmt.Sprintf("Type a number from 1 to %d.", s.Shots)}
	}
	return nil
}
