package rig

import (
	"context"
	"io"
	"log/slog"
	"math"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/ballistics"
	"stillwater/internal/board"
	"stillwater/internal/phys"
	"stillwater/internal/record"
	"stillwater/internal/scene"
	"stillwater/internal/shot"
	"stillwater/internal/wire"
)

// Nearly every test here runs in fake time: hours take milliseconds, and a cue that is late by a tick is a failure.

func discardLog() *slog.Logger { return slog.New(slog.DiscardHandler) }

// bed is a rig with a host connected.
type bed struct {
	t    *testing.T
	rig  *Rig
	host *board.Client
}

func newBed(t *testing.T, opts Options) *bed {
	t.Helper()
	opts.Log = discardLog()
	if opts.Spin == 0 {
		opts.Spin = -1
	}
	r, err := New(opts)
	require.NoError(t, err)
	host, err := board.Dial(context.Background(), r.Link(), board.Options{Log: discardLog()})
	require.NoError(t, err)
	b := &bed{t, r, host}
	t.Cleanup(func() {
		require.NoError(t, b.host.Close())
		require.NoError(t, b.rig.Close())
	})
	return b
}

// arm compiles a set for the rig and arms it.
func (b *bed) arm(set shot.Set, shots int) shot.Program {
	b.t.Helper()
	p, _, err := shot.Compile(set, Bench())
	require.NoError(b.t, err)
	require.NoError(b.t, b.host.Load(context.Background(), p))
	require.NoError(b.t, b.host.Arm(context.Background(), shots))
	return p
}

// until reads events up to the first that suits.
func (b *bed) until(suits func(board.Event) bool) board.Event {
	b.t.Helper()
	for e := range b.host.Events() {
		if suits(e) {
			return e
		}
		require.NoError(b.t, e.Gone)
	}
	b.t.Fatal("the events ended")
	return board.Event{}
}

// during collects the events of some time.
func (b *bed) during(d time.Duration) (all []board.Event) {
	time.Sleep(d)
	for {
		synctest.Wait() // the next one is on its way
		select {
		case e := <-b.host.Events():
			all = append(all, e)
		default:
			return all
		}
	}
}

func (b *bed) shot() *board.ShotReport {
	b.t.Helper()
	return b.until(func(e board.Event) bool { return e.Shot != nil }).Shot
}

func (b *bed) state(code wire.StateCode) *wire.State {
	b.t.Helper()
	return b.until(func(e board.Event) bool { return e.State != nil && e.State.State == code }).State
}

func dropSet() shot.Set { return shot.DefaultSet() }

func throwSet() shot.Set {
	s := shot.DefaultSet()
	s.Kind = shot.Throw
	s.Throw.AboveFloor = 2
	s.Throw.Gate, s.Throw.ToFocus, s.Throw.BeamHeight, s.Throw.SpeedLow = 0.1, 0.8, 0, 3
	// far from the spot: the shutter opens after the edge
	return s
}

// soundSet has its shutter opened at Go.
func soundSet() shot.Set { return soundBy(shot.ByGo) }

func soundBy(shutter shot.ShutterBy) shot.Set {
	s := shot.DefaultSet()
	s.Kind = shot.Sound
	s.Light.Shutter = shutter
	return s
}

func TestTheRigSaysWhatItIs(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBed(t, Options{Seed: 1})
		id := b.host.Identity()
		assert.Equal(t, "simulated", id.Firmware)
		assert.Equal(t, uint32(TickHz), id.TickHz)
		bench := Bench()
		for _, in := range []*shot.Sensor{bench.Gate, bench.Beam, bench.Microphone} {
			assert.Equal(t, in.Name, id.Inputs[in.Index].Name)
		}
		for _, out := range []*shot.Output{bench.Shutter, bench.Flash} {
			assert.Equal(t, out.Name, id.Outputs[out.Index].Name)
			assert.Equal(t, out.MaxOn, id.Outputs[out.Index].MaxOn)
		}
		assert.Equal(t, id.Lead, bench.Lead)
		assert.Equal(t, id.EdgeLead, bench.EdgeLead)
		assert.Equal(t, id.Tick, bench.Tick)
		assert.Equal(t, id.TableLen, bench.TableLen)
		for _, in := range id.Inputs {
			assert.Contains(t, []string{"gate", "beam", "microphone", "sync", "kill", "button"}, in.Name)
		}
	})
}

