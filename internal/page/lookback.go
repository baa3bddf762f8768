package page

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"stillwater/internal/control"
	"stillwater/internal/elevation"
	"stillwater/internal/history"
	"stillwater/internal/phys"
	"stillwater/internal/record"
	"stillwater/internal/shot"
	"stillwater/internal/strip"
	"stillwater/internal/tuning"
)

// RecordReader is what the page needs of the record to look back. It may be slow: nothing else waits for it.
type RecordReader interface {
	// Sessions are all of them, newest first.
	Sessions(context.Context) ([]record.Summary, error)
	// ShotsBefore are the shots of a session whose numbers are below one, the newest first; 0 is below none.
	ShotsBefore(ctx context.Context, session int64, before, limit int) ([]record.Shot, error)
	// KeepersBefore is ShotsBefore for those with a star.
	KeepersBefore(ctx context.Context, session int64, before, limit int) ([]record.Shot, error)
	// Remarked visits the shots of which something was said: with their ID, place and what was said.
	Remarked(ctx context.Context, visit func(record.Shot)) error
	// FileNumbers visits the stretches of shots whose pictures have numbers of the camera.
	FileNumbers(ctx context.Context, visit func(first record.Shot, shots int)) error
	// FrameNames visits the shots that have a frame, with its name.
	FrameNames(ctx context.Context, visit func(session int64, shot int, name string)) error
	// ShotPicture is the small picture of a shot's frame, a JPEG, by the shot's ID; record.ErrNotFound if none is kept.
	ShotPicture(ctx context.Context, shot int64) ([]byte, error)
	// StoredSet is the set of a session, or of a shot when that is not 0.
	StoredSet(ctx context.Context, session, shot int64) (string, error)
}

const (
	sessionsAtOnce = 20
	shotsAtOnce    = 50
	maxAtOnce      = 100
	maxSummed      = 5000 // shots, which take 0.1 s to read on a desktop machine, and perhaps a second on a small board
	maxTries       = 500  // marks in a drawing
	maxMatches     = 20
	maxUnknown     = 20
	maxQueryRunes  = 100
	maxNumber      = 1<<31 - 1 // of whatever an address names; an int on every machine
	maxLookTime    = 5 * time.Second

	// What one phone may look up; beyond that it waits. Each takes a processor for up to a fifth of a second.
	lookUpsPerSecond = 5
	lookUpsBurst     = 20
)

// badQueryError is a part of an address that cannot be what the page asks for.
type badQueryError struct{ name, text string }

func (e *badQueryError) Error() string { return fmt.Sprintf("%s: %q", e.name, e.text) }

// errUnreadableSet means that a recorded set cannot be read.
var errUnreadableSet = errors.New("its set cannot be read")

// handleRecord adds the routes for looking back, if there is a record.
func (s *Server) handleRecord(mux *http.ServeMux) {
	if s.opts.Record == nil {
		return
	}
	mux.HandleFunc("GET /record/sessions", s.lookUp(s.pastSessions))
	mux.HandleFunc("GET /record/sessions/{id}", s.lookUp(s.evening))
	mux.HandleFunc("GET /record/sessions/{id}/shots", s.lookUp(s.pastShots))
	mux.HandleFunc("GET /record/again", s.lookUp(s.setAgain))
	mux.HandleFunc("GET /record/frames/{shot}", s.handleKeptFrame)
}

// mayLook admits paired phones at their rate, and answers others. A browser sends no Origin with what its own page
// gets; one that is there must be ours.
func (s *Server) mayLook(w http.ResponseWriter, r *http.Request) bool {
	client, paired := s.pairing.client(r)
	switch {
	case !paired:
		refuse(w, http.StatusUnauthorized, "", "This phone is not paired with the machine.", "Pair it first.")
		return false
	case r.Header.Get("Origin") != "" && !sameOrigin(r):
		refuse(w, http.StatusForbidden, "", "This request did not come from this machine's own page.",
			"Open the page from the address the machine shows.")
		return false
	}
	return admit(w, r, s.lookUps.limiter(client))
}

