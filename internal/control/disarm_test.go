package control

import (
	"bytes"
	"context"
	"log/slog"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/board"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

// stubborn is a board whose requests hang until the test lets them go, and then are carried out although nobody waits
// for them any more; and whose state may follow its answers late.
type stubborn struct {
	*device
	hangs chan struct{}
	late  atomic.Int64 // ns
}

func (d *stubborn) Arm(_ context.Context, shots int) error {
	<-d.hangs
	return d.device.Arm(context.Background(), shots)
}

func (d *stubborn) Disarm(ctx context.Context) error {
	late := time.Duration(d.late.Load())
	if late == 0 {
		return d.device.Disarm(ctx)
	}
	go func() {
		time.Sleep(late)
		d.device.Disarm(context.Background())
	}()
	return nil
}

func withStubborn(t *testing.T) (*harness, *stubborn) {
	s := &stubborn{hangs: make(chan struct{})}
	x := setUp(t, func(o *Options) {
		dial := o.Dial
		o.Dial = func(ctx context.Context) (Device, error) {
			d, err := dial(ctx)
			if err != nil {
				return nil, err
			}
			s.device = d.(*device)
			return s, nil
		}
	})
	x.ready()
	return x, s
}

// begin sends a command and lets it come as far as it does.
func (x *harness) begin(client string, cmd Command) <-chan error {
	done := make(chan error, 1)
	go func() { done <- x.Do(context.Background(), client, cmd) }()
	synctest.Wait()
	return done
}

func waits(t *testing.T, done <-chan error) {
	t.Helper()
	select {
	case err := <-done:
		require.Fail(t, "it does not wait", "%v", err)
	default:
	}
}

// An arm that reaches the board after the disarm, because it was on its way there, is undone before the disarm is done.
func TestDisarmUndoesWhatReachesTheBoardAfterIt(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x, s := withStubborn(t)
		arm := x.begin(me, Command{Type: "arm", Shots: 1})
		before := x.dev.disarms
		disarm := x.begin(other, Command{Type: "disarm"})
		assert.Equal(t, before+1, x.dev.disarms, "at once")
		waits(t, disarm)
		assert.Equal(t, Arming, x.Snapshot().State, "the board may still be armed, and the page offers to disarm")
		s.hangs <- struct{}{}
		require.NoError(t, <-disarm)
		assert.Equal(t, wire.Safe, x.dev.now())
		assert.Error(t, <-arm)
		synctest.Wait()
		assert.Equal(t, Safe, x.Snapshot().State)
		assert.Equal(t, "disarmed by "+other, x.Snapshot().Reason)
		close(s.hangs)
		x.arm(1)
	})
}

// A disarm does not wait for ever for what is on its way to the board: the board is cut off.
func TestDisarmCutsOffWhatDoesNotEnd(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x, s := withStubborn(t)
		arm := x.begin(me, Command{Type: "arm", Shots: 1})
		x.noBoard(board.ErrGone)
		start := time.Now()
		assert.Contains(t, x.refused(me, Command{Type: "disarm"}).Why, "did not confirm")
		assert.Equal(t, disarmTimeout, time.Since(start))
		assert.True(t, x.dev.gone)
		close(s.hangs)
		assert.Error(t, <-arm)
		synctest.Wait()
		assert.Equal(t, Fault, x.Snapshot().State)
	})
}

// What the board says of itself may come after its answer: the disarm is done when it shows, and the next arm works.
func TestDisarmShowsBeforeItIsDone(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x, s := withStubborn(t)
		close(s.hangs)
		x.arm(1)
		s.late.Store(int64(stateTimeout / 2))
		require.NoError(t, x.Do(t.Context(), me, Command{Type: "disarm"}))
		assert.Equal(t, Safe, x.Snapshot().State)
		x.arm(1)

		s.late.Store(int64(10 * stateTimeout))
		start := time.Now()
		require.NoError(t, x.Do(t.Context(), me, Command{Type: "disarm"}), "the board has confirmed it")
		assert.Equal(t, stateTimeout, time.Since(start))
		s.late.Store(0)
		time.Sleep(20 * stateTimeout)
	})
}