// Every kind of shot works with the default set, in time to the tick, and the camera sees it.
func TestAShotOfEachKind(t *testing.T) {
	for _, c := range []struct {
		name string
		set  shot.Set
		seen string
	}{
		{"drop", dropSet(), "the column"},
		{"throw", throwSet(), "the sheet"},
		{"sound, shutter by edge", soundBy(shot.ByEdge), "moment"},
		{"sound, shutter at go", soundBy(shot.ByGo), "moment"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBed(t, Options{Seed: 12})
				p := b.arm(c.set, 1)
				if len(p.Opening) > 0 {
					require.NoError(t, b.host.Go(context.Background()))
					time.Sleep(500 * time.Millisecond)
				}
				require.NoError(t, b.rig.Release(t.Context(), c.set))
				assert.True(t, b.rig.Busy())
				s := b.shot()
				assert.Equal(t, wire.Done, s.Status)
				assert.Zero(t, s.Missing)
				require.Len(t, s.Cues, len(p.Cues)+len(p.Opening))
				for _, cue := range s.Cues {
					assert.Zero(t, cue.Late(), "output %d", cue.Output)
				}
				assert.Contains(t, b.rig.Look(s.ClockAt), c.seen)
				frame, ok := b.rig.Frame(s.ClockAt)
				require.True(t, ok)
				assert.True(t, frame.Exposed, frame.Seen)
				assert.NotEqual(t, record.Nothing, frame.Verdict, frame.Seen)
				pictured, ok := b.rig.Pictured(b.host.Identity().BootID, s.ClockAt)
				assert.Equal(t, c.set.Kind != shot.Sound, ok, "a sound cannot be seen")
				assert.Equal(t, ok, pictured.Exposed)
				_, ok = b.rig.Pictured(b.host.Identity().BootID+1, s.ClockAt)
				assert.False(t, ok, "another start of the board")
				b.state(wire.Safe)
				assert.Contains(t, b.rig.Look(s.ClockAt+time.Hour/36), "nothing was let go")
			})
		})
	}
}

// What the picture shows agrees with the board's report: the flash was where planned, and off from the best moment by
// what the room says.
func TestTrimmingByWhatIsSeenHits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBed(t, Options{Seed: 5})
		set := dropSet()
		tryOnce := func() scene.Frame {
			b.arm(set, 1)
			require.NoError(t, b.rig.Release(t.Context(), set))
			frame, ok := b.rig.Frame(b.shot().ClockAt)
			require.True(t, ok)
			b.state(wire.Safe)
			return frame
		}
		before := tryOnce()
		set.Trim.Drop -= phys.Seconds(before.Offset)
		after := tryOnce()
		t.Logf("seed 5: %q, then %q", before.Seen, after.Seen)
		assert.Less(t, after.Offset.Abs(), 8*time.Millisecond, "four times the room's scatter of 2 ms")
	})
}

