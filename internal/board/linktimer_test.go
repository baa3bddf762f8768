package board

import (
	"context"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/wire"
)

// A board in this process is silent when this process was served often enough without hearing it. However late one
// step ends, it is one step: a process that stood still for a minute has not waited.
func TestSilenceInProcessIsCountedInSteps(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var s linkTimer
		s.start(Options{InProcess: true}, func() {})
		defer s.stop()
		time.Sleep(time.Minute) // one step that ended late
		require.False(t, s.expire())
		s.reset()
		for range inProcessSteps - 1 {
			time.Sleep(s.each)
			require.False(t, s.expire())
		}
		time.Sleep(s.each)
		assert.True(t, s.expire())
	})
}

func TestSilenceOfOtherBoardsIsMeasuredInTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var s linkTimer
		s.start(Options{}, func() {})
		defer s.stop()
		time.Sleep(linkTimeout)
		assert.True(t, s.expire())
	})
}

// The end of a step and a frame of the board may come at one time: what was heard counts.
func TestAStepThatWasResetIsNotCounted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for _, o := range []Options{{}, {InProcess: true}} {
			var s linkTimer
			s.start(o, func() {})
			time.Sleep(linkTimeout)
			s.reset()
			assert.False(t, s.expire())
			assert.Zero(t, s.steps)
			s.stop()
		}
	})
}

// Where the process is served in time, both rules are one.
func TestASilentBoardInProcessIsGoneAfterASecond(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var mute atomic.Bool
		s, host := newScript(t)
		s.react = func(*script, wire.Frame) bool { return mute.Load() }
		go s.serve()
		c, err := Dial(t.Context(), host, Options{Log: discardLog(), InProcess: true})
		require.NoError(t, err)
		defer c.Close()
		time.Sleep(3 * time.Second)
		synctest.Wait()
		mute.Store(true)
		began := time.Now()
		assert.ErrorIs(t, c.Arm(context.Background(), 1), ErrNoAnswer)
		assert.Equal(t, 4*250*time.Millisecond, time.Since(began), "the request and three tries to disarm")
		assert.ErrorIs(t, until(t, c, isGone).Gone, ErrGone)
		assert.Equal(t, time.Second, time.Since(began))
	})
}