// Who knows of a disarm may ask for what comes after it while it is under way.
func TestArmAfterADisarmUnderWay(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.arm(1)
		release := x.dev.holdUp("disarm")
		disarm := x.begin(me, Command{Type: "disarm"})
		arm := x.begin(me, Command{Type: "arm", Shots: 2})
		waits(t, arm)
		again := x.begin(other, Command{Type: "disarm"})
		waits(t, again)
		release()
		require.NoError(t, <-disarm)
		require.NoError(t, <-again, "one with the other")
		assert.Error(t, <-arm, "asked before the second")
		assert.Equal(t, wire.Safe, x.dev.now())

		x.arm(1)
		release = x.dev.holdUp("disarm")
		disarm = x.begin(me, Command{Type: "disarm"})
		arm = x.begin(me, Command{Type: "arm", Shots: 2})
		release()
		require.NoError(t, <-disarm)
		require.NoError(t, <-arm)
		synctest.Wait()
		assert.Equal(t, 2, x.Snapshot().ArmedLeft)
	})
}

// Whatever makes the board safe before its shots are done makes void what was asked before.
func TestWhatBeginsAnEpoch(t *testing.T) {
	for name, c := range map[string]struct {
		end  func(x *harness)
		void bool
	}{
		"a disarm":        {func(x *harness) { x.must(other, Command{Type: "disarm"}) }, true},
		"the time":        {func(x *harness) { time.Sleep(defaultArmFor) }, true},
		"a lost board":    {func(x *harness) { x.dev.vanish(board.ErrGone); time.Sleep(time.Second) }, true},
		"the kill switch": {func(x *harness) { x.dev.stop(wire.Faulted, wire.Killed, wire.ReasonKill) }, true},
		"the board itself": {func(x *harness) {
			x.dev.stop(wire.Safe, wire.Aborted, wire.ReasonRequested)
		}, true},
		"a lost link": {func(x *harness) {
			x.dev.stop(wire.Safe, wire.Aborted, wire.ReasonLinkTimeout)
		}, true},
		"its shots": {func(x *harness) { x.fire() }, false},
	} {
		t.Run(name, func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				x := setUp(t)
				x.ready()
				for range 2 {
					x.arm(1)
					waiting := Command{Type: "arm", Shots: 3, Epoch: x.Snapshot().Epoch}
					c.end(x)
					synctest.Wait()
					err := x.Control.Do(t.Context(), me, waiting)
					if !c.void {
						require.NoError(t, err)
						x.must(me, Command{Type: "disarm"})
						continue
					}
					require.ErrorContains(t, err, "disarmed after this was asked")
					assert.Equal(t, wire.StateCode(0), x.dev.now()&^wire.Faulted, "not armed")
					x.must(me, Command{Type: "disarm"})
				}
			})
		})
	}
}

// Every command that may switch something on is void after a disarm, and says at once what is wrong with it otherwise.
func TestVoidCommands(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		released, touched := 0, 0
		x := setUp(t, withSync(func(int) time.Duration { return 80 * time.Millisecond }),
			func(o *Options) { o.Room = counting{&released, &touched} })
		x.ready()
		old := x.Snapshot().Epoch
		x.must(other, Command{Type: "disarm"})
		for _, cmd := range []Command{
			{Type: "arm", Shots: 1}, {Type: "go"}, {Type: "room"}, {Type: "pulse", Output: "flash"},
			{Type: "lag", Shots: 3}, {Type: "touch", Input: "beam"},
		} {
			require.ErrorContains(t, x.Control.Do(t.Context(), me, cmd), "does not say which state it was sent in", cmd.Type)
			cmd.Epoch = old
			require.ErrorContains(t, x.Control.Do(t.Context(), me, cmd), "disarmed after this was asked", cmd.Type)
			cmd.Epoch = x.Snapshot().Epoch + 1
			require.ErrorContains(t, x.Control.Do(t.Context(), me, cmd), "disarmed after this was asked", cmd.Type)
		}
		synctest.Wait()
		assert.Zero(t, released)
		assert.Zero(t, touched)
		assert.Empty(t, x.dev.pulses)
		require.NoError(t, x.Control.Do(t.Context(), other, Command{Type: "disarm", Epoch: old}), "a disarm never is")
	})
}

