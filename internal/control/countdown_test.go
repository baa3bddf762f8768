package control

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/board"
	"stillwater/internal/wire"
	"stillwater/internal/wiring"
)

// It arms after the delay and not before, by the board's own state.
func TestArmingDelay(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.must(me, Command{Type: "arm", Shots: 2, DelayS: 5})
		began := time.Now()
		for range 5 {
			s := x.Snapshot()
			assert.Equal(t, Arming, s.State)
			assert.Equal(t, began.Add(5*time.Second).UnixMilli(), s.ArmsAt)
			assert.Zero(t, s.ArmedEnds)
			assert.Equal(t, wire.Safe, x.dev.now())
			time.Sleep(time.Second - time.Millisecond)
		}
		time.Sleep(5 * time.Millisecond)
		synctest.Wait()
		s := x.Snapshot()
		assert.Equal(t, Armed, s.State)
		assert.Equal(t, wire.Armed, x.dev.now())
		assert.Zero(t, s.ArmsAt)
		assert.Equal(t, 2, s.ArmedLeft)
		assert.Equal(t, began.Add(5*time.Second+defaultArmFor).UnixMilli(), s.ArmedEnds)

		time.Sleep(defaultArmFor - time.Second)
		synctest.Wait()
		assert.Equal(t, Armed, x.Snapshot().State, "the time armed counts from the end of the delay")
		time.Sleep(time.Second)
		synctest.Wait()
		assert.Equal(t, Safe, x.Snapshot().State)
	})
}

// Whatever makes the board safe ends a countdown at once, for good.
func TestWhatEndsACountdown(t *testing.T) {
	for name, end := range map[string]func(x *harness){
		"a disarm":           func(x *harness) { x.must(other, Command{Type: "disarm"}) },
		"the button":         func(x *harness) { x.press(100 * time.Millisecond) },
		"a fault":            func(x *harness) { x.dev.stop(wire.Faulted, wire.Killed, wire.ReasonKill) },
		"the board is gone":  func(x *harness) { x.dev.vanish(board.ErrGone) },
		"Stillwater's end":   func(x *harness) { x.stop() },
		"a disarm and again": func(x *harness) { x.must(me, Command{Type: "disarm"}); x.must(me, Command{Type: "disarm"}) },
	} {
		t.Run(name, func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				x := setUp(t, withButton(wiring.NoGesture))
				x.ready()
				x.must(me, Command{Type: "arm", Shots: 1, DelayS: 5})
				epoch := x.Snapshot().Epoch
				time.Sleep(4999 * time.Millisecond)
				end(x)
				synctest.Wait()
				assert.NotEqual(t, Arming, x.Snapshot().State)
				assert.Zero(t, x.Snapshot().ArmsAt)
				assert.Greater(t, x.Snapshot().Epoch, epoch)
				time.Sleep(time.Minute)
				synctest.Wait()
				assert.NotEqual(t, wire.Armed, x.dev.now())
			})
		})
	}
}

// A phone that is gone for the grace time ends a countdown like it ends what is armed.
func TestACountdownWithoutItsPhone(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		leave := x.ready()
		x.must(me, Command{Type: "arm", Shots: 1, DelayS: 30})
		leave(time.Now())
		time.Sleep(time.Minute)
		synctest.Wait()
		assert.Equal(t, Safe, x.Snapshot().State)
		assert.Contains(t, x.Snapshot().Reason, "was disconnected for 10 s")
	})
}

// While it counts nothing else begins, and the set stays as it was when the program was loaded.
func TestWhileItCountsDown(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		for _, s := range []int{-1, 61} {
			assert.Equal(t, "delay_s", x.refused(me, Command{Type: "arm", Shots: 1, DelayS: s}).Field)
		}
		x.must(me, Command{Type: "arm", Shots: 1, DelayS: 60}) // the longest that the refusal offers
		for _, cmd := range []Command{{Type: "arm", Shots: 1}, {Type: "arm", Shots: 1, DelayS: 1}, {Type: "go"},
			{Type: "pulse", Output: "flash"}, {Type: "set", Field: "drop.height", Value: "50 cm"}, {Type: "session"}} {
			x.refused(me, cmd)
		}
		time.Sleep(time.Minute)
		synctest.Wait()
		assert.Equal(t, Armed, x.Snapshot().State)
	})
}

// If the board will not be armed when the time is over, everybody sees why.
func TestACountdownThatFails(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.must(me, Command{Type: "arm", Shots: 1, DelayS: 5})
		x.dev.mu.Lock()
		x.dev.fail["arm"] = &board.RefusedError{Request: wire.TypeArm, Reason: wire.ReasonKill}
		x.dev.mu.Unlock()
		time.Sleep(6 * time.Second)
		synctest.Wait()
		s := x.Snapshot()
		assert.Equal(t, Safe, s.State)
		assert.Contains(t, s.Reason, "not armed: ")
		delete(x.dev.fail, "arm")
		x.arm(1)
		require.Equal(t, Armed, x.Snapshot().State)
	})
}