// lookUp answers paired phones in JSON. The answer is whole before any of it is sent, so that a slow phone keeps
// nothing busy.
func (s *Server) lookUp(answer func(context.Context, *http.Request) (any, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		if !s.mayLook(w, r) {
			return
		}
		ctx, cancel := context.WithTimeout(r.Context(), maxLookTime)
		defer cancel()
		found, err := answer(ctx, r)
		var text []byte
		if err == nil {
			text, err = json.Marshal(found)
		}
		if err != nil {
			s.refuseLookUp(w, err)
			return
		}
		w.Header().Set("Content-Type", "application/json")
		w.Write(text)
	}
}

// refuseLookUp answers why nothing can be shown.
func (s *Server) refuseLookUp(w http.ResponseWriter, err error) {
	var bad *badQueryError
	switch {
	case errors.As(err, &bad):
		refuse(w, http.StatusBadRequest, bad.name, fmt.Sprintf("%q cannot be looked up.", bad.text), "Reload the page.")
	case errors.Is(err, record.ErrNotFound):
		refuse(w, http.StatusNotFound, "", "It is not in the record.", "Reload the page.")
	case errors.Is(err, errUnreadableSet):
		refuse(w, http.StatusUnprocessableEntity, "", "Its set cannot be read.", "Use the set of another evening or shot.")
	case errors.Is(err, context.DeadlineExceeded):
		refuse(w, http.StatusServiceUnavailable, "", "The record is busy.", "Try again in a moment.")
	case errors.Is(err, context.Canceled): // nobody waits for it
	default:
		s.log.Warn("cannot read the record for a phone", "err", err)
		refuse(w, http.StatusServiceUnavailable, "", "The record cannot be read now.",
			"Try again in a moment; the machine's log says why.")
	}
}

// number reads a number of an address, from least up; missing it is that which is usual.
func number(r *http.Request, name string, least, usual int64) (int64, error) {
	return numberWithin(r, name, least, maxNumber, usual)
}

// upTo reads a number from 0 to most, which may not be missing.
func upTo(r *http.Request, name string, most int64) (int64, error) {
	n, err := numberWithin(r, name, 0, most, -1)
	if err == nil && n < 0 {
		return 0, &badQueryError{name, ""}
	}
	return n, err
}

func numberWithin(r *http.Request, name string, least, most, usual int64) (int64, error) {
	text := r.PathValue(name)
	if text == "" {
		text = r.URL.Query().Get(name)
	}
	if text == "" {
		return usual, nil
	}
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil || n < least || n > most {
		return 0, &badQueryError{name, clip(text)}
	}
	return n, nil
}

// clip shortens a client's text.
func clip(text string) string {
	const most = 40
	if runes := []rune(text); len(runes) > most {
		return string(runes[:most]) + "..."
	}
	return text
}

func limitOf(r *http.Request, usual int64) (int, error) {
	n, err := number(r, "limit", 1, usual)
	return int(min(n, maxAtOnce)), err
}

// pastSessions answers "words", "after" and "limit".
func (s *Server) pastSessions(ctx context.Context, r *http.Request) (any, error) {
	after, err := number(r, "after", 1, 0)
	if err != nil {
		return nil, err
	}
	limit, err := limitOf(r, sessionsAtOnce)
	if err != nil {
		return nil, err
	}
	query := r.URL.Query().Get("words")
	if !utf8.ValidString(query) || utf8.RuneCountInString(query) > maxQueryRunes {
		return nil, &badQueryError{"words", clip(strings.ToValidUTF8(query, "?"))}
	}
	all, err := s.opts.Record.Sessions(ctx)
	if err != nil {
		return nil, err
	}
	found, problem, err := s.search(ctx, all, history.NewQuery(strings.Fields(query)))
	if err != nil {
		return nil, err
	}
	answer := PastSessions{Sessions: []PastSession{}, Found: len(found), Problem: problem}
	skip := after != 0
	for _, one := range found {
		switch {
		case skip:
			skip = one.ID != after
		case len(answer.Sessions) == limit:
			answer.Next = answer.Sessions[limit-1].ID
			return answer, nil
		default:
			answer.Sessions = append(answer.Sessions, one)
		}
	}
	return answer, nil
}

