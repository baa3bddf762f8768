package trigger

import (
	"encoding/binary"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/wire"
)

func newRand(t testing.TB, seed uint64) *rand.Rand {
	t.Logf("seed %d", seed)
	return rand.New(rand.NewPCG(seed, seed))
}

// play runs a script on a board that starts at start. Each 4 bytes are one thing that happens: what, how long after the
// one before, and two more to choose from. All that must always be true is checked by the world at every step.
func play(t testing.TB, script []byte, start wire.Tick) *world {
	w := newWorld(t, testConfig(), start)
	programs := [...]wire.Program{fixed(), gated(), opened(), byGo(), crowded(), windowed()}
	for ; len(script) >= 4; script = script[4:] {
		what, wait, a, b := script[0], script[1], script[2], script[3]
		gap := wire.Tick(wait&0x0F) << (wait >> 4) // up to half a second
		w.takes = wire.Tick(what >> 6 * 20)
		w.noDriven = what>>5 == 1
		if b&0x80 == 0 {
			w.silence(gap)
		} else {
			w.now += gap // asleep, whatever was due
		}
		switch what & 0x1F {
		default: // most of what happens is edges
			at := w.now - wire.Tick(b&0x1F)*wire.Tick(b&0x60)
			w.step(Event{Kind: EventEdge, At: at, Input: a & 1, High: a&0x0E != 0})
		case 10, 11:
			w.silence(tickHz - wire.Tick(a&0x1F)<<10) // almost the timeout, or past it with what comes next
		case 12:
			w.step(Event{Kind: EventEdge, At: w.now, Input: a & 7, High: b&1 != 0})
		case 13:
			w.send(wire.Identify{})
		case 14, 15:
			w.send(wire.Disarm{})
		case 16, 17, 18:
			w.load(programs[int(a)%len(programs)])
			w.send(wire.Arm{Shots: uint16(b&0x0F) + 1})
		case 19, 20:
			w.send(wire.Arm{Shots: uint16(a & 3)})
		case 21, 22:
			w.send(wire.Go{})
		case 23, 24:
			w.send(wire.Pulse{Output: a & 3, Width: uint32(b) << (a >> 4)})
		case 25:
			w.step(Event{Kind: EventLost, At: w.now, Input: a & 3, Count: uint32(b)})
		case 26:
			w.step(Event{Kind: EventFault, Count: uint32(a)})
		case 27:
			f := wire.Frame{Type: wire.Type(a), N: b & 7}
			copy(f.Payload[:], script)
			w.step(Event{Kind: EventReceived, Frame: f})
		case 28, 29, 30:
			w.pass(wire.Tick(a) << (b & 7))
		case 31:
			w.settle()
		}
	}
	w.pass(2_500_000) // long enough for all that is planned to end
	require.NotEqual(t, wire.Firing, w.s.Code(), "a shot never ended")
	return w
}

// crowded uses every cue there is, close together.
func crowded() wire.Program {
	p := fixed()
	p.Nth, p.HoldOff, p.Rest, p.CueLen, p.OpenLen = 1, 0, 0, 8, 2
	for i := range int32(4) {
		p.Cues[i] = wire.CueSpec{Output: flash, Offset: 1_100 * i, Width: 1_000}
		p.Cues[4+i] = wire.CueSpec{Output: valve, Offset: 1_100*i - 5_000, Width: 1_000}
	}
	p.Opening = [wire.MaxCues]wire.CueSpec{{Output: shutter, Width: 50_000}, {Output: shutter, Offset: 60_000, Width: 1}}
	return p
}

func randomScript(r *rand.Rand, events int) []byte {
	script := make([]byte, 0, 4*events)
	for range events {
		script = binary.LittleEndian.AppendUint32(script, r.Uint32())
	}
	return script
}

