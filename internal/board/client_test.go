package board

import (
	"context"
	"math/rand/v2"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/wire"
)

// Every test here runs in fake time: a timeout takes none, and what is asserted about time is exact.

func TestDialKnowsTheBoard(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, c := dialed(t, nil)
		id := c.Identity()
		assert.Equal(t, "script", id.Firmware)
		assert.Equal(t, uint32(77), id.BootID)
		assert.Equal(t, time.Microsecond, id.Tick)
		assert.Equal(t, 200*time.Microsecond, id.Lead)
		assert.Equal(t, 300*time.Microsecond, id.EdgeLead)
		assert.Equal(t, 400*time.Microsecond, id.GateLead)
		assert.Equal(t, time.Millisecond, id.SafeWithin)
		assert.Equal(t, []InputInfo{{wire.InputBeam, "gate", false}, {wire.InputBeam, "beam", true}}, id.Inputs)
		assert.Equal(t, []OutputInfo{
			{wire.OutputShutter, "shutter", 10 * time.Second},
			{wire.OutputFlash, "flash", 10 * time.Millisecond},
		}, id.Outputs)
	})
}

// The state that comes right behind the answer to Identify is the first event.
func TestDialTellsTheFirstState(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, c := dialed(t, nil)
		began := time.Now()
		until(t, c, func(e Event) bool { return e.State != nil })
		assert.Zero(t, time.Since(began))
	})
}

func TestDialToleratesGarbageLossAndASlowBoot(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, host := newScript(t)
		asked := 0
		s.react = func(s *script, f wire.Frame) bool {
			if f.Type != wire.TypeIdentify {
				return false
			}
			asked++
			switch asked {
			case 1, 2, 3: // still booting: babble, half a frame
				s.sayBytes([]byte{0xFF, 0x13, 0x00, 0x05, 0x81})
			case 4: // the identity, and the rest is lost
				s.sayBytes([]byte{0})
				s.say(s.ident, s.inputs[1])
			default:
				return false
			}
			return true
		}
		go s.serve()
		c, err := Dial(context.Background(), host, Options{Log: discardLog()})
		require.NoError(t, err)
		defer c.Close()
		assert.Equal(t, 5, asked)
		assert.Len(t, c.Identity().Inputs, 2)
	})
}

func TestDialGivesUpOnASilentLink(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		_, err := Dial(context.Background(), newSilentLink(), Options{Log: discardLog(), Boot: 3 * time.Second})
		assert.ErrorContains(t, err, "nothing came from it within 3s")
		assert.Equal(t, 3*time.Second, time.Since(began))
	})
}

func TestDialEndsWithItsContext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(context.Background(), time.Second)
		defer cancel()
		_, err := Dial(ctx, newSilentLink(), Options{Log: discardLog()})
		assert.ErrorIs(t, err, context.DeadlineExceeded)
	})
}

func TestDialEndsWithTheLink(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, host := newScript(t)
		s.react = func(s *script, f wire.Frame) bool { s.end.Close(); return true }
		go s.serve()
		_, err := Dial(context.Background(), host, Options{Log: discardLog()})
		assert.ErrorIs(t, err, ErrGone)
	})
}

func TestDialRefusesWhatItCannotUse(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*wire.Identity)
		want   string
	}{
		{"newer", func(i *wire.Identity) { i.Version = wire.Version + 1 }, "update this program"},
		{"older", func(i *wire.Identity) { i.Version = wire.Version - 1 }, "this program's firmware on the board"},
		{"no clock", func(i *wire.Identity) { i.TickHz = 0 }, "firmware is broken"},
		{"too many inputs", func(i *wire.Identity) { i.Inputs = 9 }, "firmware is broken"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s, host := newScript(t)
				c.change(&s.ident)
				go s.serve()
				began := time.Now()
				_, err := Dial(context.Background(), host, Options{Log: discardLog()})
				if c.name == "no clock" || c.name == "too many inputs" {
					require.Error(t, err) // package wire may refuse to read such an identity at all
					return
				}
				assert.ErrorContains(t, err, c.want)
				assert.Zero(t, time.Since(began), "it says so at once")
			})
		})
	}
}