// Many throws through the whole chain: the board accepts what is in range, says why of the rest, and hits.
func TestManyThrowsThroughTheWholeChain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const throws = 100
		b := newBed(t, Options{Seed: 77})
		set := throwSet()
		set.Light.Recycle = 1
		set.Throw.SpeedLow, set.Throw.SpeedHigh = 3.6, 5 // a hand of about 4.2 m/s does not know
		p := b.arm(set, throws)
		hits, shots, black, sum := 0, 0, 0, 0.0
		rejected := map[wire.Reason]int{}
		for range throws {
			require.NoError(t, b.rig.Release(t.Context(), set))
			for _, e := range b.during(5 * time.Second) {
				switch {
				case e.Rejected != nil:
					rejected[e.Rejected.Reason]++
				case e.Shot != nil:
					shots++
					assert.GreaterOrEqual(t, e.Shot.Interval(), p.GateMin-tick)
					assert.LessOrEqual(t, e.Shot.Interval(), p.GateMax+tick)
					frame, ok := b.rig.Frame(e.Shot.ClockAt)
					require.True(t, ok)
					if !frame.Exposed {
						black++
						assert.Contains(t, frame.Seen, "it opened", "the camera hesitated")
						continue
					}
					sum += frame.OffsetMm * frame.OffsetMm
					if math.Abs(frame.OffsetMm) <= 100 {
						hits++
					}
				}
			}
		}
		t.Logf("seed 77: %d shots, %d within a hand's width, %.0f mm RMS; rejected: %v", shots, hits,
			math.Sqrt(sum/float64(shots)), rejected)
		assert.LessOrEqual(t, black, 3, "a camera hesitates once in 200 releases")
		assert.Greater(t, hits, shots*8/10, "spray ahead of one throw in five deceives the gate")
		assert.Positive(t, rejected[wire.ReasonTooFast]+rejected[wire.ReasonTooSlow], "some are thrown out of range")
		assert.Greater(t, shots, throws*7/10)
	})
}

// Drops and their satellites, sheets with holes and spray ahead, and beams that miss what passes: however it comes, one
// drop or throw is one shot at most, and a satellite is no drop of a train.
func TestNothingFiresTwice(t *testing.T) {
	train := dropSet()
	train.Drop.Nth = 2
	for name, set := range map[string]shot.Set{"drops": dropSet(), "trains": train, "throws": throwSet()} {
		synctest.Test(t, func(t *testing.T) {
			const flights, seed = 60, 19
			b, twin := newBed(t, Options{Seed: seed}), scene.New(seed)
			b.arm(set, flights)
			none := 0
			for range flights {
				require.NoError(t, b.rig.Release(t.Context(), set))
				like, err := twin.Release(set, 0)
				require.NoError(t, err)
				shots, rejected := 0, 0
				for _, e := range b.during(10 * time.Second) {
					switch {
					case e.Rejected != nil:
						rejected++
					case e.Shot != nil:
						shots++
						frame, ok := b.rig.Frame(e.Shot.ClockAt)
						require.True(t, ok)
						if len(like.Sprayed) == 0 { // a droplet ahead of a sheet may be timed instead
							assert.Less(t, frame.Offset.Abs(), dripApart/2, "%s, flight %d: %s", name, like.Number, frame.Seen)
						}
					}
				}
				assert.LessOrEqual(t, shots, 1, "%s, flight %d", name, like.Number)
				switch {
				case len(like.Missed) > 0:
					none++
					assert.Zero(t, shots, "%s, flight %d: a beam missed it", name, like.Number)
				case set.Kind == shot.Drop:
					assert.Equal(t, 1, shots, "%s, flight %d", name, like.Number)
				default:
					assert.Positive(t, shots+rejected, "%s, flight %d: a throw that was seen is heard of", name, like.Number)
				}
				if none > 0 && set.Drop.Nth > 1 {
					break // the board still counts the drop that it saw of this train
				}
			}
			t.Logf("%s, seed %d: a beam missed %d of %d", name, seed, none, flights)
		})
	}
}

// dripApart is less than the room leaves between the drops of a train.
const dripApart = 150 * time.Millisecond

func TestLagLedShotsFireBySync(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBed(t, Options{Seed: 3})
		set := dropSet()
		set.Light.Expose = shot.LagLed
		b.arm(set, 1)
		require.NoError(t, b.rig.Release(t.Context(), set))
		edge := b.until(func(e board.Event) bool { return e.Edge != nil && e.Edge.Input == InSync }).Edge
		assert.NotNil(t, edge, "the camera's sync comes back as an input")
		s := b.shot()
		frame, ok := b.rig.Frame(s.ClockAt)
		require.True(t, ok)
		assert.True(t, frame.Exposed, frame.Seen)
	})
}