// viewSession is a session as a phone sees it.
func viewSession(s record.Summary) PastSession {
	past := PastSession{ID: s.ID, Title: s.Title(), Name: s.Name, Started: s.Started, Dated: s.When.Dated.String(),
		Board: s.Board, Kinds: append([]string{}, history.SessionKinds(s)...), Shots: s.Shots,
		Verdicts: []VerdictCount{}, Matches: []int{}, Damaged: s.Damaged}
	if s.Name == "" && s.Damaged != "" {
		past.Title = fmt.Sprintf("Session %d", s.ID)
	}
	known := 0
	for _, verdict := range record.Verdicts() {
		if n := s.Verdicts[verdict]; n > 0 {
			known += n
			past.Verdicts = append(past.Verdicts, VerdictCount{verdict, n})
		}
	}
	if known < s.Shots && past.Damaged == "" {
		past.Damaged = "some of its verdicts cannot be read"
	}
	return past
}

// session finds the session that an address names.
func (s *Server) session(ctx context.Context, r *http.Request) (record.Summary, error) {
	id, err := number(r, "id", 1, 0)
	if err != nil {
		return record.Summary{}, err
	}
	all, err := s.opts.Record.Sessions(ctx)
	if err != nil {
		return record.Summary{}, err
	}
	for _, one := range all {
		if one.ID == id {
			return one, nil
		}
	}
	return record.Summary{}, fmt.Errorf("session %d is %w", id, record.ErrNotFound)
}

// evening answers "with": another session, whose tries are to have room on the same axes.
func (s *Server) evening(ctx context.Context, r *http.Request) (any, error) {
	past, err := s.session(ctx, r)
	if err != nil {
		return nil, err
	}
	sum, err := s.sumUp(ctx, past.ID)
	if err != nil {
		return nil, err
	}
	with, err := number(r, "with", 1, 0)
	if err != nil {
		return nil, err
	}
	room := map[shot.Kind]strip.Range{}
	if with != 0 {
		other, err := s.sumUp(ctx, with)
		if err != nil {
			return nil, err
		}
		for _, tries := range other.ByKind {
			room[tries.Kind] = tries.Strip(maxTries).Needs()
		}
	}
	e := Evening{Session: viewSession(past), Set: []SetValue{}, Summed: sum.Shots, Uncounted: sum.Uncounted,
		Keepers: sum.Keepers, Kinds: []KindTries{}}
	for _, tries := range sum.ByKind {
		view := viewTries(tries)
		drawn := tries.Strip(maxTries)
		if other, both := room[tries.Kind]; both {
			drawn.Range = drawn.Needs().Join(other)
		}
		view.Strip = strip.Draw(drawn, strip.Options{ForPage: true}).SVG
		e.Kinds = append(e.Kinds, view)
	}
	set, err := shot.ParseSet(past.Set)
	if err != nil {
		e.SetProblem = "The set cannot be read: " + err.Error() + "."
		return e, nil
	}
	shown := set.Shown()
	for _, v := range set.Values() {
		e.Set = append(e.Set, SetValue{v.Field, v.Text, slices.Contains(shown, v)})
	}
	e.Elevation = elevation.Draw(set, elevation.Options{ForPage: true, ReadOnly: true}).SVG
	return e, nil
}

