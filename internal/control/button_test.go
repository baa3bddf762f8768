package control

import (
	"context"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/board"
	"stillwater/internal/wire"
	"stillwater/internal/wiring"
)

const testButton = 4 // its input on the board that has one

// withButton gives the board a button, up, with a gesture.
func withButton(gesture wiring.Gesture) func(*Options) {
	return func(o *Options) {
		dial, wire2 := o.Dial, o.Wire
		o.Dial = func(ctx context.Context) (Device, error) {
			d, err := dial(ctx)
			if dev, ok := d.(*device); ok {
				dev.mu.Lock()
				dev.id.Inputs = append(slices.Clip(dev.id.Inputs[:testButton]),
					board.InputInfo{Kind: wire.InputButton, Name: "foot switch"})
				dev.levels = 1 << testButton
				dev.mu.Unlock()
			}
			return d, err
		}
		o.Wire = func(id board.Identity) (Wiring, error) {
			w, err := wire2(id)
			w.Inputs[testButton].Go = gesture
			return w, err
		}
	}
}

// button moves the button, as the board reports it.
func (x *harness) button(down bool) {
	x.dev.mu.Lock()
	x.dev.levels = x.dev.levels &^ (1 << testButton)
	if !down {
		x.dev.levels |= 1 << testButton
	}
	x.dev.mu.Unlock()
	x.dev.emit(board.Event{Edge: &wire.Edge{Input: testButton, High: !down, Count: 1, At: x.ticks()}})
	synctest.Wait()
}

// ticks is the board's time: the bubble's, in its ticks.
func (x *harness) ticks() wire.Tick { return wire.Tick(time.Now().UnixNano() / int64(x.dev.id.Tick)) }

// press presses for as long, and lets go.
func (x *harness) press(lasts time.Duration) {
	x.button(true)
	time.Sleep(lasts)
	x.button(false)
}

func (x *harness) gos() int {
	x.dev.mu.Lock()
	defer x.dev.mu.Unlock()
	return x.dev.gos
}

// armForGo arms a set whose shutter waits for Go.
func (x *harness) armForGo() {
	x.t.Helper()
	x.arm(3)
	x.dev.emit(board.Event{State: &wire.State{
		State: wire.Armed, Reason: wire.ReasonNotOpened, Left: 3, Inputs: x.dev.levels, Now: x.ticks(),
	}})
	synctest.Wait()
	require.True(x.t, x.Snapshot().NeedsGo)
}

func (x *harness) readyForGo() {
	x.ready()
	x.must(me, Command{Type: "set", Field: "light.shutter", Value: "go"})
}

// A press disarms at once in every state but one: where a gesture is configured and Go is awaited, nothing can fire,
// and the press may be the beginning of the gesture.
func TestAPressDisarms(t *testing.T) {
	for _, gesture := range []wiring.Gesture{wiring.NoGesture, wiring.TwoPresses, wiring.Hold} {
		inBubble(t, func(t *testing.T) {
			x := setUp(t, withButton(gesture))
			x.ready()
			epoch := x.Snapshot().Epoch
			x.press(time.Second)
			assert.Equal(t, Safe, x.Snapshot().State)
			assert.Greater(t, x.Snapshot().Epoch, epoch, "what was asked before the press is void")

			x.arm(3)
			x.button(true)
			assert.Equal(t, Safe, x.Snapshot().State, "armed")
			assert.Equal(t, wire.Safe, x.dev.now())
			assert.Equal(t, "disarmed by the foot switch", x.Snapshot().Reason)
			x.button(false)
			assert.Zero(t, x.gos())

			x.arm(3)
			x.dev.begin()
			synctest.Wait()
			x.button(true)
			assert.Equal(t, Safe, x.Snapshot().State, "firing")
			x.button(false)

			release := x.dev.holdUp("arm")
			answer := make(chan error)
			cmd := Command{Type: "arm", Shots: 1, Epoch: x.Snapshot().Epoch}
			go func() { answer <- x.Control.Do(context.Background(), me, cmd) }()
			synctest.Wait()
			require.Equal(t, Arming, x.Snapshot().State)
			x.button(true)
			require.Error(t, <-answer)
			release()
			synctest.Wait()
			assert.Equal(t, wire.Safe, x.dev.now(), "arming")
		})
	}
}

// times are how long a button is down, up, down, and so on.
type times []time.Duration

