package control

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/board"
	"stillwater/internal/care"
	"stillwater/internal/record"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

func TestArmShootAndEnd(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		assert.Equal(t, Safe, x.Snapshot().State)
		x.ready()
		x.arm(2)
		s := x.Snapshot()
		assert.Equal(t, Armed, s.State)
		assert.Equal(t, 2, s.ArmedLeft)
		assert.Equal(t, time.Now().Add(10*time.Minute).UnixMilli(), s.ArmedEnds)
		assert.Contains(t, s.Reason, "waiting for the drop")
		assert.Equal(t, s.Preview.DelayMs, ms(x.dev.program.Table[0].Delay), "armed with what was shown")

		x.dev.begin()
		synctest.Wait()
		assert.Equal(t, Firing, x.Snapshot().State)
		assert.Empty(t, x.Snapshot().Shots)
		x.dev.end()
		synctest.Wait()
		s = x.Snapshot()
		assert.Equal(t, Armed, s.State)
		assert.Equal(t, 1, s.ArmedLeft)
		require.Len(t, s.Shots, 1)
		made := s.Shots[0]
		assert.Equal(t, "done", made.Status)
		assert.True(t, made.OK)
		assert.Equal(t, 1, made.Number)
		assert.InDelta(t, 130, made.DelayMs, 1e-9)
		assert.Nil(t, made.IntervalMs, "no gate")
		require.Len(t, made.Cues, 1)
		assert.Equal(t, "flash", made.Cues[0].Name)
		assert.InDelta(t, 130, made.Cues[0].PlannedMs, 1e-9)
		assert.InDelta(t, 20, made.Cues[0].LateUs, 1e-9)

		x.fire()
		s = x.Snapshot()
		assert.Equal(t, Safe, s.State)
		assert.Equal(t, "the shots asked for are done", s.Reason)
		assert.Zero(t, s.ArmedEnds)
		assert.Equal(t, 2, s.ShotCount)
		assert.Equal(t, 2, s.Shots[0].Number, "newest first")
		require.Len(t, x.journal.kept(), 2)
		assert.NotEqual(t, "null", x.journal.kept()[0].Program)
		assert.Equal(t, uint32(77), x.journal.kept()[0].BootID)
	})
}

func TestThrowHasAnInterval(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.must(me, Command{Type: "set", Field: "kind", Value: "throw"})
		require.Nil(t, x.Snapshot().Refusal)
		assert.NotEmpty(t, x.Snapshot().Preview.Table)
		x.arm(1)
		x.fire()
		made := x.Snapshot().Shots[0]
		require.NotNil(t, made.IntervalMs)
		assert.InDelta(t, 25, *made.IntervalMs, 1e-9)
	})
}

func TestWhatIsRefusedAndWhy(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		assert.Contains(t, x.refused(me, Command{Type: "take"}).Why, "not connected")
		x.Join(me)
		x.Join(other)
		assert.Contains(t, x.refused(me, Command{Type: "arm", Shots: 1}).Why, "Nobody holds")
		x.must(me, Command{Type: "take"})
		for _, cmd := range []Command{
			{Type: "arm", Shots: 1}, {Type: "go"}, {Type: "room"}, {Type: "set", Field: "drop.height", Value: "30 cm"},
			{Type: "session"}, {Type: "care", ID: "water", Ticked: true}, {Type: "give", To: other}, {Type: "release"},
			{Type: "verdict", Shot: 1, Verdict: record.Good}, {Type: "note", Shot: 1, Text: "x"},
		} {
			assert.Contains(t, x.refused(other, cmd).Why, "with phone 1", "%v: the holder alone", cmd)
		}
		cautions := care.Checklist()
		for i, caution := range cautions {
			r := x.refused(me, Command{Type: "arm", Shots: 1})
			assert.Equal(t, "care", r.Field, "with %d of %d ticked", i, len(cautions))
			x.must(me, Command{Type: "care", ID: caution.ID, Ticked: true})
		}
		x.must(me, Command{Type: "care", ID: "water", Ticked: false})
		assert.Equal(t, "care", x.refused(me, Command{Type: "arm", Shots: 1}).Field)
		x.must(me, Command{Type: "care", ID: "water", Ticked: true})
		for _, shots := range []int{-1, 0, 1000} {
			assert.Equal(t, "shots", x.refused(me, Command{Type: "arm", Shots: shots}).Field)
		}
		assert.Equal(t, "id", x.refused(me, Command{Type: "care", ID: "luck", Ticked: true}).Field)
		assert.Equal(t, "to", x.refused(me, Command{Type: "give", To: "phone 9"}).Field)
		assert.Equal(t, "shot", x.refused(me, Command{Type: "verdict", Shot: 9, Verdict: record.Good}).Field)
		assert.Contains(t, x.refused(me, Command{Type: "go"}).Why, "Nothing is armed")
		assert.Contains(t, x.refused(me, Command{Type: "room"}).Why, "not the simulated room")
		assert.Contains(t, x.refused(me, Command{Type: "launch"}).Why, "launch")
		assert.Equal(t, wire.Safe, x.dev.now())
		assert.False(t, x.dev.loaded)
	})
}

