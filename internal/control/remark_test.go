package control

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/record"
)

// A verdict or a note is acknowledged when the journal has it, not before; then everyone sees it.
func TestRemarkIsAcknowledgedOnDisk(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(1)
		x.fire()
		for _, cmd := range []Command{
			{Type: "verdict", Shot: 1, Verdict: record.Good}, {Type: "note", Shot: 1, Text: "like glass"},
		} {
			stuck := make(chan struct{})
			x.journal.setStuck(stuck)
			said := make(chan error, 1)
			go func() { said <- x.Do(context.Background(), me, cmd) }()
			synctest.Wait()
			assert.Empty(t, said, "not written and acknowledged")
			x.journal.setStuck(nil)
			close(stuck)
			synctest.Wait()
			require.Len(t, said, 1)
			require.NoError(t, <-said)
		}
		kept := x.journal.kept()[0]
		assert.Equal(t, []string{"good", "like glass"}, []string{string(kept.Verdict), kept.Note})
		s := x.Snapshot().Shots[0]
		assert.Equal(t, []string{"good", "like glass"}, []string{string(s.Verdict), s.Note})
	})
}

// A verdict says whether the delay was right: a shot whose machine was late, or that failed, gets none, and says why. A
// note it may have, and a verdict from before may be taken back.
func TestNoVerdictOnWhatTheMachineDid(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(4)
		x.fire()
		x.dev.late = 17 * time.Millisecond // not while a shot is under way
		x.fire()
		x.dev.late = 0
		x.dev.begin()
		synctest.Wait()
		x.must(me, Command{Type: "disarm"})
		s := x.Snapshot().Shots // newest first
		require.Len(t, s, 3)
		assert.Contains(t, s[0].Problem, "It was disarmed before the shot was over.")
		assert.False(t, s[0].OK)
		assert.Contains(t, s[1].Problem, "The machine, not the delay, was late: the flash came 17.0 ms late")
		assert.InDelta(t, 17.02, s[1].LateMs, 1e-9)
		assert.True(t, s[1].OK)
		assert.Empty(t, s[2].Problem)
		assert.Zero(t, s[2].LateMs)
		for _, made := range s[:2] {
			for _, v := range []record.Verdict{record.Early, record.Good, record.Late, record.Nothing} {
				r := x.refused(me, Command{Type: "verdict", Shot: made.ID, Verdict: v})
				assert.Equal(t, made.Problem, r.Remedy)
			}
			x.must(me, Command{Type: "verdict", Shot: made.ID, Verdict: record.Unjudged})
			x.must(me, Command{Type: "note", Shot: made.ID, Text: "handsome all the same"})
		}
		x.must(me, Command{Type: "verdict", Shot: s[2].ID, Verdict: record.Late})
		for i, kept := range x.journal.kept() {
			assert.Equal(t, []string{"late", "", ""}[i], string(kept.Verdict))
		}
		require.NoError(t, x.stop())
		y := setUpWith(t, x.journal)
		again := y.Snapshot().Shots
		for i := range s {
			assert.Equal(t, []any{s[i].Problem, s[i].LateMs, s[i].OK},
				[]any{again[i].Problem, again[i].LateMs, again[i].OK}, "worked out from the record")
		}
	})
}

// While the journal cannot be written a remark is refused, says why, is kept and written when it can be; it is not
// shown before.
func TestRemarkWhileTheJournalCannotBeWritten(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(1)
		x.fire()
		x.journal.setBroken(errors.New("no room"))
		start := time.Now()
		for _, text := range []string{"first", "second"} { // before the problem is known, and after
			r := x.refused(me, Command{Type: "note", Shot: 1, Text: text})
			assert.Contains(t, r.Why, "in memory but not on the disk yet: no room")
			assert.NotEmpty(t, r.Remedy)
			assert.Zero(t, time.Since(start))
		}
		assert.Empty(t, x.Snapshot().Shots[0].Note)
		x.journal.setBroken(nil)
		time.Sleep(2 * retryDelay)
		synctest.Wait()
		assert.Equal(t, "second", x.journal.kept()[0].Note)
		assert.Equal(t, "second", x.Snapshot().Shots[0].Note)

		stuck := make(chan struct{})
		x.journal.setStuck(stuck)
		start = time.Now()
		r := x.refused(me, Command{Type: "verdict", Shot: 1, Verdict: record.Late})
		assert.Contains(t, r.Why, "the journal does not answer")
		assert.Equal(t, recordTimeout, time.Since(start), "what the phone asks next is not held up for longer")
		x.arm(1)
		x.must(me, Command{Type: "disarm"})
		close(stuck)
		synctest.Wait()
		assert.Equal(t, record.Late, x.Snapshot().Shots[0].Verdict)
	})
}

