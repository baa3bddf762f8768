package control

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/board"
	"stillwater/internal/meter"
	"stillwater/internal/wire"
	"stillwater/internal/wiring"
)

const testBeam, testMicrophone = 0, 2

// edge reports a change of the beam, which is broken when low.
func (x *harness) edge(broken bool, count uint16, at wire.Tick) {
	x.dev.emit(board.Event{Edge: &wire.Edge{Input: testBeam, High: !broken, Count: count, At: at}})
	synctest.Wait()
}

func (x *harness) input(i int) InputView { return x.Snapshot().Inputs[i] }

// What a finger does in the beam is shown as it was, by the board's stamps.
func TestBreaksAreShown(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		at := x.ticks()
		x.edge(true, 1, at)
		assert.True(t, x.input(testBeam).Active)
		time.Sleep(300 * time.Millisecond)
		x.edge(false, 1, at+3_000_000)
		began := time.Now().Add(-300 * time.Millisecond)
		assert.Equal(t, []Break{{At: began.UnixMilli(), LengthMs: 300, Pieces: 1}}, x.input(testBeam).Breaks)

		time.Sleep(10 * time.Hour) // far more than the board's clock takes to wrap
		x.edge(true, 1, 77)
		time.Sleep(3 * time.Millisecond)
		x.edge(false, 1, 77+30_000)
		assert.InDelta(t, 3, x.input(testBeam).Breaks[0].LengthMs, 1e-9)
		assert.Equal(t, time.Now().Add(-3*time.Millisecond).UnixMilli(), x.input(testBeam).Breaks[0].At)
		assert.Empty(t, x.input(1).Breaks)
	})
}

// A lamp's flicker is called that, and when it is over that is shown without another edge.
func TestChatterIsShown(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		snapshots, _ := x.Join(me)
		at := x.ticks()
		for range 40 { // 100 Hz: ten edges in each report of 50 ms
			time.Sleep(50 * time.Millisecond)
			at += 500_000
			x.edge(false, 10, at)
		}
		assert.Equal(t, "chatters, 100 times a second: probably light of a lamp on the mains; shade the receiver from the "+
			"lamp, or switch the lamp off", x.input(testBeam).Chatter)
		time.Sleep(5 * time.Second)
		synctest.Wait()
		assert.Empty(t, (<-snapshots).Inputs[testBeam].Chatter)
	})
}

// What it comes from depends on what it is: a microphone sees no light, and a contact has no threshold.
func TestCauseBySensor(t *testing.T) {
	for _, c := range []struct {
		role     wiring.Role
		is, said meter.Cause
	}{
		{wiring.Beam, meter.MainsLight, meter.MainsLight}, {wiring.Gate, meter.LooseConnector, meter.LooseConnector},
		{wiring.Microphone, meter.MainsLight, meter.MainsHum}, {wiring.Microphone, meter.LooseConnector, meter.Threshold},
		{wiring.Microphone, meter.MainsHum, meter.MainsHum}, {wiring.Button, meter.Threshold, meter.LooseConnector},
		{wiring.Sync, meter.MainsLight, meter.LooseConnector}, {wiring.Kill, meter.MainsHum, meter.MainsHum},
	} {
		assert.Equal(t, c.said, causeFor(c.role, c.is), "%s: %s", c.role, c.is)
	}
}

// However many edges come, phones get ten snapshots a second at most, and with levels alone four.
func TestSensorsAreShownAtABoundedRate(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		snapshots, leave := x.Join(me)
		count := func(each func(i int)) (n int) {
			for i := range 200 {
				each(i)
				time.Sleep(50 * time.Millisecond)
				synctest.Wait()
				select {
				case <-snapshots:
					n++
				default:
				}
			}
			return n
		}
		assert.LessOrEqual(t, count(func(i int) { x.edge(i%2 == 0, 9, x.ticks()) }), 101)
		time.Sleep(5 * time.Second)
		levels := count(func(i int) { x.say(uint16(i)) })
		assert.LessOrEqual(t, levels, 42)
		assert.Greater(t, levels, 20)
		leave(time.Now())
	})
}

// say is how loud the microphone is.
func (x *harness) say(level uint16) {
	x.dev.emit(board.Event{Level: &wire.Level{Input: testMicrophone, Value: level}})
	synctest.Wait()
}

func TestThreshold(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		set := Command{Type: "threshold", Input: "microphone", Level: 60}
		assert.Nil(t, x.input(testMicrophone).Level)
		r := x.refused(me, set)
		assert.Contains(t, r.Why, "it only has on and off")
		assert.Contains(t, r.Remedy, "comparator")

		x.say(40)
		x.say(210)
		x.say(30)
		assert.Equal(t, &LevelView{Now: 30, Peak: 210}, x.input(testMicrophone).Level)
		time.Sleep(peakHeld + time.Second)
		x.say(20)
		assert.Equal(t, &LevelView{Now: 20, Peak: 20}, x.input(testMicrophone).Level, "a peak is forgotten after a while")
		x.must(me, set)
		assert.Equal(t, [][2]int{{testMicrophone, 60}}, x.dev.thresholds)
		assert.Equal(t, 60, x.input(testMicrophone).Level.Threshold)

		for _, level := range []int{0, -1, 512} {
			x.refused(me, Command{Type: "threshold", Input: "microphone", Level: level})
		}
		for _, input := range []string{"", "x", "beam"} {
			x.refused(me, Command{Type: "threshold", Input: input, Level: 60})
		}
		x.refused(other, set)
		x.arm(1)
		assert.Contains(t, x.refused(me, set).Why, "while armed")
		x.must(me, Command{Type: "disarm"})

		x.dev.vanish(board.ErrGone) // a board that starts again has its own threshold
		time.Sleep(10 * time.Second)
		synctest.Wait()
		require.True(t, x.Snapshot().Board.Connected)
		assert.Equal(t, [2]int{testMicrophone, 60}, x.dev.thresholds[len(x.dev.thresholds)-1])
		assert.Len(t, x.dev.thresholds, 2)
	})
}