func TestWhileArmedOnlyShotsAndDisarm(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(3)
		set := x.Snapshot().Set
		for _, cmd := range []Command{
			{Type: "set", Field: "drop.height", Value: "30 cm"}, {Type: "session"}, {Type: "arm", Shots: 1},
			{Type: "care", ID: "water", Ticked: false},
			{Type: "release"},
		} {
			assert.Contains(t, x.refused(me, cmd).Remedy, "Disarm first", "%v", cmd)
		}
		assert.Equal(t, set, x.Snapshot().Set)
		assert.True(t, x.Snapshot().CareDone)
		assert.Equal(t, Armed, x.Snapshot().State)
		assert.Contains(t, x.refused(me, Command{Type: "go"}).Why, "needs no Go")
	})
}

func TestSetIsChangedByFieldOrNotAtAll(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		before := x.Snapshot().Set
		for field, value := range map[string]string{"drop.height": "-4 cm", "drop.beam": "5", "drop.luck": "1 cm", "": "x"} {
			r := x.refused(me, Command{Type: "set", Field: field, Value: value})
			assert.Equal(t, field, r.Field)
			assert.NotEmpty(t, r.Remedy, field)
		}
		assert.Equal(t, before, x.Snapshot().Set)
		delay := x.Snapshot().Preview.DelayMs
		x.must(me, Command{Type: "set", Field: "drop.height", Value: "60 cm"})
		assert.InDelta(t, 0.6, float64(x.Snapshot().Set.Drop.Height), 1e-9)
		assert.Greater(t, x.Snapshot().Preview.DelayMs, delay)
		assert.Contains(t, x.journal.sessions[0].Set, "60 cm")

		// A set that cannot work may be typed in: it is on the way to one that can. It cannot be armed.
		x.must(me, Command{Type: "set", Field: "light.lag", Value: "900 ms"})
		x.must(me, Command{Type: "set", Field: "light.expose", Value: "lag-led"})
		s := x.Snapshot()
		assert.Nil(t, s.Preview)
		require.NotNil(t, s.Refusal)
		assert.NotEmpty(t, s.Refusal.Remedy)
		assert.Equal(t, s.Refusal, x.refused(me, Command{Type: "arm", Shots: 1}))
	})
}

func TestAnyoneCanDisarm(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.Join(other)
		x.arm(1)
		x.must(other, Command{Type: "disarm"})
		assert.Equal(t, Safe, x.Snapshot().State)
		assert.Equal(t, "disarmed by phone 2", x.Snapshot().Reason)
		assert.Equal(t, wire.Safe, x.dev.now())
	})
}

func TestDisarmInTheMiddleOfAShotIsOnRecord(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(5)
		x.dev.begin()
		synctest.Wait()
		x.must(me, Command{Type: "disarm"})
		s := x.Snapshot()
		assert.Equal(t, Safe, s.State)
		require.Len(t, s.Shots, 1)
		assert.Equal(t, "disarmed", s.Shots[0].Status)
		assert.False(t, s.Shots[0].OK)
	})
}

// Whatever hangs, a disarm takes no time: fake time does not move in it.
func TestDisarmWaitsForNothing(t *testing.T) {
	for _, hang := range []string{"load", "arm", "journal"} {
		t.Run(hang, func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				x := setUp(t)
				x.ready()
				armed := make(chan error, 1)
				var release func()
				if hang == "journal" {
					stuck := make(chan struct{})
					x.journal.stuck = stuck
					release = func() { close(stuck) }
					x.must(me, Command{Type: "set", Field: "drop.height", Value: "50 cm"})
					x.arm(2)
					x.fire()
					assert.Empty(t, x.Snapshot().Shots, "not acknowledged before it is written")
					assert.Equal(t, 1, x.Snapshot().Record.Waiting)
				} else {
					release = x.dev.holdUp(hang)
					go func() { armed <- x.Do(context.Background(), me, Command{Type: "arm", Shots: 1}) }()
					synctest.Wait()
				}
				start := time.Now()
				x.must(me, Command{Type: "disarm"})
				assert.Zero(t, time.Since(start))
				assert.Equal(t, wire.Safe, x.dev.now())
				if hang == "journal" {
					release()
					synctest.Wait()
					assert.Len(t, x.Snapshot().Shots, 1)
					assert.Equal(t, Safe, x.Snapshot().State)
					return
				}
				assert.Error(t, <-armed, "arming gives up")
				assert.Zero(t, time.Since(start))
				release()
				synctest.Wait()
				assert.Equal(t, wire.Safe, x.dev.now())
				assert.Equal(t, Safe, x.Snapshot().State)
				x.arm(1)
				assert.Equal(t, Armed, x.Snapshot().State, "and it can be armed again")
			})
		})
	}
}

