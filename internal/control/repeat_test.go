package control

import (
	"math"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/board"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
	"stillwater/internal/wiring"
)

// armRepeated arms for Go, again every 8 s.
func (x *harness) armRepeated(shots int) {
	x.t.Helper()
	x.must(me, Command{Type: "arm", Shots: shots, RepeatS: 8})
	x.waitForGo(shots)
	require.True(x.t, x.Snapshot().NeedsGo)
}

// waitForGo has the board say that it waits for Go.
func (x *harness) waitForGo(left int) {
	x.dev.emit(board.Event{State: &wire.State{
		State: wire.Armed, Reason: wire.ReasonNotOpened, Left: uint16(left), Inputs: x.dev.levels, Now: x.ticks(),
	}})
	synctest.Wait()
}

// shoot has the board make the shot of a Go, and wait for the next.
func (x *harness) shoot() {
	x.dev.begin()
	synctest.Wait()
	x.dev.end()
	synctest.Wait()
	if x.dev.now() == wire.Armed {
		x.dev.mu.Lock()
		left := x.dev.left
		x.dev.mu.Unlock()
		x.waitForGo(left)
	}
}

// Nothing happens until a person gives Go. After that it is given again at the interval, exactly as often as asked.
func TestRepeat(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.readyForGo()
		x.armRepeated(3)
		assert.Equal(t, &RepeatView{EveryS: 8, Times: 3, Left: 3}, x.Snapshot().Repeat)
		assert.Contains(t, x.Snapshot().Reason, "after your first Go, again every 8 s, 3 times in all")
		time.Sleep(time.Minute)
		assert.Zero(t, x.gos(), "it begins with a person")

		from := time.Now()
		x.must(me, Command{Type: "go"})
		assert.Equal(t, from.Add(8*time.Second).UnixMilli(), x.Snapshot().Repeat.NextAt)
		x.shoot()
		assert.Equal(t, "armed: Go repeats every 8 s, 2 more times", x.Snapshot().Reason)
		for n := 2; n <= 3; n++ {
			time.Sleep(8*time.Second - time.Millisecond)
			synctest.Wait()
			assert.Equal(t, n-1, x.gos(), "not before its time")
			time.Sleep(time.Millisecond)
			synctest.Wait()
			assert.Equal(t, n, x.gos())
			assert.Equal(t, from.Add(time.Duration(n-1)*8*time.Second), time.Now())
			x.shoot()
		}
		assert.Equal(t, Safe, x.Snapshot().State)
		assert.Nil(t, x.Snapshot().Repeat)
		time.Sleep(time.Hour)
		assert.Equal(t, 3, x.gos(), "never past its count")
	})
}

// A Go that gave no shot counts too: the run ends with its last Go, though the board has shots left.
func TestRepeatCountsGos(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.readyForGo()
		x.armRepeated(2)
		x.must(me, Command{Type: "go"})
		x.waitForGo(2)
		time.Sleep(8 * time.Second)
		synctest.Wait()
		assert.Equal(t, 2, x.gos())
		assert.Equal(t, Armed, x.Snapshot().State, "the last one is under way")
		x.waitForGo(2)
		assert.Equal(t, Safe, x.Snapshot().State)
		assert.Equal(t, wire.Safe, x.dev.now())
		assert.Equal(t, "disarmed: Go was given 2 times, as asked", x.Snapshot().Reason)
		time.Sleep(time.Hour)
		assert.Equal(t, 2, x.gos())
	})
}

// A Go that the board refuses, as it does that of a second tap, is none: it takes no turn away, and the count never
// goes below zero.
func TestRepeatDoesNotCountARefusedGo(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.readyForGo()
		x.armRepeated(2)
		tapTwice := func() {
			x.must(me, Command{Type: "go"})
			x.dev.failWith("go", &board.RefusedError{Request: wire.TypeGo, Reason: wire.ReasonBusy})
			assert.Error(t, x.Control.Do(t.Context(), me, Command{Type: "go", Epoch: x.Snapshot().Epoch}))
			x.dev.failWith("go", nil)
		}
		tapTwice()
		assert.Equal(t, 1, x.Snapshot().Repeat.Left)
		x.shoot()
		time.Sleep(7 * time.Second)
		synctest.Wait()
		assert.Equal(t, 1, x.gos())
		tapTwice()
		assert.Zero(t, x.Snapshot().Repeat.Left)
		x.waitForGo(1)
		assert.Equal(t, Safe, x.Snapshot().State)
		assert.Equal(t, "disarmed: Go was given 2 times, as asked", x.Snapshot().Reason)
		time.Sleep(time.Hour)
		assert.Equal(t, 2, x.gos())
	})
}