// What a phone shows is in a few words why the journal cannot be written; the log has all of it, once.
func TestWhyTheJournalCannotBeWritten(t *testing.T) {
	for what, words := range map[error]string{
		record.ErrFull: "disk is full; make room", record.ErrReadOnly: "not allowed to write",
		record.ErrBusy:    "another program",
		record.ErrDamaged: "damaged", errors.New("a card that is gone"): "a card that is gone",
	} {
		inBubble(t, func(t *testing.T) {
			var log bytes.Buffer
			x := setUp(t, func(o *Options) { o.Log = slog.New(slog.NewTextHandler(&log, nil)) })
			x.ready()
			x.arm(1)
			x.fire()
			whole := fmt.Errorf("journal /card/journal.db: %w: code 13", what)
			x.journal.setBroken(whole)
			for range 2 { // before the problem is known, and after
				r := x.refused(me, Command{Type: "note", Shot: 1, Text: "like glass"})
				assert.Contains(t, r.Why, words)
				assert.Equal(t, strings.HasPrefix(words, "a card"), strings.Contains(r.Why, "/card/"), r.Why)
			}
			problem := x.Snapshot().Record.Problem
			assert.Contains(t, problem, words)
			assert.Equal(t, strings.HasPrefix(words, "a card"), strings.Contains(problem, "/card/"), problem)
			time.Sleep(3 * retryDelay)
			x.journal.setBroken(nil)
			time.Sleep(2 * retryDelay)
			synctest.Wait()
			assert.Equal(t, "like glass", x.journal.kept()[0].Note)
			assert.Equal(t, 1, strings.Count(log.String(), whole.Error()), log.String())
			assert.Equal(t, 1, strings.Count(log.String(), "can be written again"), log.String())
		})
	}
}

// However many remarks come while the journal cannot be written, few wait, and those on one shot are one.
func TestRemarksAreBounded(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		b := &fakeJournal{sessions: []record.Session{{ID: 1, Set: "{}", Care: "[]"}}}
		for i := range 200 {
			b.shots = append(b.shots, record.Shot{ID: int64(i + 1), Session: 1, Number: i + 1, Status: record.StatusDone})
		}
		x := setUpWith(t, b)
		x.ready()
		b.setBroken(errors.New("no room"))
		for i := range 300 {
			x.refused(me, Command{Type: "note", Shot: 1, Text: fmt.Sprint(i)})
		}
		full := 0
		for i := range 200 {
			if r := x.refused(me, Command{Type: "verdict", Shot: int64(i + 1), Verdict: record.Good}); r.Remedy ==
				"Try again when the record can be written." {
				full++
			}
		}
		assert.Equal(t, 200-(maxRemarks-1), full)
		x.arm(1)
		x.fire()
		b.setBroken(nil)
		b.attempts()
		time.Sleep(2 * retryDelay)
		synctest.Wait()
		attempts := b.attempts()
		assert.Len(t, attempts, 1+maxRemarks)
		assert.Equal(t, "shot", attempts[0], "shots first")
		assert.Equal(t, "299", b.kept()[0].Note)
	})
}

// A remark that the journal cannot take, because its row is damaged, holds up no other.
func TestRemarkThatFailsHoldsUpNothing(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(2)
		x.fire()
		x.fire()
		x.journal.setDamaged(1)
		x.refused(me, Command{Type: "verdict", Shot: 1, Verdict: record.Good})
		x.refused(me, Command{Type: "verdict", Shot: 2, Verdict: record.Early}) // the first still cannot be written
		time.Sleep(3 * retryDelay)
		synctest.Wait()
		assert.Equal(t, record.Early, x.journal.kept()[1].Verdict)
		x.must(me, Command{Type: "set", Field: "drop.height", Value: "33 cm"})
		time.Sleep(3 * retryDelay)
		synctest.Wait()
		assert.Contains(t, x.journal.sessions[0].Set, "33 cm")
	})
}

// A verdict on a shot that is not shown any more goes to the journal by its id; one on an unknown shot is refused.
func TestRemarkOnAnOlderShot(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		b := &fakeJournal{sessions: []record.Session{{ID: 1, Set: "{}", Care: "[]"}}}
		for i := range 100 {
			b.shots = append(b.shots, record.Shot{ID: int64(i + 1), Session: 1, Number: i + 1, Status: record.StatusDone})
		}
		x := setUpWith(t, b)
		x.ready()
		x.must(me, Command{Type: "verdict", Shot: 3, Verdict: record.Good})
		assert.Equal(t, record.Good, b.kept()[2].Verdict)
		assert.Equal(t, "shot", x.refused(me, Command{Type: "note", Shot: 101, Text: "x"}).Field)
		assert.Empty(t, x.Snapshot().Record.Problem)
	})
}

// A session is not left behind before it is in the record.
func TestSessionWaitsForTheOneBefore(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.journal.setBroken(errors.New("no room"))
		x.must(me, Command{Type: "session", Name: "second"})
		assert.Contains(t, x.refused(me, Command{Type: "session", Name: "third"}).Why, "not in the record yet: no room")
		x.journal.setBroken(nil)
		time.Sleep(2 * retryDelay)
		x.must(me, Command{Type: "session", Name: "third"})
		assert.Len(t, x.journal.sessions, 3)
	})
}

// What was not written when Stillwater stops is said, and the recorder has ended by then.
func TestStopWithUnwrittenRemarks(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(1)
		x.fire()
		x.journal.setStuck(make(chan struct{}))
		x.refused(me, Command{Type: "note", Shot: 1, Text: "x"})
		assert.ErrorContains(t, x.stop(), "1 remark could not be written to the journal")
	})
}