// The board may have taken the arm although its answer came after the disarm.
func TestArmAnsweredAfterTheDisarmIsDisarmedAgain(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.dev.mu.Lock()
		x.dev.loaded = true
		x.dev.say(wire.Armed, wire.ReasonNone)
		x.dev.mu.Unlock()
		synctest.Wait()
		assert.Equal(t, wire.Safe, x.dev.now(), "armed and nobody wants it")
		assert.Equal(t, Safe, x.Snapshot().State)
	})
}

func TestNothingElseWhileArmingIsUnderWay(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		release := x.dev.holdUp("load")
		armed := x.begin(me, Command{Type: "arm", Shots: 1})
		assert.Contains(t, x.refused(me, Command{Type: "arm", Shots: 1}).Why, "armed already")
		x.refused(me, Command{Type: "set", Field: "drop.height", Value: "30 cm"})
		x.refused(me, Command{Type: "care", ID: "water"})
		x.refused(me, Command{Type: "session"})
		release()
		require.NoError(t, <-armed)
		synctest.Wait()
		assert.Equal(t, Armed, x.Snapshot().State)
	})
}

func TestWordFromBeforeTheArmingDoesNotEndIt(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		release := x.dev.holdUp("arm")
		armed := x.begin(me, Command{Type: "arm", Shots: 1})
		x.dev.emit(board.Event{State: &wire.State{State: wire.Safe, Reason: wire.ReasonRequested}})
		synctest.Wait()
		release()
		require.NoError(t, <-armed)
		synctest.Wait()
		assert.Equal(t, Armed, x.Snapshot().State)
		assert.Equal(t, wire.Armed, x.dev.now())
	})
}

func TestBoardFoundArmedIsDisarmed(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.dev.vanish(board.ErrGone)
		x.dev.mu.Lock()
		x.dev.state = wire.Armed
		x.dev.mu.Unlock()
		time.Sleep(maxRedialDelay)
		assert.True(t, x.Snapshot().Board.Connected)
		assert.Equal(t, wire.Safe, x.dev.now())
	})
}

func TestBoardThatDoesNotConfirmIsCutOff(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(1)
		x.dev.holdUp("disarm")
		x.noBoard(errors.New("no such port"))
		start := time.Now()
		r := x.refused(other, Command{Type: "disarm"})
		assert.Contains(t, r.Remedy, "kill switch")
		assert.LessOrEqual(t, time.Since(start), disarmTimeout)
		assert.True(t, x.dev.gone, "the link is closed, so that the board goes safe by itself")
		assert.Equal(t, Fault, x.Snapshot().State)
	})
}

func TestArmThatFailsLeavesTheBoardSafe(t *testing.T) {
	for _, what := range []string{"load", "arm"} {
		inBubble(t, func(t *testing.T) {
			x := setUp(t)
			x.ready()
			x.dev.fail[what] = board.ErrNoAnswer
			before := x.dev.disarms
			r := x.refused(me, Command{Type: "arm", Shots: 1})
			assert.Contains(t, r.Why, "did not answer")
			assert.Greater(t, x.dev.disarms, before)
			assert.Equal(t, Safe, x.Snapshot().State)
			delete(x.dev.fail, what)
			x.arm(1)
		})
	}
}

func TestArmingEndsByItself(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t, func(o *Options) { o.ArmFor = time.Minute })
		x.ready()
		x.arm(9)
		time.Sleep(time.Minute - time.Millisecond)
		assert.Equal(t, Armed, x.Snapshot().State)
		time.Sleep(2 * time.Millisecond)
		synctest.Wait()
		assert.Equal(t, Safe, x.Snapshot().State)
		assert.Contains(t, x.Snapshot().Reason, "armed for 1 min, the longest")
		x.arm(1)
		x.fire()
		x.arm(1)
		time.Sleep(30 * time.Second)
		assert.Equal(t, Armed, x.Snapshot().State, "an earlier arming's timer does not end a later one")
	})
}