func TestRequestsAreAnswered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, c := dialed(t, nil)
		ctx := context.Background()
		require.NoError(t, c.Load(ctx, aProgram()))
		require.NoError(t, c.Arm(ctx, 3))
		require.NoError(t, c.Go(ctx))
		require.NoError(t, c.Disarm(ctx))
		require.NoError(t, c.Pulse(ctx, 1, 5*time.Millisecond))
		assert.Equal(t, 1, s.count(wire.TypeArm))
		assert.Equal(t, 1, s.count(wire.TypePulse))

		var loaded []byte
		for _, f := range s.seen {
			if f.Type == wire.TypeLoad {
				part, err := wire.ParseLoadPart(f)
				require.NoError(t, err)
				require.Equal(t, len(loaded), int(part.Offset))
				loaded = append(loaded, part.Data[:part.N]...)
			}
			if f.Type == wire.TypeCommit {
				commit, err := wire.ParseCommit(f)
				require.NoError(t, err)
				assert.Equal(t, wire.Commit{Length: uint16(len(loaded)), CRC: wire.CRC(loaded)}, commit)
			}
		}
		p, problem := wire.ParseProgram(loaded)
		require.True(t, problem.OK())
		assert.Equal(t, uint32(80_000), p.Table[0].Delay)
		assert.Equal(t, int32(-65_000), p.Cues[0].Offset)
	})
}

func TestRefusalsCarryTheirReason(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, c := dialed(t, func(s *script, f wire.Frame) bool {
			if f.Type != wire.TypeArm {
				return false
			}
			s.say(wire.Refused{Seq: f.Seq, Type: f.Type, Reason: wire.ReasonKill, Detail: 3})
			return true
		})
		err := c.Arm(context.Background(), 1)
		var refused *RefusedError
		require.ErrorAs(t, err, &refused)
		assert.Equal(t, RefusedError{wire.TypeArm, wire.ReasonKill, 3}, *refused)
	})
}

func TestBadArgumentsAreNotSent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, c := dialed(t, nil)
		ctx := context.Background()
		assert.Error(t, c.Arm(ctx, 0))
		assert.Error(t, c.Arm(ctx, 70_000))
		assert.ErrorContains(t, c.Pulse(ctx, 5, time.Millisecond), "the board has 2")
		assert.ErrorContains(t, c.Pulse(ctx, 1, time.Second), "flash")
		assert.Error(t, c.Pulse(ctx, 1, 0))
		assert.Zero(t, s.count(wire.TypeArm)+s.count(wire.TypePulse))
	})
}

// What may be done twice is asked again; the late answer to the first asking serves the second.
func TestUnansweredRequestsThatDoNoHarmTwiceAreRepeated(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dropped := 0
		s, c := dialed(t, func(s *script, f wire.Frame) bool {
			if (f.Type == wire.TypeDisarm || f.Type == wire.TypeLoad || f.Type == wire.TypeCommit) && dropped < 2 {
				dropped++
				return true
			}
			return false
		})
		began := time.Now()
		require.NoError(t, c.Disarm(context.Background()))
		assert.Equal(t, 3, s.count(wire.TypeDisarm))
		assert.Equal(t, 500*time.Millisecond, time.Since(began))
		dropped = 0
		require.NoError(t, c.Load(context.Background(), aProgram()))
	})
}

