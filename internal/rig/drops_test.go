package rig

import (
	"context"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/board"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

// dropsProgram opens the valve twice and fires some time after the second drop's edge.
func dropsProgram(gap, delay time.Duration) shot.Program {
	return shot.Program{
		Clock: &shot.Source{Input: InBeam, Falling: true}, Nth: 2, GateMax: 2 * time.Second,
		Table: []shot.Point{{Delay: delay}},
		Cues:  []shot.Cue{{Output: OutFlash, Name: "flash", Width: 10 * time.Millisecond}},
		Opening: []shot.Cue{{Output: OutValve, Name: "valve", Width: 26 * time.Millisecond},
			{Output: OutValve, Name: "valve", Offset: gap, Width: 26 * time.Millisecond}},
		HoldOff: gap / 2, Late: late, Rest: 4 * time.Second,
	}
}

// Go opens the valve, the drops break the beam one after the other, and the picture shows what the two have done.
func TestDropsFromTheValve(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBed(t, Options{Seed: 2})
		set := shot.DefaultSet()
		set.Kind, set.Light.Shutter = shot.Drops, shot.ByHand
		b.rig.Arrange(set)
		require.Error(t, b.rig.Release(context.Background(), set), "nothing is let go by hand")
		require.NoError(t, b.host.Load(context.Background(), dropsProgram(130*time.Millisecond, 197*time.Millisecond)))
		require.NoError(t, b.host.Arm(context.Background(), 2))
		seen := map[string]bool{}
		for range 2 {
			require.NoError(t, b.host.Go(context.Background()))
			s := b.shot()
			assert.Equal(t, wire.Done, s.Status)
			frame, ok := b.rig.Frame(s.ClockAt)
			require.True(t, ok)
			assert.True(t, frame.Exposed, frame.Seen)
			assert.Regexp(t, "sheet|column|collision|meet", frame.Seen)
			assert.NotContains(t, frame.Seen, "no second drop")
			seen[frame.Seen] = true
			time.Sleep(5 * time.Second)
			synctest.Wait()
		}
		assert.Len(t, seen, 2, "no two drops are alike")
		for _, f := range b.rig.recent {
			assert.Len(t, f.Drops, 2)
		}
		assert.Len(t, b.rig.recent, 2, "each Go is a flight of its own")
	})
}

// A shot that begins while the last one's splash goes on has drops and a picture of its own.
func TestDropsInQuickSuccession(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBed(t, Options{Seed: 2})
		set := shot.DefaultSet()
		set.Kind, set.Light.Shutter, set.Drops.Want, set.Drops.Second.Gap = shot.Drops, shot.ByHand, shot.WantPhase, 0.163
		b.rig.Arrange(set)
		p := dropsProgram(163*time.Millisecond, 293*time.Millisecond)
		p.Rest = 500 * time.Millisecond
		require.NoError(t, b.host.Load(context.Background(), p))
		const shots = 5
		require.NoError(t, b.host.Arm(context.Background(), shots))
		for n := range shots {
			require.NoError(t, b.host.Go(context.Background()))
			s := b.shot()
			require.Equal(t, wire.Done, s.Status)
			frame, ok := b.rig.Frame(s.ClockAt)
			require.True(t, ok)
			assert.NotContains(t, frame.Seen, "not come yet", "shot %d", n)
			require.Len(t, b.rig.recent, n+1)
			assert.Len(t, b.rig.recent[n].Drops, 2)
			if n+1 < shots {
				b.until(func(e board.Event) bool { return e.State != nil && e.State.State == wire.Armed })
			}
		}
	})
}

// Each drop may come from another valve.
func TestDropsFromTwoValves(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBed(t, Options{Seed: 2})
		set := shot.DefaultSet()
		set.Kind, set.Light.Shutter, set.Drops.Second.Valve = shot.Drops, shot.ByHand, 2
		b.rig.Arrange(set)
		p, _, err := shot.Compile(set, Bench())
		require.NoError(t, err)
		require.NoError(t, b.host.Load(context.Background(), p))
		require.NoError(t, b.host.Arm(context.Background(), 1))
		require.NoError(t, b.host.Go(context.Background()))
		s := b.shot()
		assert.Equal(t, wire.Done, s.Status)
		require.Len(t, b.rig.recent, 1)
		assert.Len(t, b.rig.recent[0].Drops, 2)
		var valves []uint8
		for _, c := range s.Cues {
			if c.Output == OutValve || c.Output == OutValve2 {
				valves = append(valves, c.Output)
			}
		}
		assert.Equal(t, []uint8{OutValve, OutValve2}, valves)
		frame, ok := b.rig.Frame(s.ClockAt)
		require.True(t, ok)
		assert.Regexp(t, "sheet|column|collision|meet", frame.Seen)
	})
}

// An opening too short for a drop lets none fall: the beam sees nothing, and the board asks for Go again.
func TestTooShortAnOpening(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBed(t, Options{Seed: 2})
		set := shot.DefaultSet()
		set.Kind = shot.Drops
		b.rig.Arrange(set)
		p := dropsProgram(130*time.Millisecond, 200*time.Millisecond)
		p.Opening[1].Width = 5 * time.Millisecond
		require.NoError(t, b.host.Load(context.Background(), p))
		require.NoError(t, b.host.Arm(context.Background(), 1))
		require.NoError(t, b.host.Go(context.Background()))
		rejected := b.until(func(e board.Event) bool { return e.Rejected != nil }).Rejected
		assert.Equal(t, wire.ReasonNotNth, rejected.Reason)
		b.until(func(e board.Event) bool { return e.State != nil && e.State.Reason == wire.ReasonNotOpened })
		require.Len(t, b.rig.recent, 1)
		assert.Len(t, b.rig.recent[0].Drops, 1)
	})
}