func TestVanishedHolder(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		leave := x.ready()
		x.Join(other)
		x.must(other, Command{Type: "take"})
		x.arm(9)
		leave(time.Now())
		time.Sleep(9 * time.Second)
		assert.Equal(t, Armed, x.Snapshot().State)
		_, leave = x.Join(me)
		time.Sleep(time.Minute)
		assert.Equal(t, Armed, x.Snapshot().State, "back within the grace time")
		assert.Equal(t, me, x.Snapshot().Holder)

		_, leaveTab := x.Join(me)
		leave(time.Now())
		time.Sleep(time.Minute)
		assert.Equal(t, Armed, x.Snapshot().State, "another tab of the same phone is there")

		leaveTab(time.Now().Add(-4 * time.Second))
		time.Sleep(6*time.Second - time.Millisecond)
		synctest.Wait()
		assert.Equal(t, Armed, x.Snapshot().State)
		time.Sleep(2 * time.Millisecond)
		synctest.Wait()
		assert.Equal(t, Safe, x.Snapshot().State, "the grace time counts from when it was last heard")
		assert.Contains(t, x.Snapshot().Reason, "phone 1, which held the controls, was disconnected for 10 s")
		assert.Equal(t, other, x.Snapshot().Holder, "the one who asked has them now")
		assert.Equal(t, wire.Safe, x.dev.now())
	})
}

// A phone that locks itself keeps its connection, but nobody can disarm on it.
func TestHiddenHolder(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		leave := x.ready()
		x.Join(other)
		hide := func(client string, hidden bool) { x.must(client, Command{Type: "page", Hidden: hidden}) }
		after := func(d time.Duration) *Snapshot {
			time.Sleep(d - time.Millisecond)
			before := x.Snapshot()
			time.Sleep(2 * time.Millisecond)
			synctest.Wait()
			assert.Equal(t, Armed, before.State)
			return x.Snapshot()
		}
		x.arm(9)
		hide(other, true)
		assert.Equal(t, Armed, after(time.Minute).State, "an onlooker that is locked changes nothing")
		assert.False(t, x.Snapshot().Away)

		hide(me, true)
		assert.True(t, x.Snapshot().Away, "the others are told")
		time.Sleep(9 * time.Second)
		hide(me, false)
		assert.False(t, x.Snapshot().Away)
		assert.Equal(t, Armed, after(time.Minute).State, "looked at again in time")

		hide(me, true)
		time.Sleep(4 * time.Second)
		hide(me, true)
		s := after(6 * time.Second)
		assert.Equal(t, Safe, s.State, "said twice, it counts from the first time")
		assert.Equal(t, "disarmed: phone 1, which held the controls, was locked or showed something else for 10 s", s.Reason)
		assert.Equal(t, me, s.Holder, "who comes back need not ask for the controls")
		assert.Equal(t, wire.Safe, x.dev.now())

		x.arm(9)
		assert.Equal(t, Safe, after(10*time.Second).State, "one that arms unseen is given no longer")

		hide(me, false)
		x.arm(9)
		hide(me, true)
		time.Sleep(4 * time.Second)
		leave(time.Now())
		s = after(6 * time.Second)
		assert.Contains(t, s.Reason, "was disconnected for 10 s", "counted from when it was locked")
		assert.Empty(t, s.Holder)
	})
}

// One phone may have the page open twice. It can disarm as long as one of them is seen, whichever came first, and no
// longer: that another was there since counts for nothing.
func TestHiddenHolderWithTwoConnections(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		leave := x.ready()
		one, leaveOne := x.Join(me)
		leave(time.Now())
		hide := func(box <-chan *Snapshot, hidden bool) {
			x.must(me, Command{Type: "page", Hidden: hidden, Connection: box})
		}
		away := func() bool {
			time.Sleep(9 * time.Second)
			assert.Equal(t, Armed, x.Snapshot().State)
			time.Sleep(2 * time.Second)
			synctest.Wait()
			return x.Snapshot().State == Safe
		}
		x.arm(9)
		hide(one, true)
		two, leaveTwo := x.Join(me)
		assert.False(t, away(), "the second is in front")
		hide(one, false)
		hide(two, true)
		assert.False(t, away(), "the first is in front again, whose word came first")
		hide(one, true)
		assert.True(t, away(), "neither is")

		hide(two, false)
		x.arm(9)
		leaveTwo(time.Now())
		assert.True(t, x.Snapshot().Away, "the one that is left is hidden")
		assert.True(t, away())
		assert.Equal(t, me, x.Snapshot().Holder)
		leaveOne(time.Now())
		time.Sleep(time.Minute)
		synctest.Wait()
		assert.Empty(t, x.Snapshot().Holder)
		assert.Empty(t, x.phones.visible)
	})
}