// Arm, Go and Pulse are sent once. Without an answer the board is made safe.
func TestUnansweredArmGoAndPulseEndDisarmed(t *testing.T) {
	for _, kind := range []wire.Type{wire.TypeArm, wire.TypeGo, wire.TypePulse} {
		t.Run(kind.String(), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s, c := dialed(t, func(s *script, f wire.Frame) bool { return f.Type == kind })
				err := map[wire.Type]func() error{
					wire.TypeArm:   func() error { return c.Arm(context.Background(), 1) },
					wire.TypeGo:    func() error { return c.Go(context.Background()) },
					wire.TypePulse: func() error { return c.Pulse(context.Background(), 1, time.Millisecond) },
				}[kind]()
				assert.ErrorIs(t, err, ErrNoAnswer)
				assert.ErrorContains(t, err, "it was disarmed")
				assert.Equal(t, 1, s.count(kind), "sent once")
				assert.Equal(t, 1, s.count(wire.TypeDisarm))
			})
		})
	}
}

func TestACancelledArmEndsDisarmedToo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, c := dialed(t, func(s *script, f wire.Frame) bool { return f.Type == wire.TypeArm })
		ctx, cancel := context.WithTimeout(context.Background(), 10*time.Millisecond)
		defer cancel()
		assert.ErrorIs(t, c.Arm(ctx, 1), context.DeadlineExceeded)
		assert.Equal(t, 1, s.count(wire.TypeDisarm))
	})
}

// A disarm goes out though a load still waits for its answer.
func TestDisarmWaitsForNobody(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, c := dialed(t, func(s *script, f wire.Frame) bool { return f.Type == wire.TypeLoad })
		loaded := make(chan error)
		go func() { loaded <- c.Load(context.Background(), aProgram()) }()
		synctest.Wait()
		began := time.Now()
		require.NoError(t, c.Disarm(context.Background()))
		assert.Zero(t, time.Since(began))
		assert.ErrorIs(t, <-loaded, ErrNoAnswer)
	})
}

// Answers that come for another request, another type, or from long ago change nothing.
func TestStrayAnswersAreIgnored(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, c := dialed(t, func(s *script, f wire.Frame) bool {
			if f.Type != wire.TypeDisarm {
				return false
			}
			s.say(wire.Ack{Seq: f.Seq + 1, Type: f.Type}, wire.Ack{Seq: f.Seq, Type: wire.TypeArm},
				wire.Refused{Seq: f.Seq - 1, Type: f.Type, Reason: wire.ReasonBusy})
			s.say(wire.Ack{Seq: f.Seq, Type: f.Type}, wire.Ack{Seq: f.Seq, Type: f.Type})
			return true
		})
		require.NoError(t, c.Disarm(context.Background()))
		require.NoError(t, c.Disarm(context.Background()))
		assert.Equal(t, 2, s.count(wire.TypeDisarm))
	})
}

// now is the board's time as estimated from pings.
func (c *Client) now() time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	count, _ := c.clock.Now(time.Since(c.epoch))
	return ticksToTime(count, c.id.TickHz)
}

func TestPingsKeepTheLinkAndTellTheTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, c := dialed(t, nil)
		time.Sleep(10*time.Second + 100*time.Millisecond)
		synctest.Wait()
		assert.Equal(t, 41, s.count(wire.TypePing), "one at once, then four a second")
		assert.InDelta(t, time.Since(s.began), c.now(), float64(2*c.Identity().Tick))
	})
}

func TestASilentBoardIsGoneAfterASecond(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var mute atomic.Bool
		_, c := dialed(t, func(s *script, f wire.Frame) bool { return mute.Load() })
		time.Sleep(3 * time.Second)
		synctest.Wait()
		mute.Store(true)
		began := time.Now()
		e := until(t, c, isGone)
		assert.ErrorIs(t, e.Gone, ErrGone)
		assert.ErrorContains(t, e.Gone, "nothing heard")
		assert.Equal(t, time.Second, time.Since(began), "the last pong came now")
		_, open := <-c.Events()
		assert.False(t, open, "Gone is the last event")
		assert.ErrorIs(t, c.Arm(context.Background(), 1), ErrGone)
	})
}