// TestAlways plays random scripts; the world checks the invariants, and this that the scripts reached what matters.
func TestAlways(t *testing.T) {
	r := newRand(t, 11)
	statuses := map[wire.Status]int{}
	reasons := map[wire.Reason]int{}
	for range 150 {
		w := play(t, randomScript(r, 150), wire.Tick(r.Uint32()))
		for _, s := range w.log {
			switch m := s.m.(type) {
			case wire.Shot:
				statuses[m.Status]++
			case wire.Rejected:
				reasons[m.Reason]++
			case wire.Fault:
				reasons[m.Reason]++
			case wire.Refused:
				reasons[m.Reason]++
			}
		}
	}
	t.Logf("shots by status: %v", statuses)
	t.Logf("reasons: %v", reasons)
	for _, status := range []wire.Status{
		wire.Done, wire.Late, wire.Disarmed, wire.Killed, wire.LinkTimeout, wire.Aborted,
	} {
		assert.NotZero(t, statuses[status], status)
	}
	for _, reason := range []wire.Reason{wire.ReasonTooFast, wire.ReasonTooSlow, wire.ReasonNoGate, wire.ReasonNotNth,
		wire.ReasonNotOpened, wire.ReasonBusy, wire.ReasonResting, wire.ReasonLostEdges, wire.ReasonKill, wire.ReasonMaxOn,
		wire.ReasonLinkTimeout, wire.ReasonLate, wire.ReasonBoard, wire.ReasonNotArmed, wire.ReasonArmed} {
		assert.NotZero(t, reasons[reason], reason)
	}
}

// ticksAt are the offsets of board times in the payload of each message.
func ticksAt(t wire.Type) []int {
	switch t {
	case wire.TypePong, wire.TypeEdge, wire.TypeRejected:
		return []int{4}
	case wire.TypeShot:
		return []int{4, 8}
	case wire.TypeCue:
		return []int{5, 9, 13}
	case wire.TypeFault, wire.TypeLost:
		return []int{5}
	case wire.TypeState:
		return []int{6}
	}
	return nil
}

// TestShift: when all times are shifted, across a wrap or not, the same happens, shifted.
func TestShift(t *testing.T) {
	r := newRand(t, 12)
	wrapped := 0
	for range 60 {
		script := randomScript(r, 100)
		want := play(t, script, 0)
		shift := -wire.Tick(r.Uint32N(uint32(want.now))) // the wrap falls into the script
		if r.IntN(3) == 0 {
			shift = wire.Tick(r.Uint32())
		}
		got := play(t, script, shift)
		if got.now < shift {
			wrapped++
		}
		require.Equal(t, want.now+shift, got.now)
		require.Len(t, got.trace, len(want.trace))
		for i := range want.trace {
			a := want.trace[i]
			for _, at := range ticksAt(a.Frame.Type) {
				p := a.Frame.Payload[at:]
				binary.LittleEndian.PutUint32(p, binary.LittleEndian.Uint32(p)+uint32(shift))
			}
			require.Equal(t, a, got.trace[i], "action %d with all shifted by %d", i, shift)
		}
	}
	assert.Greater(t, wrapped, 25)
}

// TestHoursArmed: nothing depends on how long the board has been armed, though the ticks wrap twice.
func TestHoursArmed(t *testing.T) {
	w := armed(t, fixed(), 3)
	w.rise(clockIn)
	w.pass(100_000)
	require.Equal(t, wire.Armed, w.s.Code())
	for range 1 << 14 {
		w.now += tickHz * 6 / 10
		w.send(wire.Ping{})
	}
	require.Greater(t, uint64(1<<14)*tickHz*6/10, uint64(2)<<32)
	w.drain()
	w.rise(clockIn)
	w.pass(60_000)
	assert.Equal(t, wire.Done, one[wire.Shot](w).Status)
	assert.Empty(t, messages[wire.Rejected](w))
}

// TestStaleStamps: at no time since the last edge does its stamp look new again.
func TestStaleStamps(t *testing.T) {
	p := fixed()
	p.HoldOff = wire.MaxDelay
	for _, wait := range []uint64{1 << 29, 1 << 30, 1 << 31, 3 << 30, 1<<32 - 1, 1<<32 + 1<<16, 1<<32 + 1<<28} {
		w := armed(t, p, 2)
		w.rise(clockIn)
		w.pass(100_000)
		for waited := uint64(100_000); waited < wait; {
			d := min(wait-waited, tickHz/2)
			waited += d
			w.now += wire.Tick(d)
			w.send(wire.Ping{})
		}
		w.drain()
		w.rise(clockIn)
		assert.Equal(t, wire.Firing, w.s.Code(), "taken for a bounce %d ticks after the last edge", wait)
	}
}

func FuzzStep(f *testing.F) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 4 {
		f.Add(randomScript(r, 30), uint32(0))
	}
	// Arm with a gate, throw, be disarmed in mid shot.
	f.Add([]byte{16, 0, 1, 1, 0, 9, 2, 0, 0, 0xA9, 3, 0, 14, 0xCF, 0, 0}, uint32(1<<32-20_000))
	f.Fuzz(func(t *testing.T, script []byte, start uint32) {
		if len(script) > 4*200 {
			return
		}
		play(t, script, wire.Tick(start))
	})
}