func (s *Server) sumUp(ctx context.Context, session int64) (history.Summary, error) {
	shots, err := s.opts.Record.ShotsBefore(ctx, session, 0, maxSummed)
	if err != nil {
		return history.Summary{}, err
	}
	return history.Summarize(shots, new(shot.Outcomes)), nil
}

func viewTries(t history.Tries) KindTries {
	view := KindTries{Kind: t.Kind, Axis: string(t.Axis), Count: len(t.List), Tries: []TryView{}, Why: t.Why,
		Facts: []tuning.Fact{}}
	if t.Learned != nil {
		view.Facts = t.Learned.Advice.Facts
	}
	for _, try := range t.List[:min(len(t.List), maxTries)] {
		view.Tries = append(view.Tries,
			TryView{try.Number, phys.Milliseconds(try.At), try.Verdict, try.Counted, try.Measured})
	}
	if t.Best != nil {
		view.Best = &BestView{phys.Milliseconds(t.Best.At), t.Best.Good, t.Best.Tries}
	}
	return view
}

// pastShots answers "before", "limit" and "keepers".
func (s *Server) pastShots(ctx context.Context, r *http.Request) (any, error) {
	id, err := number(r, "id", 1, 0)
	if err != nil {
		return nil, err
	}
	before, err := number(r, "before", 1, 0)
	if err != nil {
		return nil, err
	}
	limit, err := limitOf(r, shotsAtOnce)
	if err != nil {
		return nil, err
	}
	read := s.opts.Record.ShotsBefore
	switch keepers := r.URL.Query().Get("keepers"); keepers {
	case "":
	case "1":
		read = s.opts.Record.KeepersBefore
	default:
		return nil, &badQueryError{"keepers", clip(strings.ToValidUTF8(keepers, "?"))}
	}
	shots, err := read(ctx, id, int(before), limit)
	if err != nil {
		return nil, err
	}
	answer := PastShots{Shots: []control.ShotView{}, Lost: []int{}}
	var outcomes shot.Outcomes
	for _, made := range shots {
		if made.Lost {
			answer.Lost = append(answer.Lost, made.Number)
			continue
		}
		answer.Shots = append(answer.Shots, control.ViewShot(&outcomes, made))
	}
	if len(shots) == limit {
		answer.Next = lowest(shots)
	}
	return answer, nil
}

// lowest is the lowest number of shots that come newest first; 0 when none is known or nothing is below it.
func lowest(shots []record.Shot) int {
	for _, s := range slices.Backward(shots) {
		if s.Number > 1 {
			return s.Number
		}
	}
	return 0
}

// setAgain answers "session" or "shot": what would change in the next shot.
func (s *Server) setAgain(ctx context.Context, r *http.Request) (any, error) {
	session, err := number(r, "session", 1, 0)
	if err != nil {
		return nil, err
	}
	made, err := number(r, "shot", 1, 0)
	if err != nil {
		return nil, err
	}
	if (session == 0) == (made == 0) {
		return nil, &badQueryError{"session", ""}
	}
	stored, err := s.opts.Record.StoredSet(ctx, session, made)
	if err != nil {
		return nil, err
	}
	again := SetAgain{Changes: []SetChange{}, Refused: []control.Refusal{}, Missing: []string{}, Unknown: []string{}}
	adopted, err := s.opts.Control.Snapshot().Set.Adopt(stored)
	if err != nil {
		return nil, fmt.Errorf("the set of session %d, shot %d: %w", session, made, errors.Join(errUnreadableSet, err))
	}
	for _, c := range adopted.Changes {
		again.Changes = append(again.Changes, SetChange(c))
	}
	for _, f := range adopted.Refused {
		again.Refused = append(again.Refused, control.Refusal{Field: f.Field, Why: f.Why, Remedy: f.Remedy})
	}
	again.Missing = append(again.Missing, adopted.Missing...)
	again.Unknown = append(again.Unknown, adopted.Unknown[:min(len(adopted.Unknown), maxUnknown)]...)
	return again, nil
}
