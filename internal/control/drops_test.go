package control

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/shot"
)

// An evening of drops on command in the simulated room: primed, armed, one Go by hand and the others by themselves.
// Each gives a shot, or what kept it from being one is said; the record has when the valve opened, and the camera saw
// what the two drops did.
func TestDropsOnTheSimulatedRig(t *testing.T) {
	for _, from := range []shot.ClockFrom{shot.FromBeam, shot.FromValve} {
		inBubble(t, func(t *testing.T) {
			x, _, _ := onTheRig(t, 5)
			x.ready()
			x.must(me, Command{Type: "prime", Output: "valve"})
			time.Sleep(10 * time.Second)
			for field, value := range map[string]string{"kind": "drops", "drops.column": "rising", "drops.from": string(from),
				"light.shutter": "hand"} {
				x.must(me, Command{Type: "set", Field: field, Value: value})
			}
			require.Nil(t, x.Snapshot().Refusal)
			const times = 8
			x.must(me, Command{Type: "arm", Shots: times, RepeatS: 12})
			x.must(me, Command{Type: "go"})
			said := 0
			for range times {
				before := x.Snapshot().ShotCount
				time.Sleep(11 * time.Second)
				if s := x.Snapshot(); s.ShotCount == before {
					assert.NotEmpty(t, s.Notice, "no shot, and nothing said about it")
					said++
				}
				time.Sleep(time.Second)
			}
			s := x.Snapshot()
			assert.Equal(t, Safe, s.State, "%s: its Gos are over", from)
			assert.Equal(t, times, s.ShotCount+said)
			require.Greater(t, s.ShotCount, times/2)
			collisions := 0
			for _, made := range s.Shots {
				assert.Equal(t, "done", made.Status)
				valves := 0
				for _, cue := range made.Cues {
					if strings.HasPrefix(cue.Name, "valve") {
						valves++
						assert.InDelta(t, 0, cue.LateUs, 1)
					}
				}
				assert.Equal(t, 2, valves, "%+v", made.Cues)
				if strings.Contains(made.Seen, "sheet") || strings.Contains(made.Seen, "the column, and the second drop") {
					collisions++
				}
			}
			t.Log(from, s.ShotCount, "shots,", collisions, "collisions,", s.Shots[0].Seen)
			assert.Positive(t, collisions, "%s: %+v", from, s.Shots)
		})
	}
}

// A valve that is switched off before its opening is over, or while it is primed, is said with its times.
func TestValveCutShort(t *testing.T) {
	for _, from := range []shot.ClockFrom{shot.FromBeam, shot.FromValve} {
		inBubble(t, func(t *testing.T) {
			x, _, _ := onTheRig(t, 5)
			x.ready()
			for field, value := range map[string]string{"kind": "drops", "drops.from": string(from), "light.shutter": "hand",
				"drops.weighed": "20 drops 1.1 g at 60 ms; 20 drops 1.4 g at 80 ms", "drops.first.open": "70 ms",
				"drops.second.open": "70 ms", "drops.column": "sinking"} {
				x.must(me, Command{Type: "set", Field: field, Value: value})
			}
			require.Nil(t, x.Snapshot().Refusal)
			x.must(me, Command{Type: "arm", Shots: 1})
			x.must(me, Command{Type: "go"})
			time.Sleep(30 * time.Millisecond)
			x.must(me, Command{Type: "disarm"})
			time.Sleep(time.Second)
			s := x.Snapshot()
			assert.Equal(t, Safe, s.State)
			assert.Regexp(t, `^valve 1 was switched off after [1-4]\d of 70 ms$`, s.Notice, "%s", from)
		})
	}
	inBubble(t, func(t *testing.T) {
		x, _, _ := onTheRig(t, 5)
		x.ready()
		x.must(me, Command{Type: "prime", Output: "valve"})
		time.Sleep(50 * time.Millisecond)
		x.must(me, Command{Type: "disarm"})
		time.Sleep(time.Second)
		for _, out := range x.Snapshot().Board.Outputs {
			if out.Name == "valve" {
				assert.Regexp(t, `^it was switched off after \d+ of \d+ ms; prime it again$`, out.Tested)
			}
		}
	})
}