// counting is a room that counts what was let go.
type counting struct{ released, touched *int }

func (c counting) Release(context.Context, shot.Set) error { *c.released++; return nil }
func (c counting) Touch(context.Context, string) error     { *c.touched++; return nil }
func (c counting) Arrange(shot.Set)                        {}
func (c counting) Busy() bool                              { return false }
func (c counting) Look(time.Duration) string               { return "" }

// A test pulse on its way to the board is cut short by a disarm, and so is a go.
func TestDisarmCutsShortPulseAndGo(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		release := x.dev.holdUp("pulse")
		pulse := x.begin(me, Command{Type: "pulse", Output: "flash"})
		x.must(other, Command{Type: "disarm"})
		require.Error(t, <-pulse)
		release()
		assert.Empty(t, x.dev.pulses)

		x.must(me, Command{Type: "set", Field: "light.shutter", Value: "go"})
		x.arm(1)
		release = x.dev.holdUp("go")
		goes := x.begin(me, Command{Type: "go"})
		x.must(other, Command{Type: "disarm"})
		assert.ErrorContains(t, <-goes, "disarmed")
		release()
	})
}

// slowRoom takes its time to let something go, and looks at the context when that is over, if at all.
type slowRoom struct {
	counting
	begins chan struct{}
	heeds  bool
}

func (r slowRoom) Release(ctx context.Context, set shot.Set) error {
	cut := ctx.Done()
	if !r.heeds {
		cut = nil
	}
	select {
	case <-r.begins:
		return r.counting.Release(ctx, set)
	case <-cut:
		return ctx.Err()
	}
}

// What was asked of the room before a disarm does not begin after its answer: it is cut short, or else waited for.
func TestDisarmAndWhatIsLetGoInTheRoom(t *testing.T) {
	for _, heeds := range []bool{true, false} {
		inBubble(t, func(t *testing.T) {
			released := 0
			r := slowRoom{counting{&released, new(int)}, make(chan struct{}), heeds}
			x := setUp(t, func(o *Options) { o.Room = r })
			x.ready()
			release := x.begin(me, Command{Type: "room"})
			disarm := x.begin(other, Command{Type: "disarm"})
			if !heeds {
				waits(t, disarm)
				close(r.begins)
				require.NoError(t, <-disarm)
				require.NoError(t, <-release)
				assert.Equal(t, 1, released)
				return
			}
			require.NoError(t, <-disarm)
			close(r.begins)
			require.ErrorContains(t, <-release, "disarmed meanwhile")
			assert.Zero(t, released)
		})
	}
}

// A disarm of a board that is gone holds up nothing at the board that is there.
func TestDisarmOfTheBoardThereIs(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.dev.holdUp("disarm")
		old := x.begin(me, Command{Type: "disarm"})
		x.dev.mu.Lock()
		delete(x.dev.hang, "disarm")
		x.dev.mu.Unlock()
		x.dev.vanish(board.ErrGone)
		time.Sleep(2 * minRedialDelay)
		require.True(t, x.Snapshot().Board.Connected)
		start := time.Now()
		x.must(me, Command{Type: "disarm"})
		assert.Zero(t, time.Since(start))
		x.arm(1)
		require.Error(t, <-old)
	})
}

// A board that is safe may be disarmed by any phone at any time; only what ended something is worth a line in the log.
func TestDisarmOfASafeBoardIsNotLogged(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		var lines bytes.Buffer
		x := setUp(t, func(o *Options) { o.Log = slog.New(slog.NewTextHandler(&lines, nil)) })
		x.ready()
		for range 100 {
			x.must(other, Command{Type: "disarm"})
		}
		assert.Zero(t, strings.Count(lines.String(), "msg=disarmed"))
		x.arm(1)
		x.must(other, Command{Type: "disarm"})
		assert.Equal(t, 1, strings.Count(lines.String(), "msg=disarmed"))
	})
}