// Whatever ends the arming ends the repeating.
func TestRepeatEnds(t *testing.T) {
	var leave func(time.Time)
	for name, end := range map[string]func(x *harness){
		"a disarm":      func(x *harness) { x.must(other, Command{Type: "disarm"}) },
		"the button":    func(x *harness) { x.press(50 * time.Millisecond) },
		"the kill":      func(x *harness) { x.dev.stop(wire.Faulted, wire.Killed, wire.ReasonKill) },
		"a fault":       func(x *harness) { x.dev.emit(board.Event{Fault: &wire.Fault{Reason: wire.ReasonMaxOn}}) },
		"a lost board":  func(x *harness) { x.dev.vanish(board.ErrGone) },
		"a gone holder": func(x *harness) { leave(time.Now()); time.Sleep(defaultGrace) },
		"its time":      func(*harness) { time.Sleep(defaultArmFor) },
	} {
		inBubble(t, func(t *testing.T) {
			x := setUp(t, withButton(wiring.NoGesture))
			leave = x.ready()
			x.readyForGo()
			x.Join(other)
			x.armRepeated(20)
			x.must(me, Command{Type: "go"})
			if name != "its time" { // the board never says that the shot is over
				x.shoot()
			}
			end(x)
			synctest.Wait()
			before := x.gos()
			time.Sleep(time.Hour)
			synctest.Wait()
			assert.Equal(t, before, x.gos(), name)
			assert.LessOrEqual(t, before, 2, name)
			assert.NotEqual(t, Armed, x.Snapshot().State, name)
			assert.Nil(t, x.Snapshot().Repeat, name)
		})
	}
}

// While nobody can see the holder's page no Go is given; if it is back in time the repeating goes on.
func TestRepeatWaitsForTheHolder(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.readyForGo()
		x.armRepeated(3)
		x.must(me, Command{Type: "go"})
		x.shoot()
		time.Sleep(5 * time.Second)
		x.must(me, Command{Type: "page", Hidden: true})
		time.Sleep(4 * time.Second)
		synctest.Wait()
		assert.Equal(t, 1, x.gos())
		assert.Contains(t, x.Snapshot().Notice, "is locked or shows something else")
		x.must(me, Command{Type: "page"})
		time.Sleep(7 * time.Second)
		synctest.Wait()
		assert.Equal(t, 2, x.gos(), "the turn that was left out was none")
		assert.Equal(t, 1, x.Snapshot().Repeat.Left)
	})
}

// A board that is not ready when the time has come gets Go as soon as it is, and a Go by hand begins the interval anew.
func TestRepeatAndTheBoard(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.readyForGo()
		x.armRepeated(4)
		x.must(me, Command{Type: "go"})
		x.dev.begin()
		time.Sleep(20 * time.Second)
		synctest.Wait()
		assert.Equal(t, 1, x.gos(), "the shot is still under way")
		x.dev.end()
		synctest.Wait()
		x.waitForGo(3)
		assert.Equal(t, 2, x.gos())
		x.shoot()

		time.Sleep(5 * time.Second)
		x.must(me, Command{Type: "go"})
		x.shoot()
		time.Sleep(7 * time.Second)
		synctest.Wait()
		assert.Equal(t, 3, x.gos())
		time.Sleep(time.Second)
		synctest.Wait()
		assert.Equal(t, 4, x.gos())
		time.Sleep(time.Hour)
		assert.Equal(t, 4, x.gos())
	})
}

// A new trim replaces the program between two shots: the repeating goes on as it was.
func TestRepeatAcrossATrim(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.readyForGo()
		x.armRepeated(5)
		x.must(me, Command{Type: "go"})
		x.shoot()
		x.must(me, Command{Type: "set", Field: "trim.drop", Value: "1 ms"})
		synctest.Wait()
		x.waitForGo(4)
		time.Sleep(8 * time.Second)
		synctest.Wait()
		assert.Equal(t, 2, x.gos())
		assert.Equal(t, 3, x.Snapshot().Repeat.Left)
	})
}