// The wrap of the board's clock falls between the edge and the moment; nothing notices, and the room is still found.
func TestAShotAcrossTheClocksWrap(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		for _, before := range []time.Duration{300, 400, 500, 600, 700} {
			b := newBed(t, Options{Seed: 8, StartTick: wire.Tick(-before * time.Millisecond / tick)})
			b.arm(dropSet(), 1)
			require.NoError(t, b.rig.Release(t.Context(), dropSet()))
			s := b.shot()
			assert.Equal(t, wire.Done, s.Status)
			assert.Contains(t, b.rig.Look(s.ClockAt), "the column")
			assert.Equal(t, s.Delay-scene.FlashDelay, flashCue(t, s).Planned-s.ClockAt)
		}
	})
}

// A host that connects after the clock has wrapped sees other times than the rig's own; Look still finds the shot.
func TestAHostThatComesLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBed(t, Options{Seed: 8})
		require.NoError(t, b.host.Close())
		time.Sleep(20 * time.Minute)
		var err error
		b.host, err = board.Dial(context.Background(), b.rig.Link(), board.Options{Log: discardLog()})
		require.NoError(t, err)
		b.arm(dropSet(), 1)
		require.NoError(t, b.rig.Release(t.Context(), dropSet()))
		s := b.shot()
		assert.Less(t, s.ClockAt, 10*time.Minute)
		assert.Contains(t, b.rig.Look(s.ClockAt), "the column")
	})
}

func TestOneThingAtATime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBed(t, Options{})
		require.NoError(t, b.rig.Release(t.Context(), soundSet()))
		assert.ErrorIs(t, b.rig.Release(t.Context(), soundSet()), ErrBusy)
		time.Sleep(5 * time.Second)
		assert.False(t, b.rig.Busy())
		assert.NoError(t, b.rig.Release(t.Context(), soundSet()))
		set := dropSet()
		set.Kind = "smoke"
		time.Sleep(5 * time.Second)
		assert.ErrorContains(t, b.rig.Release(t.Context(), set), "smoke")
		assert.False(t, b.rig.Busy(), "what could not be let go is not in the air")
	})
}

func TestTheKillSwitchStopsAShot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBed(t, Options{Seed: 12})
		set := dropSet()
		b.arm(set, 3)
		require.NoError(t, b.rig.Release(t.Context(), set))
		b.state(wire.Firing)
		require.NoError(t, b.rig.Press("kill", true))
		s := b.shot()
		assert.Equal(t, wire.Killed, s.Status)
		b.state(wire.Faulted)
		assert.Contains(t, b.rig.Look(s.ClockAt), "the flash did not fire")
		assert.Error(t, b.host.Arm(context.Background(), 1))
		require.NoError(t, b.rig.Press("kill", false))
		require.NoError(t, b.host.Disarm(context.Background()))
		b.state(wire.Safe)
		assert.ErrorContains(t, b.rig.Press("gate", true), "press kill or button")
	})
}

// A host that goes leaves the board armed for no more than a second; another link works at once.
func TestALostHost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBed(t, Options{Seed: 12})
		b.arm(dropSet(), 3)
		require.NoError(t, b.host.Close())
		time.Sleep(1100 * time.Millisecond)
		require.NoError(t, b.rig.Release(t.Context(), dropSet()))
		var err error
		b.host, err = board.Dial(context.Background(), b.rig.Link(), board.Options{Log: discardLog()})
		require.NoError(t, err)
		b.state(wire.Safe)
		time.Sleep(3 * time.Second)
		assert.Zero(t, b.rig.outputs)
		b.arm(dropSet(), 1)
	})
}

func TestANewLinkCutsTheOld(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBed(t, Options{})
		b.rig.Link()
		e := b.until(func(e board.Event) bool { return e.Gone != nil })
		assert.ErrorIs(t, e.Gone, board.ErrGone)
	})
}

func TestTheValveLetsADropGo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBed(t, Options{Seed: 2})
		require.NoError(t, b.host.Pulse(context.Background(), OutValve, 20*time.Millisecond))
		assert.True(t, b.rig.Busy())
		edge := b.until(func(e board.Event) bool { return e.Edge != nil && e.Edge.Input == InBeam }).Edge
		assert.NotZero(t, edge.Count)
	})
}