func TestALinkThatEndsIsGone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, c := dialed(t, nil)
		s.end.Close()
		assert.ErrorIs(t, until(t, c, isGone).Gone, ErrGone)
	})
}

func TestARequestUnderWayEndsWithTheLink(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		_, c := dialed(t, func(s *script, f wire.Frame) bool {
			if f.Type == wire.TypeGo {
				s.end.Close()
				return true
			}
			return false
		})
		assert.ErrorIs(t, c.Go(context.Background()), ErrGone)
	})
}

// A board that starts again says who it is unasked.
func TestARebootIsGone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, c := dialed(t, nil)
		again := s.ident
		again.BootID, again.Reset = 78, wire.ResetWatchdog
		s.say(again)
		e := until(t, c, isGone)
		assert.ErrorIs(t, e.Gone, ErrGone)
		assert.ErrorContains(t, e.Gone, "watchdog")
	})
}

// One whose greeting is lost is found by its clock, within one ping.
func TestARebootWithoutAGreetingIsGone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, c := dialed(t, nil)
		time.Sleep(5 * time.Second)
		synctest.Wait()
		s.mu.Lock()
		s.ident.BootID, s.began = 79, time.Now()
		s.mu.Unlock()
		began := time.Now()
		assert.ErrorContains(t, until(t, c, isGone).Gone, "restarted")
		assert.LessOrEqual(t, time.Since(began), pingEvery)
	})
}

// Damage on the way loses frames; the client notices, asks how things stand, and goes on.
func TestLostFramesMakeItAskAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, c := dialed(t, nil)
		synctest.Wait()
		before := s.count(wire.TypeIdentify)
		p := wire.AppendFrame(nil, wire.State{State: wire.Armed}.Frame(s.seq+1))
		s.mu.Lock()
		s.seq++
		s.mu.Unlock()
		p[3] ^= 0x40
		s.sayBytes(p)
		s.sayBytes([]byte{0, 0, 0x55, 0x00})
		time.Sleep(pingEvery)
		synctest.Wait()
		assert.Equal(t, before+1, s.count(wire.TypeIdentify))
		require.NoError(t, c.Disarm(context.Background()))
	})
}

func TestShotsComeWithTheirCues(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, c := dialed(t, nil)
		time.Sleep(time.Second)
		synctest.Wait()
		edge := s.now()
		moment := edge.Add(80_000)
		s.say(
			wire.Cue{Shot: 1, Index: 0, Output: 0, Planned: moment.Add(-65_000), On: moment.Add(-64_999), Off: moment},
			wire.Cue{Shot: 1, Index: 1, Output: 1, Planned: moment, On: moment.Add(3), Off: moment.Add(1003)},
			wire.Shot{Number: 1, Status: wire.Done, Cues: 3, GateAt: edge.Add(-25_000), ClockAt: edge, Delay: 80_000,
				Bounced: 2},
		)
		got := until(t, c, func(e Event) bool { return e.Shot != nil }).Shot
		clock := time.Since(s.began)
		assert.Equal(t, clock, got.ClockAt)
		assert.Equal(t, 25*time.Millisecond, got.Interval())
		assert.Equal(t, 80*time.Millisecond, got.Delay)
		assert.Equal(t, 2, got.Bounced)
		assert.Equal(t, 1, got.Missing)
		require.Len(t, got.Cues, 2)
		assert.Equal(t, time.Microsecond, got.Cues[0].Late())
		assert.Equal(t, 3*time.Microsecond, got.Cues[1].Late())
		assert.Equal(t, clock+80*time.Millisecond, got.Cues[1].Planned)
		assert.Equal(t, time.Now(), got.Received)
	})
}

