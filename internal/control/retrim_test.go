package control

import (
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/board"
	"stillwater/internal/phys"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

func trimTo(value string) Command { return Command{Type: "set", Field: "trim.drop", Value: value} }

// delay is what the board's program has.
func (d *device) delay() time.Duration {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.program.Table[0].Delay
}

func TestTrimBetweenTheShotsOfOneArming(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(3)
		x.fire()
		before, delay := x.Snapshot(), x.dev.delay()
		time.Sleep(time.Minute)
		x.must(me, trimTo("7 ms"))
		after := x.Snapshot()
		assert.Equal(t, Armed, after.State)
		assert.Equal(t, before.Reason, after.Reason)
		assert.Equal(t, 2, after.ArmedLeft)
		assert.Equal(t, before.ArmedEnds, after.ArmedEnds, "it ends when it would have ended")
		assert.Equal(t, before.Epoch, after.Epoch, "nobody disarmed it")
		assert.Equal(t, delay+7*time.Millisecond, x.dev.delay())
		x.fire()
		x.fire()
		assert.Equal(t, Safe, x.Snapshot().State)
		shots := x.journal.kept()
		require.Len(t, shots, 3)
		trims := []phys.Time{}
		for _, s := range shots {
			set, err := shot.ParseSet(s.Set)
			require.NoError(t, err)
			trims = append(trims, set.Trim.Drop)
		}
		assert.ElementsMatch(t, []phys.Time{0, 0.007, 0.007}, trims, "each shot has the trim that it was made with")
	})
}

// A shot that is under way, or an opened shutter, is not cut short for a trim.
func TestTrimWaitsForTheShot(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(2)
		delay := x.dev.delay()
		x.dev.begin()
		synctest.Wait()
		x.must(me, trimTo("7 ms"))
		x.must(me, trimTo("9 ms"))
		assert.Equal(t, delay, x.dev.delay())
		assert.Equal(t, Firing, x.Snapshot().State)
		x.dev.end()
		synctest.Wait()
		assert.Equal(t, Armed, x.Snapshot().State)
		assert.Equal(t, 1, x.Snapshot().ArmedLeft)
		assert.Equal(t, delay+9*time.Millisecond, x.dev.delay())
		assert.Equal(t, "done", x.journal.kept()[0].Status)

		x.must(me, Command{Type: "disarm"})
		x.must(me, Command{Type: "set", Field: "light.shutter", Value: "go"})
		x.arm(2)
		delay = x.dev.delay()
		x.must(me, Command{Type: "go"})
		x.must(me, trimTo("20 ms"))
		assert.Equal(t, delay, x.dev.delay(), "the shutter is open")
		x.fire()
		x.dev.emit(board.Event{State: &wire.State{State: wire.Armed, Reason: wire.ReasonNotOpened, Left: 1}})
		synctest.Wait()
		assert.Equal(t, delay+11*time.Millisecond, x.dev.delay())
	})
}

// Whoever disarms while the board gets another program has the last word; a board that fails is left safe.
func TestDisarmWinsOverATrim(t *testing.T) {
	for _, at := range []string{"disarm", "load", "arm"} {
		inBubble(t, func(t *testing.T) {
			x := setUp(t)
			x.ready()
			x.arm(3)
			release := x.dev.holdUp(at)
			x.must(me, trimTo("7 ms"))
			done := make(chan error, 1)
			go func() { done <- x.Do(t.Context(), "another", Command{Type: "disarm"}) }()
			synctest.Wait()
			release()
			assert.NoError(t, <-done, at)
			synctest.Wait()
			assert.Equal(t, Safe, x.Snapshot().State, at)
			assert.Equal(t, wire.Safe, x.dev.now(), at)
			assert.Contains(t, x.Snapshot().Reason, "another", at)
			time.Sleep(time.Hour)
			assert.Equal(t, wire.Safe, x.dev.now(), at)
			x.arm(1)
			assert.Equal(t, Armed, x.Snapshot().State, at)
		})
	}
	for _, at := range []string{"load", "arm"} {
		inBubble(t, func(t *testing.T) {
			x := setUp(t)
			x.ready()
			x.arm(3)
			x.dev.mu.Lock()
			x.dev.fail[at] = errors.New("a bad cable")
			x.dev.mu.Unlock()
			x.must(me, trimTo("7 ms"))
			assert.Equal(t, Safe, x.Snapshot().State, at)
			assert.Equal(t, wire.Safe, x.dev.now(), at)
			assert.Contains(t, x.Snapshot().Reason, "bad cable", at)
		})
	}
}

// The last shot may be made just before the board is disarmed for the trim: it is not armed for one more.
func TestTrimAfterTheLastShot(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(1)
		release := x.dev.holdUp("disarm")
		x.must(me, trimTo("7 ms"))
		x.fire()
		release()
		synctest.Wait()
		assert.Equal(t, Safe, x.Snapshot().State)
		assert.Equal(t, wire.Safe, x.dev.now())
		assert.Contains(t, x.Snapshot().Reason, "done")
		assert.Len(t, x.journal.kept(), 1)
	})
}

func TestWhatOfTheSetChangesWhileArmed(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(3)
		before := x.dev.disarms
		for _, field := range []string{"trim.throw", "trim.sound", "drop.beam", "kind"} {
			assert.Contains(t, x.refused(me, Command{Type: "set", Field: field, Value: "1 ms"}).Remedy, "Disarm first", field)
		}
		x.refused(me, trimTo("-4 s"))
		x.refused(me, trimTo("wet"))
		x.refused("another", trimTo("1 ms"))
		assert.Equal(t, phys.Time(0), x.Snapshot().Set.Trim.Drop)
		assert.Equal(t, Armed, x.Snapshot().State)
		assert.Equal(t, before, x.dev.disarms, "the board was left alone")
	})
}
