package control

import (
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/board"
	"stillwater/internal/phys"
	"stillwater/internal/rig"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

// A dry run has the sensors and the table, and no output: what would have fired is said, and nothing is on record.
func TestDryRun(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.must(me, Command{Type: "set", Field: "kind", Value: "throw"})
		x.must(me, Command{Type: "arm", Shots: 2, Dry: true})
		s := x.Snapshot()
		assert.Equal(t, Armed, s.State)
		assert.True(t, s.DryRun)
		assert.Equal(t, "dry run, nothing will fire: waiting for the throw at the gate", s.Reason)
		assert.Empty(t, x.dev.program.Cues)
		assert.Empty(t, x.dev.program.Opening)
		assert.NotEmpty(t, x.dev.program.Table)

		x.dev.begin()
		synctest.Wait()
		assert.Equal(t, "dry run, nothing fires: the shot is under way", x.Snapshot().Reason)
		x.dev.end()
		synctest.Wait()
		s = x.Snapshot()
		require.Len(t, s.DryShots, 1)
		made := s.DryShots[0]
		assert.Equal(t, 1, made.Number)
		assert.InDelta(t, 25, *made.IntervalMs, 1e-9)
		assert.InDelta(t, 130, made.DelayMs, 1e-9)
		assert.Contains(t, made.Words, "It would have fired 130.0 ms after the edge: ")
		assert.Equal(t, made.Words, s.Notice)
		whole := x.plan.program.Cues
		require.Len(t, made.Cues, len(whole))
		for _, cue := range whole {
			assert.Contains(t, made.Cues, DryCue{cue.Name, ms(130*time.Millisecond + cue.Offset),
				ms(130*time.Millisecond + cue.Offset + cue.Width)})
		}
		x.fire()
		s = x.Snapshot()
		assert.Equal(t, []int{2, 1}, []int{s.DryShots[0].Number, s.DryShots[1].Number})
		assert.Equal(t, Safe, s.State)
		assert.False(t, s.DryRun)
		assert.Empty(t, s.Shots)
		assert.Zero(t, s.ShotCount)

		x.arm(1) // and the next is a real one again
		assert.Equal(t, whole, x.dev.program.Cues)
		x.fire()
		assert.Len(t, x.journal.kept(), 1, "the only shot on record")
		assert.Equal(t, 1, x.journal.kept()[0].Number)
	})
}

// A dry run that ends in the middle of a shot leaves nothing on record either.
func TestADryRunThatIsCutShort(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		for _, end := range []func(){
			func() { x.must(me, Command{Type: "disarm"}) },
			func() { x.dev.vanish(board.ErrGone) },
		} {
			x.must(me, Command{Type: "arm", Shots: 2, Dry: true})
			x.dev.begin()
			synctest.Wait()
			end()
			time.Sleep(10 * time.Second)
			x.made--
		}
		assert.Empty(t, x.journal.kept())
		assert.Empty(t, x.Snapshot().DryShots)
	})
}

// With the shutter opened by Go, a dry run leaves it closed and waits for the sensor at once. Without a sensor's edge,
// Go still starts it.
func TestGoInADryRun(t *testing.T) {
	r := &run{program: shot.Program{Clock: &shot.Source{}, Cues: make([]shot.Cue, 1), Opening: make([]shot.Cue, 2)}}
	assert.True(t, r.needsGo())
	(&Control{}).beginDryRun(r)
	assert.False(t, r.needsGo())
	assert.Len(t, r.withCues.Opening, 2)
	r = &run{program: shot.Program{Cues: make([]shot.Cue, 1)}}
	(&Control{}).beginDryRun(r)
	assert.True(t, r.needsGo())
}

func TestABoardOlderThanDryRuns(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.dev.fail["load"] = &board.RefusedError{Request: wire.TypeCommit, Reason: wire.ReasonBadProgram, Detail: 6}
		r := x.refused(me, Command{Type: "arm", Shots: 1, Dry: true})
		assert.Equal(t, "dry", r.Field)
		assert.Contains(t, r.Remedy, "stillwater flash")
		assert.Equal(t, Safe, x.Snapshot().State)
	})
}