// A test pulse is reported by itself, and is not taken for one of the next shot's.
func TestTestPulseIsReported(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, c := dialed(t, nil)
		time.Sleep(time.Second)
		synctest.Wait()
		now := s.now()
		s.say(
			wire.Cue{Output: 1, Planned: now, On: now.Add(4), Off: now.Add(10_004)},
			wire.Shot{Number: 1, Status: wire.Done, ClockAt: now},
		)
		at := time.Since(s.began)
		got := until(t, c, func(e Event) bool { return e.Pulse != nil }).Pulse
		want := CueReport{Output: 1, Planned: at, On: at + 4*time.Microsecond, Off: at + 10_004*time.Microsecond}
		assert.Equal(t, want, *got)
		assert.Empty(t, until(t, c, func(e Event) bool { return e.Shot != nil }).Shot.Cues)
	})
}

// A shot's times stay right when the board's 32 bits wrap in the middle: 71.6 minutes at 1 MHz.
func TestShotTimesAcrossAWrap(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, host := newScript(t)
		const wrap = (1 << 32) * time.Microsecond
		s.began = time.Now().Add(-wrap + 2*time.Second)
		go s.serve()
		c, err := Dial(context.Background(), host, Options{Log: discardLog()})
		require.NoError(t, err)
		defer c.Close()
		time.Sleep(1999 * time.Millisecond)
		synctest.Wait()
		edge := s.now()
		require.Greater(t, edge, edge.Add(80_000), "the wrap lies between edge and moment")
		s.say(wire.Cue{Shot: 1, Planned: edge.Add(80_000), On: edge.Add(80_002), Off: edge.Add(81_000)},
			wire.Shot{Number: 1, Cues: 1, GateAt: edge, ClockAt: edge, Delay: 80_000})
		got := until(t, c, func(e Event) bool { return e.Shot != nil }).Shot
		assert.Equal(t, wrap-time.Millisecond, got.ClockAt)
		assert.Equal(t, wrap+79*time.Millisecond, got.Cues[0].Planned)
		assert.Equal(t, 2*time.Microsecond, got.Cues[0].Late())
	})
}

// A reader that sleeps holds nothing up, and finds every shot and the newest of the rest.
func TestSlowReadersLoseNoShots(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s, c := dialed(t, nil)
		const shots = 300
		for n := range shots {
			s.say(wire.Shot{Number: uint16(n + 1)}, wire.Edge{Input: 1, Count: 2}, wire.State{State: wire.Armed})
		}
		require.NoError(t, c.Disarm(context.Background()), "requests still go through")
		s.end.Close()
		got, edges := 0, 0
		for e := range c.Events() {
			if e.Shot != nil {
				got++
				require.Equal(t, got, e.Shot.Number)
			}
			if e.Edge != nil {
				edges += int(e.Edge.Count)
			}
		}
		assert.Equal(t, shots, got)
		assert.Equal(t, 2*shots, edges)
	})
}

func TestCloseEndsEverything(t *testing.T) {
	synctest.Test(t, func(t *testing.T) { // a goroutine left behind fails a bubble
		s, c := dialed(t, nil)
		s.say(wire.Fault{Reason: wire.ReasonKill})
		require.NoError(t, c.Close())
		require.NoError(t, c.Close())
		assert.ErrorIs(t, c.Disarm(context.Background()), ErrGone)
	})
}

// Whatever bytes come, in whatever pieces: no panic, and a sound frame after a zero is still understood.
func TestGarbageNeverStopsTheClient(t *testing.T) {
	for seed := range uint64(20) {
		synctest.Test(t, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(seed, 3))
			s, c := dialed(t, nil)
			for range 200 {
				junk := make([]byte, rng.IntN(90))
				for i := range junk {
					junk[i] = byte(rng.Uint32())
				}
				if rng.IntN(4) == 0 { // a frame sound in form, of any type, with any payload
					f := wire.Frame{Type: wire.Type(0x83 + rng.IntN(14)), Seq: uint8(rng.Uint32()), N: uint8(len(junk) % 40)}
					copy(f.Payload[:], junk)
					junk = wire.AppendFrame([]byte{0}, f)
				}
				s.sayBytes(junk)
			}
			s.sayBytes([]byte{0})
			s.say(wire.Shot{Number: 4242})
			until(t, c, func(e Event) bool { return e.Shot != nil && e.Shot.Number == 4242 })
			require.NoError(t, c.Disarm(context.Background()), "seed %d", seed)
		})
	}
}

