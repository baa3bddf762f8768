package control

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/record"
	"stillwater/internal/shot"
)

// Stars, marks and the verdicts of a throw are kept as other verdicts are; what is none is refused by its name.
func TestStarsAndMarks(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(1)
		x.fire()
		x.must(me, Command{Type: "star", Shot: 1, Star: true})
		x.must(me, Command{Type: "picture", Shot: 1, Picture: Blurred})
		for _, v := range []record.Verdict{record.TooHigh, record.TooLow} {
			x.must(me, Command{Type: "verdict", Shot: 1, Verdict: v})
		}
		kept, shown := x.journal.kept()[0], x.Snapshot().Shots[0]
		assert.Equal(t, []any{true, "blurred", record.TooLow}, []any{kept.Star, kept.Picture, kept.Verdict})
		assert.Equal(t, []any{true, Blurred, record.TooLow}, []any{shown.Star, shown.Picture, shown.Verdict})
		x.must(me, Command{Type: "star", Shot: 1})
		x.must(me, Command{Type: "picture", Shot: 1})
		kept = x.journal.kept()[0]
		assert.Equal(t, []any{false, ""}, []any{kept.Star, kept.Picture})
		for _, cmd := range []Command{{Type: "picture", Shot: 1, Picture: "upside down"},
			{Type: "verdict", Shot: 1, Verdict: "splendid"}, {Type: "file", Shot: 1, File: -1},
			{Type: "file", Shot: 1, File: record.MaxFile + 1}, {Type: "file", File: 1e9}} {
			assert.Equal(t, cmd.Type, x.refused(me, cmd).Field, "%+v", cmd)
		}
		for _, cmd := range []Command{{Type: "star", Shot: 99, Star: true}, {Type: "picture", Shot: -1, Picture: Black},
			{Type: "star", Star: true}, {Type: "note", Text: "x"}, {Type: "file", Shot: 99, File: 5}} {
			assert.Equal(t, "shot", x.refused(me, cmd).Field, "%+v", cmd)
		}
		assert.Equal(t, "session", x.refused(me, Command{Type: "rename", Session: 99, Name: "x"}).Field)
		assert.Empty(t, x.Snapshot().Record.Problem)
	})
}

// Only who holds the controls changes the record.
func TestOnlyTheHolderChangesTheRecord(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(1)
		x.fire()
		x.Join("phone 9")
		for _, cmd := range []Command{{Type: "star", Shot: 1, Star: true}, {Type: "picture", Shot: 1, Picture: Black},
			{Type: "file", Shot: 1, File: 5}, {Type: "rename", Session: 1, Name: "mine"}, {Type: "again", Session: 1}} {
			assert.Contains(t, x.refused("phone 9", cmd).Why, "The controls are with", "%+v", cmd)
		}
		kept := x.journal.kept()[0]
		assert.Equal(t, []any{false, ""}, []any{kept.Star, kept.Picture})
		assert.Empty(t, x.journal.sessions[0].Name)
		assert.Empty(t, x.journal.files)
	})
}

// The camera's number is typed once; each shot has the next, also those that wait for the journal, and a later one
// typed on a shot counts from there.
func TestFileNumbers(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(9)
		x.fire()
		assert.Zero(t, x.Snapshot().NextFile)
		x.must(me, Command{Type: "file", File: 9998})
		assert.Equal(t, 9998, x.Snapshot().NextFile)
		x.fire()
		x.fire()
		s := x.Snapshot()
		assert.Equal(t, []int{9999, 9998, 0}, []int{s.Shots[0].File, s.Shots[1].File, s.Shots[2].File})
		assert.Equal(t, 1, s.NextFile)

		x.journal.setBroken(errors.New("no room"))
		x.fire() // its number is 1
		r := x.refused(me, Command{Type: "file", File: 500})
		assert.Contains(t, r.Why, "The file number is in memory but not on the disk yet: no room")
		x.fire() // of which 500 was said, although the journal has neither
		x.journal.setBroken(nil)
		time.Sleep(3 * retryDelay)
		synctest.Wait()
		s = x.Snapshot()
		assert.Equal(t, []int{500, 1}, []int{s.Shots[0].File, s.Shots[1].File})
		assert.Equal(t, 501, s.NextFile)

		x.must(me, Command{Type: "file", Shot: s.Shots[2].ID, File: 7})
		s = x.Snapshot()
		assert.Equal(t, []int{500, 8, 7, 9998, 0}, []int{s.Shots[0].File, s.Shots[1].File, s.Shots[2].File, s.Shots[3].File,
			s.Shots[4].File})
		x.must(me, Command{Type: "file", File: 0})
		assert.Zero(t, x.Snapshot().NextFile)
		x.fire()
		assert.Zero(t, x.Snapshot().Shots[0].File)
		x.must(me, Command{Type: "file", File: 20})
		x.must(me, Command{Type: "disarm"})
		require.NoError(t, x.stop())
		y := setUpWith(t, x.journal)
		assert.Equal(t, 20, y.Snapshot().NextFile)
		y.ready()
		y.must(me, Command{Type: "session", Name: "another"})
		assert.Zero(t, y.Snapshot().NextFile)
	})
}

