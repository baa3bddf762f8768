package control

import (
	"context"
	"math"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/board"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

// restless is a room in which something moves for ever.
type restless struct{}

func (restless) Release(context.Context, shot.Set) error { return nil }
func (restless) Touch(context.Context, string) error     { return nil }
func (restless) Arrange(shot.Set)                        {}
func (restless) Busy() bool                              { return true }
func (restless) Look(time.Duration) string               { return "" }

// When Run has returned nothing of the control runs and no timer is left, whatever was under way: an arming, a phone's
// grace, something in the room, a snapshot that waits, a disarm that nobody asked for.
func TestNothingIsLeftWhenRunReturns(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t, func(o *Options) { o.Room = restless{} })
		leave := x.ready()
		box, _ := x.Join(other)
		x.must(me, Command{Type: "room"})
		x.arm(1)
		leave(time.Now())
		for range 3 {
			x.dev.emit(board.Event{Edge: &wire.Edge{Count: 1}})
		}
		synctest.Wait()
		x.tasks.mu.Lock()
		assert.Len(t, x.tasks.timers, 4, "arming, grace, room, snapshot")
		x.tasks.mu.Unlock()
		x.dev.mu.Lock()
		x.dev.say(wire.Armed, wire.ReasonNone)
		x.dev.mu.Unlock()
		require.NoError(t, x.stop())
		assert.Empty(t, x.tasks.timers)
		for len(box) > 0 {
			<-box
		}
		disarms := x.dev.disarms
		time.Sleep(time.Hour)
		synctest.Wait()
		assert.Empty(t, box, "something moved")
		assert.Equal(t, disarms, x.dev.disarms)

		start := time.Now()
		assert.Contains(t, x.refused(other, Command{Type: "disarm"}).Why, "no board")
		assert.Contains(t, x.refused(me, Command{Type: "arm", Shots: 1}).Why, "not connected")
		assert.Zero(t, time.Since(start))
		_, leave = x.Join(me)
		x.must(me, Command{Type: "take"})
		assert.Contains(t, x.refused(me, Command{Type: "arm", Shots: 1}).Why, "stopping")
		leave(time.Now())
		assert.Empty(t, x.tasks.timers, "nor does one start again")
	})
}

// A disarm that hangs at the board when everything ends is waited for, and not for ever.
func TestRunWaitsForADisarm(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(1)
		x.dev.holdUp("disarm")
		done := x.begin(me, Command{Type: "disarm"})
		start := time.Now()
		require.NoError(t, x.stop())
		assert.LessOrEqual(t, time.Since(start), disarmTimeout)
		require.Error(t, <-done)
	})
}

func TestTasks(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		var x tasks
		var mu sync.Mutex
		var did []string
		do := func(what string) func() {
			return func() { mu.Lock(); defer mu.Unlock(); did = append(did, what) }
		}
		x.after(time.Second, do("one second"))
		stopped := x.after(time.Second, do("never"))
		x.after(time.Minute, do("too late"))
		assert.True(t, stopped.stop())
		assert.False(t, stopped.stop())
		x.run(do("now"))
		x.run(func() { time.Sleep(10 * time.Second); do("slowly")() })
		time.Sleep(5 * time.Second)
		start := time.Now()
		x.end()
		assert.Equal(t, 5*time.Second, time.Since(start), "waits for what runs")
		x.run(do("never"))
		x.after(time.Second, do("never")).stop()
		time.Sleep(time.Hour)
		assert.Equal(t, []string{"now", "one second", "slowly"}, did)
	})
}

// What cannot be encoded is an error, and nothing that the record would take for a value.
func TestWhatCannotBeEncoded(t *testing.T) {
	text, err := encodeJSON(math.Inf(1))
	assert.ErrorContains(t, err, "encode")
	assert.Empty(t, text)
}
