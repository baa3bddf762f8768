package control

import (
	"context"
	"math"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/board"
	"stillwater/internal/scene"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

// presetRoom is a room with others beside it.
type presetRoom struct {
	*room
	in scene.Preset
}

func (r *presetRoom) Preset() scene.Preset       { return r.in }
func (r *presetRoom) Enter(p scene.Preset) error { r.in = p; return r.err }

func inRoom(r Simulation) func(*Options) { return func(o *Options) { o.Room, o.Kind = r, "simulated" } }

// In the simulated room something is let go at a pace, while the board waits for it and no longer: not during a shot,
// not once it is disarmed, and not while nobody can see the page.
func TestPace(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r := &room{}
		x := setUp(t, inRoom(r))
		x.ready()
		x.must(me, Command{Type: "arm", Shots: 3, PaceS: 5})
		x.armedWith(3)
		assert.Equal(t, time.Now().Add(5*time.Second).UnixMilli(), x.Snapshot().Room.NextAt)
		assert.Contains(t, x.Snapshot().Reason, ", one every 5 s")
		after := func(d time.Duration) int { time.Sleep(d); synctest.Wait(); return len(r.letGo()) }
		assert.Zero(t, after(4900*time.Millisecond))
		assert.Equal(t, 1, after(200*time.Millisecond))
		assert.Equal(t, 2, after(5*time.Second), "one that nothing saw is followed by another")
		x.must(me, Command{Type: "page", Hidden: true})
		assert.Equal(t, 2, after(5*time.Second), "nobody looks")
		x.must(me, Command{Type: "page"})
		assert.Equal(t, 3, after(5*time.Second))
		x.must(me, Command{Type: "disarm"})
		assert.Equal(t, 3, after(time.Minute))
		assert.Zero(t, x.Snapshot().Room.NextAt)
	})
}

// lateAnswer is a board that says that it is armed before it answers that.
type lateAnswer struct {
	Device
	wait func()
}

func (d lateAnswer) Arm(ctx context.Context, shots int) error {
	err := d.Device.Arm(ctx, shots)
	d.wait()
	return err
}

// A pace begins also when the board says that it is armed before it answers.
func TestPaceOfALateAnswer(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t, inRoom(&room{}), func(o *Options) {
			dial := o.Dial
			o.Dial = func(ctx context.Context) (Device, error) {
				d, err := dial(ctx)
				return lateAnswer{d, func() { time.Sleep(10 * time.Millisecond) }}, err
			}
		})
		x.ready()
		x.must(me, Command{Type: "arm", Shots: 3, PaceS: 5})
		assert.Equal(t, time.Now().Add(5*time.Second).UnixMilli(), x.Snapshot().Room.NextAt)
	})
}

// Where the shutter opens at Go, a pace gives Go and lets the next one go once the shutter is open.
func TestPaceGivesGo(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r := &room{}
		x := setUp(t, inRoom(r))
		x.ready()
		x.must(me, Command{Type: "set", Field: "kind", Value: "throw"})
		require.Equal(t, shot.ByGo, x.Snapshot().Set.ShutterBy())
		x.refusedFor(me, Command{Type: "arm", Shots: 2, PaceS: 6, RepeatS: 5}, "repeat_s", "Go is already given each time")
		x.refusedFor(me, Command{Type: "arm", Shots: 2, PaceS: 5}, "pace_s", "the shutter is open for 5 s each time")
		assert.Equal(t, []int{6, 10, 20, 40}, x.Snapshot().Room.Paces)
		assert.Contains(t, x.Snapshot().Room.PaceSays, "6 s at least: the shutter is open for 5 s")
		x.must(me, Command{Type: "arm", Shots: 2, PaceS: 6})
		x.armedWith(2)
		x.waitForGo(2)
		assert.NotContains(t, x.Snapshot().Reason, "open the shutter first", "nobody has to")
		counts := func(d time.Duration) []int {
			time.Sleep(d)
			synctest.Wait()
			x.dev.mu.Lock()
			defer x.dev.mu.Unlock()
			return []int{x.dev.gos, len(r.letGo())}
		}
		assert.Equal(t, []int{0, 0}, counts(5999*time.Millisecond))
		assert.Equal(t, []int{1, 0}, counts(2*time.Millisecond))
		assert.Equal(t, []int{1, 0}, counts(60*time.Millisecond), "the camera takes that long")
		assert.Equal(t, []int{1, 1}, counts(200*time.Millisecond))
		x.waitForGo(2)
		assert.Equal(t, []int{2, 1}, counts(6*time.Second-250*time.Millisecond))
		x.must(me, Command{Type: "page", Hidden: true})
		assert.Equal(t, []int{2, 1}, counts(time.Second), "nobody looks any more")
		x.must(me, Command{Type: "disarm"})
		assert.Equal(t, []int{2, 1}, counts(time.Minute))
	})
}