func TestVanishedOnlookerChangesNothing(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		_, leave := x.Join(other)
		x.must(other, Command{Type: "take"})
		assert.Equal(t, []string{other}, x.Snapshot().Asking)
		x.arm(1)
		leave(time.Now().Add(-time.Hour))
		time.Sleep(time.Minute)
		assert.Equal(t, Armed, x.Snapshot().State)
		assert.Empty(t, x.Snapshot().Asking)
	})
}

func TestControlsGoFromHandToHand(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		for _, p := range []string{me, other, "phone 3"} {
			x.Join(p)
		}
		assert.Equal(t, 3, x.Snapshot().Onlookers)
		x.must(me, Command{Type: "take"})
		x.must(me, Command{Type: "take"})
		x.must("phone 3", Command{Type: "take"})
		x.must(other, Command{Type: "take"})
		x.must(other, Command{Type: "take"})
		s := x.Snapshot()
		assert.Equal(t, me, s.Holder)
		assert.Equal(t, []string{"phone 3", other}, s.Asking)
		assert.Equal(t, 2, s.Onlookers)
		x.must(me, Command{Type: "give", To: other})
		assert.Equal(t, other, x.Snapshot().Holder)
		assert.Equal(t, []string{"phone 3"}, x.Snapshot().Asking)
		x.refused(me, Command{Type: "release"})
		x.must(other, Command{Type: "release"})
		assert.Equal(t, "phone 3", x.Snapshot().Holder, "goes to the one who asked")
		x.must("phone 3", Command{Type: "release"})
		assert.Empty(t, x.Snapshot().Holder)
	})
}

func TestBoardThatDiesAndComesBack(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(5)
		x.fire()
		x.dev.begin()
		synctest.Wait()
		x.noBoard(errors.New("exec format error"))
		x.dev.vanish(errors.New("the process was killed by signal 9"))
		synctest.Wait()
		s := x.Snapshot()
		assert.Equal(t, Fault, s.State)
		assert.Contains(t, s.Reason, "killed by signal 9")
		assert.False(t, s.Board.Connected)
		require.Len(t, s.Shots, 2)
		assert.Equal(t, "broken", s.Shots[0].Status, "the shot under way is on record")
		assert.False(t, s.Shots[0].OK)
		x.refused(me, Command{Type: "arm", Shots: 1})
		assert.Contains(t, x.refused(me, Command{Type: "disarm"}).Why, "no board", "nothing confirms it")

		time.Sleep(time.Minute)
		assert.Contains(t, x.Snapshot().Reason, "exec format error")
		assert.Less(t, x.dials, 25, "waits longer after each failure")
		x.noBoard(nil)
		time.Sleep(maxRedialDelay)
		synctest.Wait()
		s = x.Snapshot()
		assert.Equal(t, Safe, s.State)
		assert.Equal(t, "the board was disconnected and is back; disarmed", s.Reason)
		assert.True(t, s.Board.Connected)
		assert.Equal(t, wire.Safe, x.dev.now())
		x.arm(1)
	})
}

func TestFaultsNeedADisarm(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(5)
		x.dev.mu.Lock()
		x.dev.events <- board.Event{Fault: &wire.Fault{Reason: wire.ReasonKill}}
		x.dev.say(wire.Faulted, wire.ReasonKill)
		x.dev.mu.Unlock()
		synctest.Wait()
		assert.Equal(t, Fault, x.Snapshot().State)
		assert.Contains(t, x.Snapshot().Reason, "kill switch")
		assert.Contains(t, x.refused(me, Command{Type: "arm", Shots: 1}).Why, "fault")
		x.must(me, Command{Type: "disarm"})
		assert.Equal(t, Safe, x.Snapshot().State)
	})
}

// A link timeout is not a fault: the board is safe, and may be armed again at once.
func TestLinkTimeoutIsNotAFault(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(5)
		x.dev.mu.Lock()
		x.dev.events <- board.Event{Fault: &wire.Fault{Reason: wire.ReasonLinkTimeout}}
		x.dev.say(wire.Safe, wire.ReasonLinkTimeout)
		x.dev.mu.Unlock()
		synctest.Wait()
		assert.Equal(t, Safe, x.Snapshot().State)
		assert.Equal(t, "disarmed: nothing heard from the computer for a second", x.Snapshot().Reason)
		assert.Zero(t, x.Snapshot().ArmedLeft)
		x.arm(1)
	})
}

