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
)

const testSync = 4 // the sync input of the board that has one

// withSync gives the board a sync input, and its camera a lag for each release; 0: its contact does not close.
func withSync(lags func(release int) time.Duration) func(*Options) {
	return func(o *Options) {
		dial := o.Dial
		o.Dial = func(ctx context.Context) (Device, error) {
			d, err := dial(ctx)
			dev, ok := d.(*device)
			if !ok {
				return d, err
			}
			dev.mu.Lock()
			defer dev.mu.Unlock()
			dev.id.Inputs = append(slices.Clip(dev.id.Inputs[:testSync]), board.InputInfo{Kind: wire.InputSync, Name: "sync"})
			dev.levels = 1 << testSync
			released := 0
			dev.onPulse = func(p board.CueReport) {
				lag := lags(released)
				released++
				if lag > 0 {
					at := wire.Tick((p.On + lag) / dev.id.Tick)
					dev.events <- board.Event{Edge: &wire.Edge{Input: testSync, Count: 1, At: at}}
					dev.events <- board.Event{Edge: &wire.Edge{Input: testSync, High: true, Count: 1, At: at + 1000}}
				}
			}
			return d, err
		}
	}
}

func (x *harness) measure(releases int) Lag {
	x.t.Helper()
	x.must(me, Command{Type: "lag", Shots: releases})
	for x.Snapshot().Lag.Running {
		time.Sleep(time.Second)
	}
	return x.Snapshot().Lag
}

func TestMeasureTheLag(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		lags := []time.Duration{80e6, 82e6, 81e6, 130e6, 79e6, 81e6}
		x := setUp(t, withSync(func(i int) time.Duration { return lags[i] }))
		x.ready()
		x.must(me, Command{Type: "set", Field: "light.recycle", Value: "2.5 s"})
		began := time.Now()
		got := x.measure(6)
		assert.Equal(t, 6, got.Released)
		assert.Equal(t, []float64{80, 82, 81, 130, 79, 81}, got.SamplesMs)
		assert.Equal(t, []int{3}, got.Outliers)
		assert.InDelta(t, 80.6, got.MeanMs, 1e-6)
		assert.InDelta(t, 1.140175, got.SDMs, 1e-6) // of 80, 82, 81, 79, 81: the root of 5.2/4
		assert.Equal(t, "6 releases: 80.6 ms on average, standard deviation 1.14 ms, from 79.0 to 130.0 ms. "+
			"1 is far from the others and left out.", got.Words)
		assert.True(t, got.Usable)
		assert.GreaterOrEqual(t, time.Since(began), 5*2500*time.Millisecond, "the flash recycles in between")
		for _, p := range x.dev.pulses {
			assert.Equal(t, uint8(0), p.Output, "the shutter and nothing else")
		}
		x.must(me, Command{Type: "uselag"})
		assert.Equal(t, "80.6 ms", x.Snapshot().Set.Light.Lag.String())
		assert.Equal(t, "1.14 ms", x.Snapshot().Set.Light.LagScatter.String())
		assert.Empty(t, x.journal.kept(), "these are no shots")
	})
}

// Never faster than a camera and its flash may be asked, whatever the set says.
func TestReleasesAreFarApart(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t, withSync(func(int) time.Duration { return 50 * time.Millisecond }))
		x.ready()
		x.must(me, Command{Type: "set", Field: "light.recycle", Value: "0 s"})
		began := time.Now()
		x.measure(10)
		assert.GreaterOrEqual(t, time.Since(began), 9*minReleaseEvery)
	})
}

func TestTheContactThatDoesNotClose(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t, withSync(func(i int) time.Duration { return time.Duration(i%2) * 50 * time.Millisecond }))
		x.ready()
		got := x.measure(4)
		assert.Len(t, got.SamplesMs, 2)
		assert.False(t, got.Usable)
		assert.Contains(t, got.Words, "2 times the sync contact did not close: set the camera to")
		assert.Contains(t, got.Words, "too few to rely on")
		assert.Contains(t, x.refused(me, Command{Type: "uselag"}).Why, "No lag has been measured")
	})
}

// measureWhileBusy asks for five releases, of which the board makes two and then refuses some.
func (x *harness) measureWhileBusy(refusals int) Lag {
	x.t.Helper()
	x.ready()
	x.must(me, Command{Type: "set", Field: "light.recycle", Value: "0 s"})
	x.must(me, Command{Type: "lag", Shots: 5})
	time.Sleep(minReleaseEvery + time.Second/2)
	x.dev.failWith("pulse", &board.RefusedError{Request: wire.TypePulse, Reason: wire.ReasonBusy})
	time.Sleep(time.Duration(refusals) * minReleaseEvery)
	x.dev.failWith("pulse", nil)
	time.Sleep(time.Minute)
	return x.Snapshot().Lag
}

// A board whose last release is not over refuses the next one: it is made later, and counts once.
func TestTheBoardIsBusyWithARelease(t *testing.T) {
	for refusals, want := range map[int]struct {
		released int
		ended    string
	}{
		maxBusy:     {5, ""},
		maxBusy + 1: {2, "Ended: the board refused to test an output: a shot or pulse is under way"},
	} {
		inBubble(t, func(t *testing.T) {
			x := setUp(t, withSync(func(int) time.Duration { return 50 * time.Millisecond }))
			got := x.measureWhileBusy(refusals)
			assert.False(t, got.Running)
			assert.Equal(t, want.released, got.Released)
			assert.Len(t, got.SamplesMs, got.Released)
			assert.Len(t, x.dev.pulses, got.Released)
			assert.Contains(t, got.Words, want.ended)
			assert.NotContains(t, got.Words, "did not close")
		})
	}
}