// Between the shots of a pace there is time for a picture: not while something flies, nor just before the next is let
// go; and not while it is armed without a pace.
func TestPausesOfAPace(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r := &room{}
		x := setUp(t, inRoom(r))
		x.ready()
		assert.False(t, x.BetweenReleases())
		x.must(me, Command{Type: "arm", Shots: 2, PaceS: 5})
		x.armedWith(2)
		assert.True(t, x.BetweenReleases())
		r.busy.Store(true)
		assert.False(t, x.BetweenReleases(), "something flies")
		r.busy.Store(false)
		time.Sleep(5*time.Second - beforeNext)
		assert.False(t, x.BetweenReleases(), "the next is due")
		x.must(me, Command{Type: "disarm"})
		assert.False(t, x.BetweenReleases())
		x.arm(1)
		x.armedWith(1)
		assert.False(t, x.BetweenReleases(), "without a pace")
	})
}

// What is not over when the next is due does not cost a whole pace: the next comes as soon as there was time for its
// picture.
func TestPaceCountsFromTheLast(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r := &room{}
		x := setUp(t, inRoom(r))
		x.ready()
		x.must(me, Command{Type: "arm", Shots: 3, PaceS: 4})
		x.armedWith(3)
		time.Sleep(4 * time.Second)
		synctest.Wait()
		require.Len(t, r.letGo(), 1)
		x.dev.begin()
		time.Sleep(4500 * time.Millisecond)
		synctest.Wait()
		require.Len(t, r.letGo(), 1, "the shot is not over")
		x.armedWith(2)
		time.Sleep(pacePause - time.Millisecond)
		synctest.Wait()
		require.Len(t, r.letGo(), 1)
		time.Sleep(time.Millisecond)
		synctest.Wait()
		assert.Len(t, r.letGo(), 2)
	})
}

// The least pace is what shutter and flash need, and those to choose from are possible.
func TestLeastPace(t *testing.T) {
	for _, c := range []struct {
		name    string
		program shot.Program
		dry     bool
		least   time.Duration
		choices []int
	}{
		{"a quick flash", shot.Program{Rest: 334 * time.Millisecond}, false, 2 * time.Second, []int{4, 6, 10, 20}},
		{"the usual flash", shot.Program{Rest: 2 * time.Second}, false, 3 * time.Second, []int{4, 6, 10, 20}},
		{"a slow flash", shot.Program{Rest: 6500 * time.Millisecond}, false, 8 * time.Second, []int{8, 10, 20, 40}},
		{"an open shutter", shot.Program{Rest: time.Second, Opening: []shot.Cue{{Width: 5 * time.Second}}}, false,
			6 * time.Second, []int{6, 10, 20, 40}},
		{"which a dry run has not", shot.Program{Rest: time.Second, Opening: []shot.Cue{{Width: 5 * time.Second}}}, true,
			2 * time.Second, []int{6, 10, 20, 40}},
	} {
		assert.Equal(t, c.least, minPaceFor(c.program, c.dry), c.name)
		assert.Equal(t, c.choices, paceChoices(c.program), c.name)
	}
	assert.Contains(t, whyNoSooner(shot.Program{Rest: 6500 * time.Millisecond}, false), "the flash takes 6.5 s")
}

// A pace ends with the shots that were asked for.
func TestPaceEndsWithTheShots(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r := &room{}
		x := setUp(t, inRoom(r))
		x.ready()
		x.must(me, Command{Type: "arm", Shots: 2, PaceS: 5})
		x.armedWith(2)
		for x.Snapshot().State != Safe {
			before := len(r.letGo())
			time.Sleep(5 * time.Second)
			synctest.Wait()
			require.Equal(t, before+1, len(r.letGo()))
			x.fire()
		}
		time.Sleep(time.Hour)
		assert.Len(t, r.letGo(), 2)
	})
}