// What comes from something that is no board, or another one, decides what there is to do about it.
func TestNotABoardErrors(t *testing.T) {
	for _, c := range []struct {
		name string
		says string // each time it is asked
		want []string
	}{
		{"silent", "", []string{"nothing came from it within 5s", "no firmware"}},
		{"zeros only", "\x00\x00", []string{"nothing came"}},
		{"text", "Sensor ready, 21.5 C\r\n", []string{`it says "Sensor ready, 21.5 C Sensor ready`, "other firmware"}},
		{"another speed", "\xfe\xfe\x80\x00\xe6\x66\x9e",
			[]string{"bytes that are not board frames", "another speed"}},
		{"bytes lost", string(wire.AppendFrame(nil, wire.State{}.Frame(1))), []string{"bytes are being lost"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s, host := newScript(t)
				s.react = func(s *script, f wire.Frame) bool { s.sayBytes([]byte(c.says)); return true }
				go s.serve()
				_, err := Dial(context.Background(), host, Options{Log: discardLog()})
				notABoard := new(NotABoardError)
				require.ErrorAs(t, err, &notABoard)
				for _, want := range c.want {
					assert.ErrorContains(t, err, want)
				}
			})
		})
	}
}

// A bootloader that hears something goes on waiting for a programmer. It must be left in peace for long enough.
func TestDialLeavesABootloaderInPeace(t *testing.T) {
	for _, patience := range []time.Duration{300 * time.Millisecond, 700 * time.Millisecond, 1500 * time.Millisecond,
		2 * time.Second} {
		synctest.Test(t, func(t *testing.T) {
			s, host := newScript(t)
			booted := false
			var at time.Time
			var over *time.Timer
			s.react = func(s *script, f wire.Frame) bool {
				s.mu.Lock()
				defer s.mu.Unlock()
				if !booted {
					over.Reset(patience)
				}
				return !booted
			}
			over = time.AfterFunc(patience, func() {
				s.mu.Lock()
				booted, at = true, time.Now()
				s.mu.Unlock()
				s.say(s.ident, wire.State{}) // as each board says unasked when it starts
			})
			go s.serve()
			c, err := Dial(context.Background(), host, Options{Log: discardLog(), Boot: 8 * time.Second})
			require.NoError(t, err, "%v", patience)
			assert.LessOrEqual(t, time.Since(at), identityGap, "it is asked as soon as it has begun to speak")
			c.Close()
		})
	}
}

func TestTheClientLearnsTheBoardsClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const fast = 1.0023
		_, c := dialed(t, func(s *script, f wire.Frame) bool {
			if f.Type != wire.TypePing {
				return false
			}
			time.Sleep(2 * time.Millisecond)
			p, err := wire.ParsePing(f)
			require.NoError(t, err)
			at := float64(time.Since(s.began).Microseconds()) * fast
			time.Sleep(2 * time.Millisecond)
			s.say(wire.Pong{Token: p.Token, Now: wire.Tick(int64(at))})
			return true
		})
		_, ok := c.ClockEstimate()
		assert.False(t, ok)
		time.Sleep(30 * time.Second)
		e, ok := c.ClockEstimate()
		require.True(t, ok)
		assert.InDelta(t, 2300, e.PPM, 10)
		assert.Less(t, e.LowPPM, 2300.)
		assert.Greater(t, e.HighPPM, 2300.)
		assert.Equal(t, 4*time.Millisecond, e.ShortestRoundTrip)
		assert.InDelta(t, fast*float64(time.Since(c.epoch)), float64(c.now()), float64(2*time.Millisecond))
		c.Close()
		time.Sleep(time.Second) // the script may be in the middle of an answer
	})
}
