package control

import (
	"cmp"
	"context"
	"io"
	"log/slog"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/board"
	"stillwater/internal/rig"
	"stillwater/internal/scene"
)

// onTheRig is a harness whose board is the simulated rig and its board client, all in fake time. cut breaks the link.
func onTheRig(t *testing.T, seed uint64) (x *harness, room *rig.Rig, cut func()) {
	t.Helper()
	log := slog.New(slog.DiscardHandler)
	room, err := rig.New(rig.Options{Seed: seed, Spin: -1})
	require.NoError(t, err)
	t.Cleanup(func() { room.Close() })
	var mu sync.Mutex
	var link io.Closer
	x = setUp(t, func(o *Options) {
		o.Kind, o.Room, o.Wire = "simulated", room, RigWiring(rig.Bench())
		o.Dial = func(ctx context.Context) (Device, error) {
			mu.Lock()
			defer mu.Unlock()
			l := room.Link()
			link = l
			client, err := board.Dial(ctx, l, board.Options{Log: log})
			if err != nil {
				return nil, err
			}
			return client, nil
		}
	})
	time.Sleep(time.Second)
	require.True(t, x.Snapshot().Board.Connected, x.Snapshot().Reason)
	return x, room, func() {
		mu.Lock()
		defer mu.Unlock()
		link.Close()
	}
}

func TestOnTheSimulatedRig(t *testing.T) {
	for _, kind := range []string{"drop", "throw", "sound"} {
		t.Run(kind, func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				x, _, _ := onTheRig(t, 5)
				x.ready()
				x.must(me, Command{Type: "set", Field: "kind", Value: kind})
				require.Nil(t, x.Snapshot().Refusal)
				x.arm(2)
				assert.Equal(t, Armed, x.Snapshot().State)
				for range 20 {
					before := x.Snapshot().ShotCount
					if x.Snapshot().NeedsGo { // the shutter is opened before a throw
						x.must(me, Command{Type: "go"})
						time.Sleep(time.Second)
					}
					x.must(me, Command{Type: "room"})
					time.Sleep(10 * time.Second)
					if s := x.Snapshot(); s.ShotCount == before {
						assert.NotEmpty(t, s.Notice, "no shot, and nothing said about it")
					}
					if x.Snapshot().ShotCount == 2 {
						break
					}
				}
				s := x.Snapshot()
				require.Len(t, s.Shots, 2, s.Notice)
				assert.Equal(t, Safe, s.State, "the shots asked for are done")
				for _, made := range s.Shots {
					assert.Equal(t, "done", made.Status)
					assert.True(t, made.Simulated)
					assert.NotEmpty(t, made.Seen)
					assert.NotEmpty(t, made.Cues)
					assert.True(t, slices.IsSortedFunc(made.Cues, func(a, b CueView) int {
						return cmp.Compare(a.PlannedMs, b.PlannedMs)
					}), "cues in the order in which they begin: %+v", made.Cues)
					for _, cue := range made.Cues {
						assert.InDelta(t, 0, cue.LateUs, 1, "fake time is never late")
					}
				}
				assert.False(t, s.Room.Busy)
			})
		})
	}
}

// What a beam does not see makes no shot, and that is said; what follows a drop through the beam makes no second one.
func TestMissedEdgesAndSatellitesOnTheSimulatedRig(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		const seed = 23
		x, _, _ := onTheRig(t, seed)
		twin := scene.New(seed)
		x.ready()
		x.arm(200)
		missed, satellites, after := 0, 0, 0
		for n := 0; n < 150 && (after == 0 || satellites < 10); n++ {
			like, err := twin.Release(x.Snapshot().Set, 0)
			require.NoError(t, err)
			before := x.Snapshot().ShotCount
			x.must(me, Command{Type: "room"})
			assert.NotContains(t, x.Snapshot().Notice, "saw nothing", "what was said of one is over when the next comes")
			time.Sleep(10 * time.Second)
			s := x.Snapshot()
			if len(like.Missed) > 0 {
				missed++
				assert.Equal(t, before, s.ShotCount, "a missed edge makes no shot")
				assert.Contains(t, s.Notice, "beam saw nothing: no shot")
				assert.Equal(t, Armed, s.State)
				continue
			}
			if last := like.Edges[len(like.Edges)-1].At; last-like.Edges[0].At > 15*time.Millisecond {
				satellites++ // the drop alone is past within 8 ms
			}
			assert.Equal(t, before+1, s.ShotCount, "one drop, one shot: %s", s.Notice)
			after = missed
		}
		t.Logf("seed %d: %d missed, %d with a satellite", seed, missed, satellites)
		assert.Positive(t, after, "one that was missed, and one after it")
	})
}