// A disarm ends it at once, whoever disarms; what was measured until then stays.
func TestADisarmEndsTheMeasurement(t *testing.T) {
	for name, end := range map[string]func(*harness){
		"a disarm":          func(x *harness) { x.must(other, Command{Type: "disarm"}) },
		"the board is gone": func(x *harness) { x.dev.vanish(board.ErrGone) },
		"Stillwater's end":  func(x *harness) { x.stop() },
	} {
		t.Run(name, func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				x := setUp(t, withSync(func(int) time.Duration { return 50 * time.Millisecond }))
				x.ready()
				x.must(me, Command{Type: "lag", Shots: 50})
				for range 4 {
					time.Sleep(minReleaseEvery)
				}
				end(x)
				synctest.Wait()
				got := x.Snapshot().Lag
				assert.False(t, got.Running)
				released := got.Released
				assert.Less(t, released, 10)
				time.Sleep(time.Hour)
				synctest.Wait()
				assert.Equal(t, released, x.Snapshot().Lag.Released)
				assert.Len(t, x.dev.pulses, released)
			})
		})
	}
}

func TestWhileTheLagIsMeasured(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t, withSync(func(int) time.Duration { return 50 * time.Millisecond }))
		leave := x.ready()
		x.must(me, Command{Type: "lag", Shots: 20})
		time.Sleep(time.Second)
		for _, cmd := range []Command{{Type: "arm", Shots: 1}, {Type: "lag", Shots: 5}, {Type: "pulse", Output: "flash"}} {
			assert.Contains(t, x.refused(me, cmd).Why, "is being measured", cmd.Type)
		}
		leave(time.Now())
		time.Sleep(11 * time.Second)
		synctest.Wait()
		assert.False(t, x.Snapshot().Lag.Running, "nobody holds the controls")
	})
}

func TestTheLagIsNotMeasured(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		r := x.refused(me, Command{Type: "lag", Shots: 10})
		assert.Contains(t, r.Why, "No input is the camera's sync contact")
		assert.Contains(t, r.Remedy, `role = "sync"`)
	})
	inBubble(t, func(t *testing.T) {
		x := setUp(t, withSync(func(int) time.Duration { return 0 }), func(o *Options) {
			bench := testBench()
			bench.Shutter = nil
			o.Wire = RigWiring(bench)
		})
		x.ready()
		assert.Contains(t, x.refused(me, Command{Type: "lag", Shots: 10}).Remedy, `kind = "shutter"`)
	})
	inBubble(t, func(t *testing.T) {
		x := setUp(t, withSync(func(int) time.Duration { return 0 }))
		lag := Command{Type: "lag", Shots: 10}
		x.Join(me)
		x.must(me, Command{Type: "take"})
		assert.Contains(t, x.refused(me, lag).Why, "checklist")
		x.ready()
		for _, n := range []int{0, 2, 51} {
			assert.Equal(t, "shots", x.refused(me, Command{Type: "lag", Shots: n}).Field)
		}
		x.Join(other)
		assert.Contains(t, x.refused(other, lag).Why, "with "+me)
		x.arm(1)
		x.refused(me, lag)
		x.must(me, Command{Type: "disarm"})
		x.dev.emit(board.Event{State: &wire.State{Inputs: 0}})
		synctest.Wait()
		assert.Contains(t, x.refused(me, lag).Why, "closed already")
	})
}

// On the simulated rig the measured lag is that of the room's camera, which is not what the set says.
func TestMeasureTheLagOnTheSimulatedRig(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x, room, _ := onTheRig(t, 11)
		x.ready()
		got := x.measure(20)
		require.Len(t, got.SamplesMs, 20, got.Words)
		set := x.Snapshot().Set.Light
		t.Logf("%s; the camera's own lag is %v, its scatter %v", got.Words, room.Lag(), set.LagScatter)
		five := 5 * float64(set.LagScatter) * 1e3 / 4.47 // standard errors of the mean of 20
		assert.InDelta(t, ms(room.Lag()), got.MeanMs, five)
		assert.InEpsilon(t, float64(set.LagScatter)*1e3, got.SDMs, 0.8)
	})
}

// A measurement is over when a disarm begins: what is asked after it is not refused for it.
func TestADisarmEndsAMeasurementAtOnce(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t, withSync(func(int) time.Duration { return 80 * time.Millisecond }))
		x.ready()
		x.must(me, Command{Type: "lag", Shots: 5})
		x.mu.Lock()
		d := x.beginDisarm("disarmed by a test")
		assert.False(t, x.measuringLag())
		x.mu.Unlock()
		<-d.done
		require.NoError(t, x.Do(t.Context(), me, Command{Type: "arm", Shots: 1}))
		synctest.Wait()
		assert.Len(t, x.dev.pulses, 1)
		assert.Contains(t, x.Snapshot().Lag.Words, "Ended by a disarm.")
	})
}

// Whoever has the camera released is there to end it.
func TestAMeasurementHasAHolder(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t, withSync(func(int) time.Duration { return 80 * time.Millisecond }))
		x.ready()
		x.must(me, Command{Type: "page", Hidden: true})
		time.Sleep(time.Minute)
		x.must(me, Command{Type: "lag", Shots: 50})
		assert.Equal(t, errMeasuring, x.refused(me, Command{Type: "release"}))
		time.Sleep(11 * time.Second)
		synctest.Wait()
		assert.False(t, x.Snapshot().Lag.Running, "begun by a page that nobody sees, it lasts no longer than an arming")
		assert.Less(t, len(x.dev.pulses), 10)
	})
}