// A program without a clock input: Go opens the valve and starts the delay, and Look finds the drop that fell of it.
func TestAShotThatGoStarts(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBed(t, Options{Seed: 2})
		fall, err := dropSet().Estimate() // from the beam
		require.NoError(t, err)
		const letGo phys.Length = 8e-3 // below the tip, about: the start of a drop from 3 mm
		toBeam, err := ballistics.Fall(fall.Diameter, dropSet().Drop.Beam-letGo, 0)
		require.NoError(t, err)
		p := shot.Program{
			Nth:     1,
			Table:   []shot.Point{{Delay: 13*time.Millisecond + (toBeam.Time + fall.Delay).Duration()}},
			Cues:    []shot.Cue{{Output: OutFlash, Name: "flash", Width: 10 * time.Millisecond}},
			Opening: []shot.Cue{{Output: OutValve, Name: "valve", Offset: 5 * time.Millisecond, Width: 20 * time.Millisecond}},
			Late:    late,
			Rest:    time.Second,
		}
		require.NoError(t, b.host.Load(context.Background(), p))
		require.NoError(t, b.host.Arm(context.Background(), 1))
		require.NoError(t, b.host.Go(context.Background()))
		s := b.shot()
		assert.Equal(t, wire.Done, s.Status)
		frame, ok := b.rig.Frame(s.ClockAt)
		require.True(t, ok)
		assert.True(t, frame.Flashed, frame.Seen)
		assert.Less(t, frame.Offset.Abs(), 30*time.Millisecond, "within the published band of the column")
		assert.Contains(t, frame.Seen, "the shutter was not open")
	})
}

func TestClosing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBed(t, Options{Seed: 2})
		b.arm(soundSet(), 1)
		require.NoError(t, b.host.Go(context.Background()))
		time.Sleep(100 * time.Millisecond)
		synctest.Wait()
		require.NotZero(t, b.rig.outputs, "the shutter is held")
		require.NoError(t, b.rig.Close())
		assert.Zero(t, b.rig.outputs)
		b.until(func(e board.Event) bool { return e.Gone != nil })
		_, err := b.rig.Link().Read(make([]byte, 1))
		assert.ErrorIs(t, err, io.EOF)
	})
}

// The same seed and the same calls at the same times give the same evening.
func TestTheSameSeedIsTheSameEvening(t *testing.T) {
	play := func(seed uint64) (evening []string) {
		synctest.Test(t, func(t *testing.T) {
			b := newBed(t, Options{Seed: seed})
			b.arm(throwSet(), 20)
			for range 5 {
				require.NoError(t, b.rig.Release(t.Context(), throwSet()))
				time.Sleep(4 * time.Second)
			}
			require.NoError(t, b.host.Disarm(context.Background()))
			b.until(func(e board.Event) bool {
				if e.Shot != nil {
					evening = append(evening, e.Shot.ClockAt.String(), b.rig.Look(e.Shot.ClockAt))
				}
				return e.State != nil && e.State.State == wire.Safe && len(evening) > 0
			})
		})
		return evening
	}
	assert.Equal(t, play(4), play(4))
	assert.NotEqual(t, play(4), play(5))
}

// In real time: the order and the planned times hold, and a busy machine makes the room wait instead of a cue late.
func TestRealTime(t *testing.T) {
	r, err := New(Options{Seed: 12, Log: discardLog()})
	require.NoError(t, err)
	host, err := board.Dial(context.Background(), r.Link(), board.Options{Log: discardLog(), InProcess: true})
	require.NoError(t, err)
	b := &bed{t, r, host}
	defer func() {
		require.NoError(t, host.Close())
		require.NoError(t, r.Close())
	}()
	b.arm(dropSet(), 1)
	require.NoError(t, r.Release(t.Context(), dropSet()))
	s := b.shot()
	b.state(wire.Safe)
	require.Equal(t, wire.Done, s.Status)
	require.Len(t, s.Cues, 2)
	for _, cue := range s.Cues {
		assert.GreaterOrEqual(t, cue.Late(), time.Duration(0), "never early")
		assert.LessOrEqual(t, cue.Late(), maxBehind)
		assert.Greater(t, cue.Off, cue.On)
		t.Logf("output %d: planned %v after the edge, %v late", cue.Output, cue.Planned-s.ClockAt, cue.Late())
	}
}