// A session that is open, or a past one, gets another name. What a phone sends for one is text, and not too long.
func TestRename(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUpWith(t, &fakeJournal{sessions: []record.Session{{ID: 1, Name: "old", Set: "{}", Care: "[]"},
			{ID: 2, Set: "{}", Care: "[]"}}})
		x.ready()
		x.must(me, Command{Type: "rename", Session: 1, Name: "  crowns in milk "})
		assert.Equal(t, "crowns in milk", x.journal.sessions[0].Name)
		assert.Empty(t, x.Snapshot().Session.Name)
		x.arm(1) // also while armed: it changes nothing but the record
		x.must(me, Command{Type: "rename", Session: 2, Name: "sheets"})
		assert.Equal(t, "sheets", x.Snapshot().Session.Name)
		assert.Equal(t, Armed, x.Snapshot().State)
		for _, name := range []string{strings.Repeat("x", maxNameLength+1), "a\x1b[2Jb", "a\nb", "a\u202eb", "a\x00"} {
			assert.Equal(t, "name", x.refused(me, Command{Type: "rename", Session: 1, Name: name}).Field, "%q", name)
		}
		x.must(me, Command{Type: "rename", Session: 1})
		assert.Empty(t, x.journal.sessions[0].Name)
	})
}

// stored is a set as the record has it.
func stored(t *testing.T, change func(*shot.Set)) string {
	set := shot.DefaultSet()
	change(&set)
	text, err := encodeJSON(set)
	require.NoError(t, err)
	return text
}

// A past session's set comes into the next shot, with a plan, and nothing is armed.
func TestUseAgain(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		old := stored(t, func(s *shot.Set) { s.Drop.Height, s.Trim.Drop, s.Light.Recycle = 0.33, 16e-3, 3 })
		ofShot := stored(t, func(s *shot.Set) { s.Kind, s.Throw.Gate = shot.Throw, 0.12 })
		odd := strings.Replace(stored(t, func(s *shot.Set) { s.Drop.Height = 0.5 }), `"nth":1`, `"nth":0`, 1)
		x := setUpWith(t, &fakeJournal{
			sessions: []record.Session{{ID: 1, Set: old, Care: "[]"}, {ID: 2, Set: odd, Care: "[]"},
				{ID: 3, Set: "not a set", Care: "[]"}, {ID: 4, Set: "{}", Care: "[]"}},
			shots: []record.Shot{{ID: 1, Session: 1, Number: 1, Set: ofShot, Status: record.StatusDone}},
		})
		x.ready()
		x.must(me, Command{Type: "again", Session: 1})
		s := x.Snapshot()
		assert.Equal(t, []string{"33 cm", "16 ms", "3 s"},
			[]string{s.Set.Drop.Height.String(), s.Set.Trim.Drop.String(), s.Set.Light.Recycle.String()})
		assert.NotNil(t, s.Preview)
		assert.Equal(t, Safe, s.State)
		assert.Empty(t, s.Notice)
		x.must(me, Command{Type: "again", Shot: 1})
		assert.Equal(t, shot.Throw, x.Snapshot().Set.Kind)
		synctest.Wait()
		assert.JSONEq(t, ofShot, x.journal.sessions[3].Set, "it is the set of the session that is open")
		assert.JSONEq(t, old, x.journal.sessions[0].Set, "the old one keeps its own")

		x.must(me, Command{Type: "again", Session: 2})
		s = x.Snapshot()
		assert.Equal(t, "50 cm", s.Set.Drop.Height.String())
		assert.Equal(t, 1, s.Set.Drop.Nth)
		assert.Contains(t, s.Notice, "except for these, which stay as they were: drop.nth")
		before := s.Set
		for field, cmd := range map[string]Command{"session": {Type: "again", Session: 9}, "shot": {Type: "again", Shot: 9},
			"": {Type: "again", Session: 3}} {
			assert.Equal(t, field, x.refused(me, cmd).Field)
		}
		for _, cmd := range []Command{{Type: "again"}, {Type: "again", Session: 1, Shot: 1}, {Type: "again", Session: -1}} {
			x.refused(me, cmd)
		}
		x.journal.unread = fmt.Errorf("journal /card/journal.db: %w: code 11", record.ErrDamaged)
		r := x.refused(me, Command{Type: "again", Session: 1})
		assert.Contains(t, r.Why, "cannot be read from the record: its file is damaged")
		assert.NotContains(t, r.Why, "/card")
		assert.Equal(t, before, x.Snapshot().Set)
	})
}