// dropsFromTheBeam has drops on command ready to be armed.
func (x *harness) dropsFromTheBeam() {
	x.ready()
	for field, value := range map[string]string{"kind": "drops", "drops.from": "beam", "light.shutter": "hand"} {
		x.must(me, Command{Type: "set", Field: field, Value: value})
	}
	require.Nil(x.t, x.Snapshot().Refusal)
}

// What is refused of drops on command, armed or not, names what was refused and says what to do in that state.
func TestRefusalsOfDropsNameTheirField(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x, _, _ := onTheRig(t, 5)
		x.dropsFromTheBeam()
		refused := func(cmd Command, field, remedy string) {
			t.Helper()
			r := x.refused(me, cmd)
			assert.Equal(t, field, r.Field, "%+v: %+v", cmd, r)
			assert.Contains(t, r.Remedy, remedy, "%+v: %+v", cmd, r)
		}
		refused(Command{Type: "go"}, "go", "Arm first.")
		refused(Command{Type: "room"}, "room", "Arm, then press Go.")
		x.must(me, Command{Type: "arm", Shots: 2})
		refused(Command{Type: "room"}, "room", "Press Go.")
		refused(Command{Type: "arm", Shots: 1}, "arm", "Disarm first.")
		refused(Command{Type: "set", Field: "drops.meet", Value: "8 mm"}, "drops.meet", "Disarm first.")
		refused(Command{Type: "prime", Output: "valve"}, "output", "Disarm first.")
		x.must(me, Command{Type: "go"})
		refused(Command{Type: "room"}, "room", "Wait until Go is asked for")
		refused(Command{Type: "go"}, "go", "Wait for the previous shot to end")
		x.must(me, Command{Type: "disarm"})
	})
}

// Who disarms when the valve has let the drops go, and before the beam has seen the last, gets no shot; it is said,
// with what fell.
func TestDisarmBeforeTheEdge(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x, _, _ := onTheRig(t, 5)
		x.dropsFromTheBeam()
		x.must(me, Command{Type: "arm", Shots: 1})
		x.must(me, Command{Type: "go"})
		time.Sleep(120 * time.Millisecond) // both openings are over, the second drop is at the beam after 200 ms
		x.must(me, Command{Type: "disarm"})
		time.Sleep(5 * time.Second)
		s := x.Snapshot()
		assert.Equal(t, []any{Safe, 0}, []any{s.State, s.ShotCount})
		assert.Equal(t, "no shot: disarmed after Go, before drop 2 reached the beam. Drops already released still fell",
			s.Notice)
		x.must(me, Command{Type: "arm", Shots: 1})
		assert.Empty(t, x.Snapshot().Notice)
		x.must(me, Command{Type: "disarm"})
		assert.Empty(t, x.Snapshot().Notice, "nothing was let go")
	})
}

// The button lets the drops fall, end to end: two presses through the board's own edges are Go, the valve opens, the
// camera sees what fell, and the record has it; a press afterwards disarms.
func TestButtonLetsDropsFall(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x, room, _ := onTheRig(t, 9)
		x.dropsFromTheBeam()
		press := func() {
			require.NoError(t, room.Press("button", true))
			time.Sleep(100 * time.Millisecond)
			require.NoError(t, room.Press("button", false))
			time.Sleep(100 * time.Millisecond)
		}
		const tries = 4
		x.must(me, Command{Type: "arm", Shots: tries})
		for range tries {
			require.True(t, x.Snapshot().NeedsGo, x.Snapshot().Reason)
			press()
			press()
			time.Sleep(15 * time.Second)
			if x.Snapshot().ShotCount > 1 {
				break
			}
		}
		s := x.Snapshot()
		require.Greater(t, s.ShotCount, 1, s.Notice)
		for _, made := range s.Shots {
			assert.Equal(t, "done", made.Status)
			assert.NotContains(t, made.Seen, "no second drop fell")
			valves := 0
			for _, cue := range made.Cues {
				if strings.HasPrefix(cue.Name, "valve") {
					valves++
				}
			}
			assert.Equal(t, 2, valves, "planned and actual openings are on record")
		}
		require.Equal(t, Armed, s.State, s.Reason)
		press()
		time.Sleep(2 * time.Second)
		assert.Equal(t, Safe, x.Snapshot().State)
		assert.Equal(t, "disarmed by the button", x.Snapshot().Reason)
	})
}