func flashCue(t *testing.T, s *board.ShotReport) board.CueReport {
	t.Helper()
	for _, c := range s.Cues {
		if c.Output == OutFlash {
			return c
		}
	}
	t.Fatal("no flash cue")
	return board.CueReport{}
}

func TestARestartIsSeenByTheHost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBed(t, Options{Seed: 1})
		b.arm(soundSet(), 2)
		require.NoError(t, b.host.Go(context.Background()))
		before := b.host.Identity().BootID
		time.Sleep(100 * time.Millisecond)
		synctest.Wait()
		require.NotZero(t, b.rig.outputs)
		require.NoError(t, b.rig.restart())
		assert.Zero(t, b.rig.outputs)
		e := b.until(func(e board.Event) bool { return e.Gone != nil })
		assert.ErrorIs(t, e.Gone, board.ErrGone)

		var err error
		b.host, err = board.Dial(context.Background(), b.rig.Link(), board.Options{Log: discardLog()})
		require.NoError(t, err)
		assert.NotEqual(t, before, b.host.Identity().BootID)
		var refused *board.RefusedError
		require.ErrorAs(t, b.host.Arm(context.Background(), 1), &refused)
		assert.Equal(t, wire.ReasonNoProgram, refused.Reason)
	})
}

// A process that gets no processor stands still as a whole. Neither the simulated board nor its host may take that for
// the other's silence.
func TestAStarvedProcessIsNoSilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBed(t, Options{Seed: 1})
		b.arm(dropSet(), 3)
		for range 5 {
			b.rig.mu.Lock()
			b.rig.clock.zero = b.rig.clock.zero.Add(-3 * time.Second) // three seconds have passed, and nothing was served
			b.rig.mu.Unlock()
			time.Sleep(time.Second)
		}
		b.rig.mu.Lock()
		code := b.rig.exec.State().Code()
		b.rig.mu.Unlock()
		require.Equal(t, wire.Armed, code)
		require.NoError(t, b.rig.Release(t.Context(), dropSet()))
		assert.Equal(t, wire.Done, b.shot().Status)
	})
}

// Whenever it is that the process stands still during a shot, the shot is made.
func TestAStarvedProcessIsNotLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBed(t, Options{Seed: 1})
		for pause := time.Duration(0); pause < 600*time.Millisecond; pause += 7 * time.Millisecond {
			b.arm(dropSet(), 1)
			require.NoError(t, b.rig.Release(t.Context(), dropSet()))
			time.Sleep(pause)
			b.rig.mu.Lock()
			b.rig.clock.zero = b.rig.clock.zero.Add(-3 * time.Second)
			b.rig.mu.Unlock()
			s := b.shot()
			require.Equal(t, wire.Done, s.Status, "stood still %v after the release", pause)
			for _, cue := range s.Cues {
				require.LessOrEqual(t, cue.Late(), maxBehind, "stood still %v after the release", pause)
			}
			b.state(wire.Safe)
			time.Sleep(10 * time.Second)
		}
	})
}

func TestTheClockStandsStillWhenTheLoopIsNotServed(t *testing.T) {
	host := time.Now()
	c := clock{zero: host, due: 20 * time.Millisecond, slack: 5 * time.Millisecond}
	at := func(d time.Duration) time.Duration { return c.now(host.Add(d)) }
	assert.Equal(t, 24*time.Millisecond, at(24*time.Millisecond))
	assert.Equal(t, 25*time.Millisecond, at(time.Second))
	assert.Equal(t, 25*time.Millisecond, at(2*time.Second), "it stands")
	c.expect(21*time.Millisecond, time.Millisecond, 25*time.Millisecond)
	assert.Equal(t, 25*time.Millisecond, at(2*time.Second), "and does not go back")
	c.due = noDue
	assert.Equal(t, 35*time.Millisecond, at(2*time.Second+10*time.Millisecond), "and goes on")
}