// What is said of shots that are done goes with the kind of set that they were of, and with their session; another
// field of the set takes nothing back.
func TestShotsThatAreDoneAreOfTheirKind(t *testing.T) {
	for name, c := range map[string]struct {
		change Command
		want   string
	}{
		"another kind":    {Command{Type: "set", Field: "kind", Value: "throw"}, "nothing is armed"},
		"another session": {Command{Type: "session", Name: "second"}, "nothing is armed"},
		"another height":  {Command{Type: "set", Field: "drop.height", Value: "45 cm"}, "the shots asked for are done"},
	} {
		t.Run(name, func(t *testing.T) {
			inBubble(t, func(t *testing.T) {
				x := setUp(t)
				x.ready()
				x.arm(1)
				x.fire()
				require.Equal(t, "the shots asked for are done", x.Snapshot().Reason)
				x.must(me, c.change)
				synctest.Wait()
				assert.Equal(t, c.want, x.Snapshot().Reason)
			})
		})
	}
}

// armedWith has the board say that it is armed.
func (x *harness) armedWith(left int) {
	x.dev.emit(board.Event{State: &wire.State{
		State: wire.Armed, Left: uint16(left), Inputs: x.dev.levels, Now: x.ticks(),
	}})
	synctest.Wait()
}

func TestPaceRefused(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.refusedFor(me, Command{Type: "arm", Shots: 1, PaceS: 5}, "pace_s", "Only in the simulated room")
	})
	inBubble(t, func(t *testing.T) {
		x := setUp(t, inRoom(&room{}))
		x.ready()
		for _, s := range []int{-1, 1, 121} {
			x.refusedFor(me, Command{Type: "arm", Shots: 1, PaceS: s}, "pace_s", "Nothing can be let go every")
		}
	})
}

// refusedFor demands that a command is refused for a field.
func (x *harness) refusedFor(client string, cmd Command, field, why string) {
	x.t.Helper()
	cmd.Epoch = x.Snapshot().Epoch
	var r *Refusal
	require.ErrorAs(x.t, x.Control.Do(x.t.Context(), client, cmd), &r)
	assert.Equal(x.t, field, r.Field)
	assert.Contains(x.t, r.Why, why)
	assert.NotEmpty(x.t, r.Remedy)
}

// Another room is entered while nothing is armed, and named in the snapshot.
func TestRooms(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		r := &presetRoom{room: &room{}}
		x := setUp(t, inRoom(r))
		x.ready()
		x.must(me, Command{Type: "enter", Name: "squall"})
		s := x.Snapshot().Room
		assert.Equal(t, "squall", s.In)
		values := []string{}
		for _, c := range s.Rooms {
			values = append(values, c.Value)
			assert.NotEmpty(t, c.Hint)
		}
		assert.Equal(t, []string{"still", "kitchen", "squall"}, values)
		x.refusedFor(me, Command{Type: "enter", Name: "attic"}, "name", "There is no room")
		x.arm(1)
		x.refusedFor(me, Command{Type: "enter", Name: "still"}, "name", "cannot change while armed")
	})
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.refusedFor(me, Command{Type: "enter", Name: "still"}, "", "This is not the simulated room")
		assert.Nil(t, x.Snapshot().Room)
	})
}

// A sweep has each shot that is done take the next trim, armed or not, and ends with its last.
func TestSweepOfTrims(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.must(me, Command{Type: "sweep", FromMs: -2, ToMs: 2, StepMs: 2, Each: 2})
		var made []float64
		for range 2 {
			x.arm(3)
			for range 3 {
				made = append(made, x.Snapshot().Sweep.AtMs)
				assert.Equal(t, made[len(made)-1], ms(x.Snapshot().Set.OwnTrim().Duration()))
				x.fire()
				synctest.Wait()
				time.Sleep(5 * time.Second)
				synctest.Wait()
			}
		}
		assert.Equal(t, []float64{-2, -2, 0, 0, 2, 2}, made)
		assert.Nil(t, x.Snapshot().Sweep)
		assert.Contains(t, x.Snapshot().Notice, "the sweep is done: 6 tries")
		trims := []float64{}
		for _, s := range slices.Backward(x.Snapshot().Shots) {
			trims = append(trims, s.TrimMs)
		}
		assert.Equal(t, made, trims, "the shots were made with them")
	})
}