func TestRestartRemembersAndIsNotArmed(t *testing.T) {
	b := &fakeJournal{}
	inBubble(t, func(t *testing.T) {
		x := setUpWith(t, b)
		x.ready()
		x.must(me, Command{Type: "session", Name: "  milk crowns "})
		assert.False(t, x.Snapshot().CareDone, "a new session starts with the checklist")
		for _, caution := range care.Checklist() {
			x.must(me, Command{Type: "care", ID: caution.ID, Ticked: true})
		}
		x.must(me, Command{Type: "set", Field: "drop.height", Value: "55 cm"})
		x.arm(5)
		x.fire()
		x.must(me, Command{Type: "verdict", Shot: x.Snapshot().Shots[0].ID, Verdict: record.Good})
		x.must(me, Command{Type: "note", Shot: x.Snapshot().Shots[0].ID, Text: "like a crown\nof glass"})
		x.dev.begin()
		synctest.Wait()
		require.NoError(t, x.stop())
		assert.Equal(t, wire.Safe, x.dev.now(), "stopping disarms")
	})
	inBubble(t, func(t *testing.T) {
		x := setUpWith(t, b)
		s := x.Snapshot()
		assert.Equal(t, Safe, s.State)
		assert.Equal(t, wire.Safe, x.dev.now())
		assert.False(t, x.dev.loaded)
		assert.Equal(t, "milk crowns", s.Session.Name)
		assert.False(t, s.CareDone, "asked again at each start")
		assert.InDelta(t, 0.55, float64(s.Set.Drop.Height), 1e-9)
		require.Len(t, s.Shots, 2)
		assert.Equal(t, "disarmed", s.Shots[0].Status, "the shot that stopping cut short")
		assert.Equal(t, record.Good, s.Shots[1].Verdict)
		assert.Equal(t, "like a crown\nof glass", s.Shots[1].Note)
		assert.Empty(t, s.Holder)
	})
}

func TestSetThatCannotBeReadIsReplacedAndSaid(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		b := &fakeJournal{}
		first := setUpWith(t, b)
		require.NoError(t, first.stop())
		b.sessions[0].Set = `{"drop":{"height":"many"}}`
		b.sessions[0].Care = `?`
		x := setUpWith(t, b)
		assert.Equal(t, shot.DefaultSet(), x.Snapshot().Set)
		assert.Contains(t, x.Snapshot().Notice, "standard set")
		assert.False(t, x.Snapshot().CareDone)
	})
}

func TestShotsAreShownOnceTheyAreWritten(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(3)
		x.journal.setBroken(errors.New("no room left on the disk"))
		x.fire()
		x.fire()
		s := x.Snapshot()
		assert.Empty(t, s.Shots)
		assert.Equal(t, 2, s.Record.Waiting)
		assert.Contains(t, s.Record.Problem, "no room left")
		x.journal.setBroken(nil)
		time.Sleep(2 * retryDelay)
		synctest.Wait()
		s = x.Snapshot()
		require.Len(t, s.Shots, 2, "nothing is lost")
		assert.Equal(t, 2, s.Shots[0].Number)
		assert.Equal(t, RecordStatus{}, s.Record)
	})
}

// A board that never falls silent, as one whose microphone streams its level, does not keep Stillwater from stopping.
func TestStoppingBesideAStream(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		ended := make(chan struct{})
		var stream sync.WaitGroup
		stream.Go(func() {
			for {
				select {
				case <-ended:
					return
				case <-time.After(minPublishInterval / 2):
				}
				x.dev.mu.Lock()
				if !x.dev.gone {
					x.dev.events <- board.Event{Edge: &wire.Edge{Input: 2, Count: 1}}
				}
				x.dev.mu.Unlock()
			}
		})
		require.NoError(t, x.stop())
		close(ended)
		stream.Wait()
	})
}

func TestStoppingSaysWhatCouldNotBeWritten(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(3)
		x.journal.setBroken(errors.New("no room left on the disk"))
		x.fire()
		err := x.stop()
		assert.ErrorContains(t, err, "1 shot could not be written")
		assert.ErrorContains(t, err, "no room left")
	})
}

func TestShotsOfAnEarlierSessionAreNotShownInThis(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(1)
		stuck := make(chan struct{})
		x.journal.stuck = stuck
		x.fire()
		x.must(me, Command{Type: "session", Name: "next"})
		x.must(me, Command{Type: "care", ID: "water", Ticked: true})
		close(stuck)
		synctest.Wait()
		s := x.Snapshot()
		assert.Equal(t, int64(2), s.Session.ID)
		assert.Empty(t, s.Shots)
		assert.Equal(t, int64(1), x.journal.kept()[0].Session)
		assert.Contains(t, x.journal.sessions[1].Care, "water", "saved under the session it belongs to")
	})
}