func TestGoOnTheSimulatedRig(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x, _, _ := onTheRig(t, 6)
		x.ready()
		x.must(me, Command{Type: "set", Field: "light.shutter", Value: "go"})
		x.arm(1)
		assert.True(t, x.Snapshot().NeedsGo)
		x.must(me, Command{Type: "go"})
		assert.False(t, x.Snapshot().NeedsGo, x.Snapshot().Reason)
		time.Sleep(200 * time.Millisecond)
		x.must(me, Command{Type: "room"})
		time.Sleep(15 * time.Second)
		require.Len(t, x.Snapshot().Shots, 1, x.Snapshot().Notice)
		assert.Equal(t, "done", x.Snapshot().Shots[0].Status)
	})
}

// Two presses of the rig's button are Go, the next one a disarm, through the board's own reports of edges.
func TestButtonOnTheSimulatedRig(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x, room, _ := onTheRig(t, 9)
		press := func() {
			require.NoError(t, room.Press("button", true))
			time.Sleep(100 * time.Millisecond)
			require.NoError(t, room.Press("button", false))
			time.Sleep(100 * time.Millisecond)
		}
		x.ready()
		x.must(me, Command{Type: "set", Field: "light.shutter", Value: "go"})
		x.arm(1)
		press()
		press()
		assert.False(t, x.Snapshot().NeedsGo, x.Snapshot().Reason)
		x.must(me, Command{Type: "room"})
		time.Sleep(15 * time.Second)
		require.Len(t, x.Snapshot().Shots, 1, x.Snapshot().Notice)
		assert.Equal(t, "done", x.Snapshot().Shots[0].Status)
		x.arm(1)
		press()
		time.Sleep(2 * time.Second)
		assert.Equal(t, Safe, x.Snapshot().State)
		assert.Equal(t, "disarmed by the button", x.Snapshot().Reason)
	})
}

// A finger in a simulated beam is seen as it was, and starts an armed shot like a drop does.
func TestFingerInTheSimulatedRoom(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x, _, _ := onTheRig(t, 10)
		x.ready()
		x.must(me, Command{Type: "touch", Input: "gate"})
		assert.True(t, x.Snapshot().Inputs[0].Active)
		time.Sleep(time.Second)
		gate := x.Snapshot().Inputs[0]
		assert.False(t, gate.Active)
		require.Len(t, gate.Breaks, 1)
		assert.InDelta(t, 300, gate.Breaks[0].LengthMs, 1e-3)

		x.arm(1)
		x.must(me, Command{Type: "touch", Input: "beam"})
		assert.Contains(t, x.refused(me, Command{Type: "touch", Input: "beam"}).Why, "already")
		time.Sleep(15 * time.Second)
		assert.Len(t, x.Snapshot().Shots, 1)
		x.arm(1)
		x.must(me, Command{Type: "touch", Input: "button"})
		assert.Equal(t, Safe, x.Snapshot().State)
		for _, input := range []string{"kill", "microphone", "", "x"} {
			x.refused(me, Command{Type: "touch", Input: input})
		}
	})
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		assert.Contains(t, x.refused(me, Command{Type: "touch", Input: "beam"}).Why, "not the simulated room")
	})
}

func TestKillSwitchAndCutLinkOnTheSimulatedRig(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x, room, cut := onTheRig(t, 7)
		x.ready()
		x.arm(5)
		require.NoError(t, room.Press("kill", true))
		time.Sleep(time.Second)
		s := x.Snapshot()
		assert.Equal(t, Fault, s.State)
		assert.Contains(t, s.Reason, "kill switch")
		for _, in := range s.Inputs {
			assert.Equal(t, in.Role == "kill", in.Active, in.Name)
		}
		x.refused(me, Command{Type: "arm", Shots: 1})
		require.NoError(t, room.Press("kill", false))
		x.must(me, Command{Type: "disarm"})
		time.Sleep(time.Second)
		assert.Equal(t, Safe, x.Snapshot().State)

		x.arm(5)
		cut()
		time.Sleep(20 * time.Millisecond)
		assert.Equal(t, Fault, x.Snapshot().State)
		time.Sleep(10 * time.Second)
		s = x.Snapshot()
		assert.Equal(t, Safe, s.State)
		assert.Equal(t, "the board was disconnected and is back; disarmed", s.Reason)
		x.arm(1)
		synctest.Wait()
		assert.Equal(t, Armed, x.Snapshot().State)
	})
}

// In a shot's middle, disarming makes the flash stay dark and the record say so.
func TestDisarmInFlightOnTheSimulatedRig(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x, _, _ := onTheRig(t, 8)
		x.ready()
		x.arm(5)
		x.must(me, Command{Type: "room"})
		for range 2000 {
			if x.Snapshot().State == Firing {
				break
			}
			time.Sleep(time.Millisecond)
		}
		require.Equal(t, Firing, x.Snapshot().State)
		x.must(me, Command{Type: "disarm"})
		time.Sleep(5 * time.Second)
		s := x.Snapshot()
		assert.Equal(t, Safe, s.State)
		require.Len(t, s.Shots, 1)
		assert.Equal(t, "disarmed", s.Shots[0].Status)
		for _, cue := range s.Shots[0].Cues {
			assert.NotEqual(t, "flash", cue.Name)
		}
	})
}