// While something is armed no set is taken over, also when it is armed while the record is read.
func TestUseAgainOnlyWhileSafe(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUpWith(t, &fakeJournal{sessions: []record.Session{{ID: 1, Care: "[]",
			Set: stored(t, func(s *shot.Set) { s.Drop.Height = 0.33 })}, {ID: 2, Set: "{}", Care: "[]"}}})
		x.ready()
		x.arm(1)
		assert.Contains(t, x.refused(me, Command{Type: "again", Session: 1}).Why, "cannot change while armed")
		x.must(me, Command{Type: "disarm"})
		slow := &slowSets{fakeJournal: x.journal, asked: make(chan struct{}), release: make(chan struct{})}
		x.opts.Journal = slow
		said := make(chan error, 1)
		go func() { said <- x.Do(context.Background(), me, Command{Type: "again", Session: 1}) }()
		<-slow.asked
		x.arm(1)
		close(slow.release)
		var r *Refusal
		require.ErrorAs(t, <-said, &r)
		assert.Contains(t, r.Why, "cannot change while armed")
		assert.Equal(t, "40 cm", x.Snapshot().Set.Drop.Height.String())
		assert.Equal(t, Armed, x.Snapshot().State)
		x.must(me, Command{Type: "disarm"})
	})
}

// slowSets is a record whose sets take time to read.
type slowSets struct {
	*fakeJournal
	asked, release chan struct{}
}

func (s *slowSets) StoredSet(ctx context.Context, session, made int64) (string, error) {
	close(s.asked)
	<-s.release
	return s.fakeJournal.StoredSet(ctx, session, made)
}

// A shot's row has its speed, kind and trim.
func TestShotViewSaysWhatItWas(t *testing.T) {
	set := stored(t, func(s *shot.Set) { s.Kind, s.Trim.Throw = shot.Throw, 16e-3 })
	var outcomes shot.Outcomes
	view := ViewShot(&outcomes, record.Shot{Set: set, Status: record.StatusDone, IntervalNs: 25e6, Star: true, File: 471})
	parsed, err := shot.ParseSet(set)
	require.NoError(t, err)
	want, known := parsed.ThrowSpeed(25e-3)
	require.True(t, known)
	require.NotNil(t, view.SpeedMS)
	assert.InDelta(t, float64(want), *view.SpeedMS, 1e-9)
	assert.Equal(t, []any{shot.Throw, 16.0, true, 471}, []any{view.Kind, view.TrimMs, view.Star, view.File})
	view = ViewShot(&outcomes, record.Shot{Set: "odd"})
	assert.Nil(t, view.SpeedMS)
	assert.Empty(t, view.Kind)
}