// play moves the button. In the end it is up.
func (x *harness) play(all times) {
	for i, d := range all {
		x.button(i%2 == 0)
		time.Sleep(d)
	}
	if len(all)%2 == 1 {
		x.button(false)
	}
}

// What gives Go, and what does not. In all that does not, it is disarmed in the end.
func TestGoByTheButton(t *testing.T) {
	const ms = time.Millisecond
	for name, c := range map[string]struct {
		gesture wiring.Gesture
		play    times
		goes    bool
	}{
		"two presses":             {wiring.TwoPresses, times{150 * ms, 150 * ms, 150 * ms}, true},
		"one press":               {wiring.TwoPresses, times{150 * ms}, false},
		"two presses, too slow":   {wiring.TwoPresses, times{150 * ms, 900 * ms, 150 * ms}, false},
		"two sparks":              {wiring.TwoPresses, times{ms, 150 * ms, ms}, false},
		"a press and a spark":     {wiring.TwoPresses, times{150 * ms, 150 * ms, ms}, false},
		"the second press sticks": {wiring.TwoPresses, times{150 * ms, 150 * ms, time.Hour}, false},
		"a hold for two presses":  {wiring.TwoPresses, times{1500 * ms}, false},
		"a hold":                  {wiring.Hold, times{900 * ms}, true},
		"a short press":           {wiring.Hold, times{400 * ms}, false},
		"stuck":                   {wiring.Hold, times{time.Hour}, false},
		"two presses for a hold":  {wiring.Hold, times{150 * ms, 150 * ms, 150 * ms}, false},
		"no gesture":              {wiring.NoGesture, times{150 * ms, 150 * ms, 150 * ms}, false},
		"no gesture, a hold":      {wiring.NoGesture, times{900 * ms}, false},
	} {
		t.Run(name, func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				x := setUp(t, withButton(c.gesture))
				x.readyForGo()
				x.armForGo()
				x.play(c.play)
				time.Sleep(time.Minute)
				synctest.Wait()
				if !c.goes {
					assert.Zero(t, x.gos())
					assert.Equal(t, Safe, x.Snapshot().State)
					return
				}
				assert.Equal(t, 1, x.gos())
				assert.Equal(t, Armed, x.Snapshot().State)
				assert.False(t, x.Snapshot().NeedsGo)
				x.button(true)
				assert.Equal(t, Safe, x.Snapshot().State, "after Go a press disarms at once")
			})
		})
	}
}

// While a gesture is under way nobody has to wait for its end: a disarm by phone is at once, and what is pressed then
// gives no Go to what is armed next.
func TestADisarmEndsAGesture(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t, withButton(wiring.TwoPresses))
		x.readyForGo()
		x.armForGo()
		x.press(150 * time.Millisecond)
		x.must(me, Command{Type: "disarm"})
		time.Sleep(2 * time.Second)
		x.armForGo()
		x.press(150 * time.Millisecond)
		assert.Zero(t, x.gos(), "the second press is the first one of this arming")
		time.Sleep(time.Minute)
		synctest.Wait()
		assert.Equal(t, Safe, x.Snapshot().State)
	})
}

// Go that a phone gave in the middle of a gesture is the only one.
func TestGoBesideAGesture(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t, withButton(wiring.TwoPresses))
		x.readyForGo()
		x.armForGo()
		x.press(150 * time.Millisecond)
		x.must(me, Command{Type: "go"})
		x.button(true)
		assert.Equal(t, Safe, x.Snapshot().State)
		assert.Equal(t, 1, x.gos())
	})
}

// A button that is down cannot disarm, so nothing is armed until it is up. It does not matter for how long.
func TestAButtonThatIsHeldDown(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t, withButton(wiring.Hold))
		x.readyForGo()
		x.button(true)
		time.Sleep(time.Hour)
		assert.Contains(t, x.refused(me, Command{Type: "arm", Shots: 1}).Why, "The foot switch is held down")
		x.button(false)
		x.armForGo()
		assert.Zero(t, x.gos())
	})
}

// An edge that was lost may have been a press.
func TestALostEdgeOfTheButtonDisarms(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t, withButton(wiring.NoGesture))
		x.ready()
		x.arm(1)
		x.dev.emit(board.Event{Lost: &wire.Lost{Input: 0, Count: 1}})
		synctest.Wait()
		assert.Equal(t, Armed, x.Snapshot().State, "another input's")
		x.dev.emit(board.Event{Lost: &wire.Lost{Input: testButton, Count: 1}})
		synctest.Wait()
		assert.Equal(t, Safe, x.Snapshot().State)
	})
}