func TestTextsAreChecked(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(1)
		x.fire()
		id := x.Snapshot().Shots[0].ID
		assert.Equal(t, "text", x.refused(me, Command{Type: "note", Shot: id, Text: strings.Repeat("ü", 501)}).Field)
		assert.Equal(t, "text", x.refused(me, Command{Type: "note", Shot: id, Text: "a\x00b"}).Field)
		assert.Equal(t, "text", x.refused(me, Command{Type: "note", Shot: id, Text: "a\u202eb"}).Field)
		assert.Equal(t, "text", x.refused(me, Command{Type: "note", Shot: id, Text: "a\u2066b"}).Field)
		assert.Equal(t, "name", x.refused(me, Command{Type: "session", Name: "a\nb"}).Field)
		assert.Equal(t, "verdict", x.refused(me, Command{Type: "verdict", Shot: id, Verdict: "fine"}).Field)
		x.must(me, Command{Type: "verdict", Shot: id, Verdict: record.Nothing})
		x.must(me, Command{Type: "verdict", Shot: id, Verdict: record.Unjudged})
	})
}

func TestEdgeStormsDoNotFloodPhones(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		box, leave := x.Join(me)
		got := 0
		done := make(chan struct{})
		go func() {
			for {
				select {
				case <-box:
					got++
				case <-done:
					return
				}
			}
		}()
		synctest.Wait()
		got = 0
		for i := range 2000 {
			x.dev.emit(board.Event{Edge: &wire.Edge{Input: 0, High: i%2 == 0, Count: 3}})
			time.Sleep(time.Millisecond)
		}
		time.Sleep(minPublishInterval)
		synctest.Wait()
		assert.LessOrEqual(t, got, 22)
		assert.GreaterOrEqual(t, got, 18)
		in := x.Snapshot().Inputs[0]
		assert.Equal(t, 6000, in.Edges)
		assert.True(t, in.Active, "the last edge fell, and low means broken")
		close(done)
		leave(time.Now())
	})
}

func TestStateChangesAreShownAtOnce(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		box, _ := x.Join(other)
		x.dev.emit(board.Event{Edge: &wire.Edge{Input: 1, High: true, Count: 1}})
		synctest.Wait()
		start := time.Now()
		x.arm(1)
		assert.Equal(t, Armed, (<-box).State)
		x.dev.begin()
		assert.Equal(t, Firing, (<-box).State)
		assert.Zero(t, time.Since(start))
	})
}

func TestWhatWasNotActedOnIsSaid(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.must(me, Command{Type: "set", Field: "kind", Value: "throw"})
		x.arm(1)
		x.dev.emit(board.Event{Rejected: &wire.Rejected{Reason: wire.ReasonTooFast, Input: 0, Interval: 50_000}})
		synctest.Wait()
		assert.Contains(t, x.Snapshot().Notice, "5.0 ms between the beams")
		assert.Contains(t, x.Snapshot().Notice, "faster")
		assert.Contains(t, x.Snapshot().Notice, "Throw slower, or disarm and raise the fastest throw accepted", "what to do")
		x.dev.emit(board.Event{Lost: &wire.Lost{Input: 1, Count: 4}})
		synctest.Wait()
		assert.Contains(t, x.Snapshot().Notice, "4 edges at gate were")
		x.dev.emit(board.Event{Lost: &wire.Lost{Input: 1, Count: 1}})
		synctest.Wait()
		assert.Contains(t, x.Snapshot().Notice, "an edge at gate was")
		x.fire()
		assert.Empty(t, x.Snapshot().Notice)
	})
}

func TestTheFurtherEdgesOfAShotAreNoNews(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(1)
		busy := board.Event{Rejected: &wire.Rejected{Reason: wire.ReasonBusy}}
		x.dev.emit(busy)
		synctest.Wait()
		assert.Contains(t, x.Snapshot().Notice, "under way", "a pulse, and no shot yet")
		x.fire()
		x.arm(1)
		x.dev.begin()
		x.dev.emit(busy)
		synctest.Wait()
		assert.Equal(t, Firing, x.Snapshot().State)
		assert.Empty(t, x.Snapshot().Notice)
	})
}

func TestGoComesFirstWhereTheSetNeedsIt(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.must(me, Command{Type: "set", Field: "light.shutter", Value: "go"})
		require.Nil(t, x.Snapshot().Refusal)
		x.arm(1)
		x.dev.emit(board.Event{State: &wire.State{State: wire.Armed, Reason: wire.ReasonNotOpened, Left: 1}})
		synctest.Wait()
		assert.True(t, x.Snapshot().NeedsGo)
		assert.Contains(t, x.Snapshot().Reason, "open the shutter first")
		x.dev.emit(board.Event{Rejected: &wire.Rejected{Reason: wire.ReasonNotOpened}})
		synctest.Wait()
		assert.Contains(t, x.Snapshot().Notice, "waiting for go")
		x.must(other, Command{Type: "disarm"})
		assert.Empty(t, x.Snapshot().Notice, "over with the arming")
		x.arm(1)
		x.dev.emit(board.Event{State: &wire.State{State: wire.Armed, Reason: wire.ReasonNotOpened, Left: 1}})
		synctest.Wait()
		x.must(me, Command{Type: "go"})
		assert.False(t, x.Snapshot().NeedsGo)
		assert.Empty(t, x.Snapshot().Notice, "it waits no more")
		x.dev.fail["go"] = &board.RefusedError{Request: wire.TypeGo, Reason: wire.ReasonBusy}
		assert.Contains(t, x.refused(me, Command{Type: "go"}).Why, "refused")
	})
}