// A sweep ends when a person takes another trim or another set, or asks for its end; what cannot be is refused.
func TestSweepEnds(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		begin := func() {
			x.must(me, Command{Type: "sweep", FromMs: 0, ToMs: 4, StepMs: 2, Each: 1, Shuffled: true})
			require.NotNil(t, x.Snapshot().Sweep)
			assert.Contains(t, x.Snapshot().Sweep.Words, "Sweep, shuffled: try 1 of 3.")
		}
		for _, end := range []Command{{Type: "sweep"}, {Type: "set", Field: "trim.drop", Value: "9 ms"},
			{Type: "set", Field: "drop.height", Value: "41 cm"}, {Type: "session"}} {
			begin()
			x.must(me, end)
			assert.Nil(t, x.Snapshot().Sweep, "%v", end)
		}
		x.refusedFor(me, Command{Type: "sweep", FromMs: 0, ToMs: 4, StepMs: 0, Each: 1}, "sweep", "does not advance")
		x.refusedFor(me, Command{Type: "sweep", FromMs: 0, ToMs: 4000, StepMs: 1, Each: 1}, "to_ms", "-2000 to 2000 ms")
		x.refusedFor(me, Command{Type: "sweep", FromMs: math.NaN(), StepMs: 1, Each: 1}, "from_ms", "-2000 to 2000 ms")
		x.refusedFor(other, Command{Type: "sweep", FromMs: 0, ToMs: 4, StepMs: 2, Each: 1}, "controls", "")
	})
}

// What is measured in a picture is kept, shown and learned from; where nothing moves it is refused.
func TestMeasure(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.ready()
		x.must(me, Command{Type: "set", Field: "drop.phase", Value: "contact"})
		x.arm(1)
		x.fire()
		synctest.Wait()
		id := x.Snapshot().Shots[0].ID
		require.True(t, x.Snapshot().Shots[0].Measurable)
		before := x.Snapshot().Tuning.TrimMs
		x.must(me, Command{Type: "measure", Shot: id, PastMm: 12.5, PastSDMm: 2})
		synctest.Wait()
		s := x.Snapshot()
		assert.Equal(t, []float64{12.5, 2}, []float64{*s.Shots[0].PastMm, *s.Shots[0].PastSDMm})
		assert.EqualValues(t, 12500, x.journal.kept()[0].PastUm)
		assert.Less(t, s.Tuning.TrimMs, before-3, "12.5 mm at 2.7 m/s are 4.6 ms")
		x.must(me, Command{Type: "measure", Shot: id})
		synctest.Wait()
		assert.Nil(t, x.Snapshot().Shots[0].PastMm)
		for _, c := range []Command{{PastMm: 2000, PastSDMm: 1}, {PastMm: math.NaN(), PastSDMm: 1}} {
			c.Type, c.Shot = "measure", id
			x.refusedFor(me, c, "past_mm", "farther than any picture shows")
		}
		x.refusedFor(me, Command{Type: "measure", Shot: id, PastSDMm: 500}, "past_sd_mm", "too uncertain to say anything")

		x.must(me, Command{Type: "set", Field: "drop.phase", Value: "column-highest"})
		x.arm(1)
		x.fire()
		synctest.Wait()
		x.refusedFor(me, Command{Type: "measure", Shot: x.Snapshot().Shots[0].ID, PastMm: 1, PastSDMm: 1}, "shot",
			"stands still or turns")
	})
}

// A Go that is given by itself and that the board refuses says so.
func TestARefusedRepeatedGoIsSaid(t *testing.T) {
	inBubble(t, func(t *testing.T) {
		x := setUp(t)
		x.readyForGo()
		x.armRepeated(3)
		x.must(me, Command{Type: "go"})
		x.shoot()
		x.dev.failWith("go", &board.RefusedError{Request: wire.TypeGo, Reason: wire.ReasonBusy})
		time.Sleep(8 * time.Second)
		synctest.Wait()
		assert.Contains(t, x.Snapshot().Notice, "no Go this time: Go did not work")
		assert.NotZero(t, x.Snapshot().Repeat.NextAt, "the next one is waited for")
		assert.Equal(t, 2, x.Snapshot().Repeat.Left)
	})
}