func TestRepeatIsRefused(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		arm := func(shots, every int, dry bool) *Refusal {
			return x.refused(me, Command{Type: "arm", Shots: shots, RepeatS: every, Dry: dry})
		}
		assert.Contains(t, arm(3, 8, false).Why, "needs no Go")
		x.readyForGo()
		for _, every := range []int{-1, 1, 121, math.MaxInt>>8 + 1, math.MaxInt} { // the fourth in seconds is 0 ns in 64 bits
			assert.Equal(t, "repeat_s", arm(3, every, false).Field, every)
		}
		assert.Contains(t, arm(3, 8, true).Why, "dry run")
		long := arm(100, 8, false)
		assert.Contains(t, long.Why, "longer than the 10 min")
		assert.Contains(t, long.Remedy, "75 shots")
		assert.Equal(t, Safe, x.Snapshot().State)
		x.must(me, Command{Type: "arm", Shots: 75, RepeatS: 8})
	})
	assert.GreaterOrEqual(t, minRepeat, time.Second, "one flash of each in a second is less than three")
}

// Drops from valves that were not all seen give no shot, and the page says how many were.
func TestMissedDropIsSaid(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.readyForGo()
		x.armForGo()
		x.update(func() {
			p := &x.Control.current.program
			p.Nth, p.GateMin, p.GateMax = 2, 300*time.Millisecond, 320*time.Millisecond
			p.Opening = []shot.Cue{{Name: "valve", Width: 20 * time.Millisecond}}
		})
		reject := func(reason wire.Reason, interval uint32) {
			x.dev.emit(board.Event{Rejected: &wire.Rejected{Reason: reason, Count: 1, Interval: interval}})
			synctest.Wait()
		}
		x.must(me, Command{Type: "go"})
		reject(wire.ReasonNotNth, 1)
		assert.Empty(t, x.Snapshot().Notice, "the first of two drops is no news")
		x.waitForGo(3)
		assert.Contains(t, x.Snapshot().Notice, "no shot: the beam counted 1 of 2 drops in their time.")

		x.must(me, Command{Type: "go"})
		assert.Empty(t, x.Snapshot().Notice)
		reject(wire.ReasonNotNth, 1)
		reject(wire.ReasonTooFast, 2_500_000)
		assert.Contains(t, x.Snapshot().Notice, "250.0 ms after Go; drop 2 is due after 300.0 to 320.0 ms")
		x.shoot()
		assert.Empty(t, x.Snapshot().Notice)

		x.must(me, Command{Type: "go"})
		reject(wire.ReasonLate, 100)
		late := x.Snapshot().Notice
		x.waitForGo(2)
		assert.Equal(t, late, x.Snapshot().Notice, "why it was given up is not hidden")
	})
}

// Priming opens a valve for nine tenths of what it may be, a second at most, and only a valve.
func TestPrime(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.dev.id.Outputs = append(x.dev.id.Outputs,
			board.OutputInfo{Kind: wire.OutputValve, Name: "valve", MaxOn: 400 * time.Millisecond},
			board.OutputInfo{Kind: wire.OutputValve, Name: "slow", MaxOn: 30 * time.Second})
		x.dev.vanish(board.ErrGone) // and the one that answers has valves
		time.Sleep(time.Second)
		x.dev.revive()
		time.Sleep(maxRedialDelay)
		x.ready()
		times := []float64{}
		for _, out := range x.Snapshot().Board.Outputs {
			times = append(times, out.PrimeMs)
		}
		assert.Equal(t, []float64{0, 0, 360, 1000}, times)
		prime := Command{Type: "prime", Output: "valve"}
		x.must(me, prime)
		require.Len(t, x.dev.pulses, 1)
		assert.Equal(t, 360*time.Millisecond, x.dev.pulses[0].Off-x.dev.pulses[0].On)
		assert.Equal(t, "it ran for 360 ms; repeat until it drips at once",
			x.Snapshot().Board.Outputs[2].Tested)
		time.Sleep(719 * time.Millisecond)
		assert.Contains(t, x.refused(me, prime).Why, "too soon", "on for half of the time at most")
		time.Sleep(time.Millisecond)
		x.must(me, Command{Type: "prime", Output: "slow"})
		assert.Equal(t, time.Second, x.dev.pulses[1].Off-x.dev.pulses[1].On)
		time.Sleep(2 * time.Second)

		assert.Contains(t, x.refused(me, Command{Type: "prime", Output: "flash"}).Why, "not a valve")
		assert.Contains(t, x.refused(me, Command{Type: "prime", Output: "hose"}).Why, "no output")
		x.Join(other)
		assert.Contains(t, x.refused(other, prime).Why, "with "+me)
		x.arm(1)
		assert.Contains(t, x.refused(me, prime).Why, "while armed")
		x.must(me, Command{Type: "disarm"})
		stale := prime
		stale.Epoch = x.Snapshot().Epoch - 1
		assert.Error(t, x.Control.Do(t.Context(), me, stale))
		assert.Len(t, x.dev.pulses, 2)
	})
}