// The board's client disarms a board that does not answer a go: the refusal says why it was disarmed.
func TestGoThatIsNotAnswered(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.must(me, Command{Type: "set", Field: "light.shutter", Value: "go"})
		x.arm(1)
		x.dev.emit(board.Event{State: &wire.State{State: wire.Armed, Reason: wire.ReasonNotOpened, Left: 1}})
		synctest.Wait()
		release := x.dev.holdUp("go")
		x.dev.fail["go"] = fmt.Errorf("asking the board to go: %w; it was disarmed, to be safe: try again", board.ErrNoAnswer)
		refused := make(chan *Refusal)
		go func() { refused <- x.refused(me, Command{Type: "go"}) }()
		synctest.Wait()
		x.dev.emit(board.Event{State: &wire.State{State: wire.Safe, Reason: wire.ReasonRequested}})
		synctest.Wait()
		release()
		r := <-refused
		assert.Contains(t, r.Why, "the board did not answer; it was disarmed, to be safe")
		assert.Equal(t, "Arm again.", r.Remedy)
		assert.Equal(t, Safe, x.Snapshot().State)
	})
}

// room is a simulated room for tests.
type room struct {
	busy     atomic.Bool
	arranged []shot.Set
	err      error
	mu       sync.Mutex
	released []shot.Set
}

func (r *room) Release(_ context.Context, set shot.Set) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.released = append(r.released, set)
	return r.err
}

// letGo has the sets that were released so far.
func (r *room) letGo() []shot.Set {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.released)
}

func (r *room) Arrange(set shot.Set)                { r.arranged = append(r.arranged, set) }
func (r *room) Touch(context.Context, string) error { return nil }
func (r *room) Busy() bool                          { return r.busy.Load() }
func (r *room) Look(clockAt time.Duration) string   { return "a crown, at " + clockAt.String() }

func TestSimulatedRoom(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r := &room{}
		r.busy.Store(true)
		x := setUp(t, func(o *Options) { o.Room, o.Kind = r, "simulated" })
		x.ready()
		x.arm(1)
		assert.Equal(t, []shot.Set{x.Snapshot().Set}, r.arranged, "what is armed stands in the room")
		x.must(me, Command{Type: "room"})
		assert.Equal(t, []shot.Set{x.Snapshot().Set}, r.letGo())
		assert.True(t, x.Snapshot().Room.Busy)
		x.fire()
		r.busy.Store(false)
		time.Sleep(time.Second)
		s := x.Snapshot()
		assert.False(t, s.Room.Busy)
		assert.Equal(t, "a crown, at 1.025s", s.Room.Seen)
		assert.Equal(t, s.Room.Seen, s.Shots[0].Seen)
		assert.True(t, s.Shots[0].Simulated)
		r.err = errors.New("something is falling already")
		assert.Contains(t, x.refused(me, Command{Type: "room"}).Why, "falling already")
		r.busy.Store(true)
		refused := x.refused(me, Command{Type: "room"})
		assert.Equal(t, "Something is still falling or flying.", refused.Why)
		assert.Equal(t, "Wait until it is over.", refused.Remedy)
	})
}

// A board that does not answer in time is disarmed by its client. Why it could not be armed is that, not the disarm.
func TestArmingWithoutAnAnswerSaysWhy(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		late := errors.New("no answer from the board within 1s")
		x.dev.fail["arm"] = late
		release := x.dev.holdUp("arm")
		done := make(chan error, 1)
		go func() { done <- x.Do(t.Context(), me, Command{Type: "arm", Shots: 1}) }()
		synctest.Wait()
		x.dev.emit(board.Event{State: &wire.State{State: wire.Armed, Left: 1}})
		x.dev.emit(board.Event{State: &wire.State{State: wire.Safe, Reason: wire.ReasonRequested}})
		synctest.Wait()
		release()
		var r *Refusal
		require.ErrorAs(t, <-done, &r)
		synctest.Wait()
		assert.Equal(t, "The board could not be armed: no answer from the board within 1s.", r.Why)
		assert.Equal(t, "not armed: no answer from the board within 1s", x.Snapshot().Reason)
		assert.Equal(t, Safe, x.Snapshot().State)
	})
}