// What a board could not say as an edge stands in its state.
func TestAPressThatOnlyTheStateShows(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t, withButton(wiring.NoGesture))
		x.ready()
		x.arm(1)
		x.dev.emit(board.Event{State: &wire.State{State: wire.Armed, Left: 1, Inputs: 0}})
		synctest.Wait()
		assert.Equal(t, Safe, x.Snapshot().State)
	})
}

// A press that came and went between two reports disarms too; bounce after a change does not.
func TestAPressBetweenReports(t *testing.T) {
	b := &button{gesture: wiring.TwoPresses, tick: time.Microsecond}
	at := func(ms int) wire.Tick { return wire.Tick(ms * 1000) }
	b.change(false, 1, at(0), false)
	assert.Equal(t, buttonDisarm, b.change(false, 2, at(500), false))
	b.change(true, 1, at(2000), true)
	assert.Equal(t, buttonIgnored, b.change(true, 4, at(2003), true), "bounce")
	assert.Equal(t, buttonIgnored, b.change(false, 1, at(2200), true))
	assert.Equal(t, buttonIgnored, b.change(false, 2, at(2202), true), "bounce")
	assert.Equal(t, 1, b.presses)
}

// Presses that wait together in the link are as far apart as the board's stamps say.
func TestAGestureGoesByTheBoardsTime(t *testing.T) {
	b := &button{gesture: wiring.TwoPresses, tick: time.Microsecond}
	b.change(false, 1, 0, true)
	const wraps = wire.Tick(1<<32 - 100_000)
	at := func(ms int) wire.Tick { return wraps + wire.Tick(ms*1000) }
	assert.Equal(t, buttonIgnored, b.change(true, 1, at(0), true))
	assert.Equal(t, buttonIgnored, b.change(false, 1, at(150), true))
	assert.Equal(t, buttonIgnored, b.change(true, 1, at(300), true))
	assert.Equal(t, buttonGo, b.change(false, 1, at(450), true))
	b.change(true, 1, at(2000), true)
	b.change(false, 1, at(2150), true)
	b.change(true, 1, at(4000), true)
	assert.Equal(t, buttonDisarm, b.change(false, 1, at(4150), true))
}

// A contact that chatters looks like any number of presses. It disarms, it gives no Go to what is armed in a pause of
// it, and what refuses to arm for it says so.
func TestAButtonThatChatters(t *testing.T) {
	const ms = time.Millisecond
	for _, c := range []struct {
		gesture  wiring.Gesture
		down, up time.Duration
	}{
		{wiring.TwoPresses, 25 * ms, 25 * ms}, {wiring.TwoPresses, 100 * ms, 100 * ms},
		{wiring.TwoPresses, 150 * ms, 600 * ms},
		{wiring.Hold, 800 * ms, 100 * ms}, {wiring.Hold, 2000 * ms, 900 * ms},
	} {
		inBubble(t, func(t *testing.T) {
			x := setUp(t, withButton(c.gesture))
			x.readyForGo()
			for range 20 {
				x.play(times{c.down, c.up - ms})
				x.armForGo()
				time.Sleep(ms)
				x.play(times{c.down, c.up, c.down, c.up})
				synctest.Wait()
				assert.Equal(t, wire.Safe, x.dev.now(), c)
			}
			assert.Zero(t, x.gos(), c)

			asked := Command{Type: "arm", Shots: 1, Epoch: x.Snapshot().Epoch}
			x.press(c.down)
			assert.ErrorContains(t, x.Control.Do(t.Context(), me, asked), "disarmed by the foot switch")
		})
	}
}

// What the ticks cannot tell, since they wrap after minutes, the states between do.
func TestAButtonThatWasStillForLong(t *testing.T) {
	b := &button{gesture: wiring.Hold, tick: 100 * time.Nanosecond}
	b.change(false, 1, 0, true)
	b.change(true, 1, 0, true)
	b.change(false, 1, 1e7, true)
	assert.Equal(t, buttonIgnored, b.change(false, 1, 1e7+2e7, true), "seen to be still")
	assert.Equal(t, buttonIgnored, b.change(true, 1, 1e7+1e6, true), "429.6 s later it begins a gesture")
	assert.Equal(t, 1, b.presses)
}