// On the simulated rig the board's own logic runs dry: the outputs never move, and the times are those of a shot.
func TestDryRunOnTheSimulatedRig(t *testing.T) {
	for _, kind := range []string{"drop", "throw", "sound"} {
		inBubble(t, func(t *testing.T) {
			x, _, _ := onTheRig(t, 5)
			x.ready()
			x.must(me, Command{Type: "set", Field: "kind", Value: kind})
			x.must(me, Command{Type: "arm", Shots: 1, Dry: true})
			for range 20 {
				x.must(me, Command{Type: "room"})
				time.Sleep(10 * time.Second)
				if len(x.Snapshot().DryShots) > 0 {
					break
				}
			}
			s := x.Snapshot()
			require.Len(t, s.DryShots, 1, s.Notice)
			assert.Equal(t, Safe, s.State)
			assert.Empty(t, s.Shots)
			delay := s.DryShots[0].DelayMs
			assert.GreaterOrEqual(t, delay, s.Preview.DelayLowMs-0.1)
			assert.LessOrEqual(t, delay, s.Preview.DelayHighMs+0.1)
			flash := s.DryShots[0].Cues[len(s.DryShots[0].Cues)-1]
			assert.Equal(t, "flash", flash.Name)
			assert.InDelta(t, delay-ms(rig.Bench().Flash.Delay), flash.FromMs, 1e-9)
		})
	}
}

// The edges of the throws of a dry run, front and end at both beams, say how ragged they are: the room's are 3 mm.
func TestDryRunMeasuresTheRaggedEdge(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x, _, _ := onTheRig(t, 21)
		x.ready()
		x.throwsFromAfar()
		x.must(me, Command{Type: "set", Field: "throw.speed_high", Value: "8 m/s"})
		assert.Zero(t, x.Snapshot().DryEdge)
		for range 60 { // two throws at a time: one dry run goes on where the last ended
			if x.Snapshot().State == Safe {
				x.must(me, Command{Type: "arm", Shots: 2, Dry: true})
			}
			x.must(me, Command{Type: "room"})
			time.Sleep(10 * time.Second)
			s := x.Snapshot()
			if n := s.DryEdge.Throws; n > 0 && n < shot.MinPassages {
				assert.Empty(t, s.DryEdge.Value)
				assert.Contains(t, s.DryEdge.Words, "of the 5 needed to tell")
			}
			if s.DryEdge.Throws >= 30 {
				break
			}
		}
		s := x.Snapshot()
		require.NotZero(t, s.DryEdge)
		t.Log(s.DryEdge.Words)
		var edge phys.Length
		require.NoError(t, edge.UnmarshalText([]byte(s.DryEdge.Value)))
		assert.Contains(t, s.DryEdge.Words, "left out because of spray ahead")
		// Four standard deviations of that of 25 or so; besides, each end bounces for up to 0.7 ms, 3 mm.
		assert.True(t, edge > 1.5e-3 && edge < 5e-3, "%s", s.DryEdge.Words)
		if s.State != Safe {
			x.must(me, Command{Type: "disarm"})
		}
		x.must(me, Command{Type: "set", Field: "throw.edge", Value: s.DryEdge.Value})
		assert.Equal(t, edge, x.Snapshot().Set.Throw.Edge)
		x.must(me, Command{Type: "arm", Shots: 1, Dry: true})
		assert.NotZero(t, x.Snapshot().DryEdge, "the same throws go on")
		x.must(me, Command{Type: "disarm"})
		x.must(me, Command{Type: "set", Field: "throw.gate", Value: "15 cm"})
		x.must(me, Command{Type: "arm", Shots: 1, Dry: true})
		assert.Zero(t, x.Snapshot().DryEdge, "beams elsewhere are others'")
	})
}

// The rest of a sheet, which passes the beams once the shot has ended, is no news; what comes later is.
func TestWhatFollowsAShotIsNoNews(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.must(me, Command{Type: "arm", Shots: 2, Dry: true})
		x.armedWith(2)
		x.fire()
		said := x.Snapshot().Notice
		reject := func() string {
			x.dev.emit(board.Event{Rejected: &wire.Rejected{Reason: wire.ReasonResting, Count: 1}})
			synctest.Wait()
			time.Sleep(time.Second)
			return x.Snapshot().Notice
		}
		assert.Equal(t, said, reject())
		assert.Contains(t, reject(), "resting after a shot")
	})
}
