package avr

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/wire"
)

// simple fires some outputs at once after the beam.
func simple(delay, width time.Duration, outputs ...uint8) wire.Program {
	p := wire.Program{Clock: wire.Source{Input: inBeam, Falling: true}, Nth: 1, Gate: wire.Source{Input: wire.NoInput},
		HoldOff: ticks(time.Millisecond), Late: ticks(100 * time.Microsecond), TableLen: 1, CueLen: uint8(len(outputs))}
	p.Table[0].Delay = ticks(delay)
	for i, output := range outputs {
		p.Cues[i] = wire.CueSpec{Output: output, Width: ticks(width)}
	}
	return p
}

// cross breaks the beam at a cycle.
func (h *host) cross(at uint64) {
	h.Pin("beam", false, at)
	h.Pin("beam", true, at+Cycles(300*time.Microsecond))
}

// lit arms, crosses the beam and waits until the output is on, in the middle of a long pulse.
func (h *host) lit(output uint8) {
	h.t.Helper()
	h.arm(simple(5*time.Millisecond, 300*time.Millisecond, output), 1)
	h.cross(h.Now + 1000)
	h.pings(h.Now+Cycles(20*time.Millisecond), Cycles(5*time.Millisecond))
	h.wait(20 * time.Millisecond)
	require.Len(h.t, h.Changes, 1)
	require.True(h.t, h.Changes[0].On)
	h.clear()
}

// Whatever a program or its bookkeeping says, no output is on for longer than its limit.
func TestGuardCutsValve(t *testing.T) {
	h := start(t)
	h.arm(simple(5*time.Millisecond, 500*time.Millisecond, outValve1), 1)
	h.cross(h.Now + 1000)
	h.wait(10 * time.Millisecond)
	require.Len(t, h.Changes, 1)
	on := h.Changes[0].Cycle
	// The channel's own idea of its end is spoiled: 0x7F in the highest byte of its time.
	const sizeOfChannel, offsetOfAt = 15, 3
	h.Poke(symbol(t, "channels")+sizeOfChannel*outValve1+offsetOfAt+3, 0x7F, h.Now+1)
	h.pings(h.Now+Cycles(600*time.Millisecond), Cycles(100*time.Millisecond))
	h.wait(600 * time.Millisecond)
	require.Len(t, h.Changes, 2)
	long := h.Changes[1].Cycle - on
	t.Logf("asked for 500 ms, its end lost: on for %.3f ms", float64(long)/16000)
	assert.GreaterOrEqual(t, long, Cycles(500*time.Millisecond))
	assert.LessOrEqual(t, long, Cycles(502*time.Millisecond))
	f := the[wire.Fault](h)
	assert.Equal(t, wire.ReasonMaxOn, f.Reason)
	assert.EqualValues(t, outValve1, f.Detail)
	assert.Equal(t, wire.Aborted, the[wire.Shot](h).Status)
	last := all[wire.State](h)
	assert.Equal(t, wire.Faulted, last[len(last)-1].State)
}

// A pulse as long as the limit is none that the guard cuts.
func TestLongestPulseIsNoFault(t *testing.T) {
	h := start(t)
	limits := map[uint8]time.Duration{outValve1: 500 * time.Millisecond, outFlash1: 100 * time.Millisecond,
		outFlash2: 100 * time.Millisecond, outValve2: 500 * time.Millisecond}
	for output, limit := range limits {
		h.arm(simple(time.Millisecond, limit, output), 1)
		h.cross(h.Now + 1000)
		h.pings(h.Now+Cycles(600*time.Millisecond), Cycles(100*time.Millisecond))
		h.wait(600 * time.Millisecond)
		require.Len(t, h.Changes, 2)
		assert.Equal(t, Cycles(limit), h.Changes[1].Cycle-h.Changes[0].Cycle)
		assert.Equal(t, wire.Done, the[wire.Shot](h).Status)
		h.clear()
	}
}

// A firmware that hangs in the middle of a shot, interrupts off, is reset by the watchdog, and comes up safe.
func TestWatchdog(t *testing.T) {
	for _, output := range []uint8{outShutter, outValve2} {
		h := start(t)
		h.lit(output)
		hung := h.Now + 1
		h.Hang(hung)
		h.wait(250 * time.Millisecond)
		require.Len(t, h.Notes, 1, "one reset")
		require.Len(t, h.Changes, 1)
		assert.False(t, h.Changes[0].On)
		off := h.Changes[0].Cycle - hung
		t.Logf("%s off %.1f ms after the firmware hung", outputNames[output], float64(off)/16000)
		assert.LessOrEqual(t, off, Cycles(80*time.Millisecond))
		assert.Equal(t, wire.ResetWatchdog, the[wire.Identity](h).Reset)
		assert.Equal(t, wire.Safe, the[wire.State](h).State)
	}
}

// The heartbeat beats 50 times a second, and stops with the main loop.
func TestHeartbeat(t *testing.T) {
	h := start(t)
	h.Heartbeat()
	h.pings(h.Now+Cycles(time.Second), Cycles(time.Millisecond))
	h.wait(time.Second)
	beats := h.changes("heartbeat")
	assert.InDelta(t, 100, len(beats), 6)
	for i := range beats[1:] {
		half := beats[i+1].Cycle - beats[i].Cycle
		assert.InDelta(t, Cycles(10*time.Millisecond), half, float64(Cycles(1500*time.Microsecond)))
		assert.NotEqual(t, beats[i].On, beats[i+1].On)
	}
	h.clear()
	h.Hang(h.Now + 1)
	h.wait(50 * time.Millisecond) // before the watchdog
	assert.Empty(t, h.changes("heartbeat"))
}

// A host that falls silent: safe within a second and SafeWithin of its last byte.
func TestSilence(t *testing.T) {
	h := start(t)
	h.arm(simple(5*time.Millisecond, 5*time.Second, outShutter, outFocus), 1)
	h.cross(h.Now + 1000)
	h.post(wire.Ping{})
	last := h.Now + 10*640
	h.wait(1100 * time.Millisecond)
	require.Len(t, h.Changes, 4)
	for _, c := range h.Changes[2:] {
		assert.False(t, c.On)
		silent := float64(c.Cycle-last) / 16000
		t.Logf("%s off %.2f ms after the last byte", c.Name, silent)
		assert.Greater(t, silent, 1000.0)
		assert.Less(t, silent, 1002.0)
	}
	assert.Equal(t, wire.ReasonLinkTimeout, the[wire.Fault](h).Reason)
	assert.Equal(t, wire.LinkTimeout, the[wire.Shot](h).Status)
}

// killLimit is how long after the kill input an output may still be on, in cycles: three ways, each within the budget
// of a compare interrupt. What is under way gets to its next look at the input; then the gate's interrupt, the only one
// that goes before, gets to its own; then the kill input's interrupt to the pins.
const killLimit = 3 * 500

// kill stops the board at a cycle, and is how long after that the last output was on or went on.
func (h *host) kill(at uint64) uint64 {
	h.t.Helper()
	h.Pin("kill", true, at)
	h.wait(20 * time.Millisecond)
	assert.Equal(h.t, wire.ReasonKill, the[wire.Fault](h).Reason)
	on, last := map[string]bool{}, at
	for _, c := range h.Changes {
		on[c.Name] = c.On
		last = max(last, c.Cycle)
	}
	for name := range on {
		assert.False(h.t, on[name], "%s stays on", name)
	}
	h.Pin("kill", false, h.Now+1)
	h.wait(time.Millisecond)
	h.do(wire.Disarm{})
	h.clear()
	return last - at
}

// sweep collects how long after the kill input outputs were off.
type sweep struct {
	n     int
	worst uint64 // cycles
}

func (s *sweep) add(took uint64) {
	s.n++
	s.worst = max(s.worst, took)
}

func (s *sweep) assert(t *testing.T, name string) {
	t.Helper()
	t.Logf("%s: outputs off at most %d cycles (%.1f us) after the kill input, %d times", name, s.worst,
		float64(s.worst)/16, s.n)
	assert.NotZero(t, s.worst, "no output was on")
	assert.LessOrEqual(t, s.worst, uint64(killLimit), name)
}

// At any phase of whatever else the processor does, beside a storm.
func TestKillBesideAStorm(t *testing.T) {
	var s sweep
	for i := range uint64(12) {
		h := start(t)
		h.lit([]uint8{outShutter, outFocus, outFlash1, outFlash2, outValve1, outValve2}[i%2])
		h.pings(h.Now+Cycles(3*time.Millisecond), 11*640)
		h.Storm("gate", h.Now+1, 333, 140)
		s.add(h.kill(h.Now + Cycles(time.Millisecond) + i*1237))
	}
	s.assert(t, "beside a storm")
}

// Beside the longest interrupt: up to 162 us after an edge that has a shot of up to six pulses accepted, as soon as the
// board takes it, or later; with traffic and an edge of each other input at about that time, or a storm.
func TestKillBesideAnEdge(t *testing.T) {
	behindShutter := simple(50*time.Millisecond, time.Millisecond, outFocus, outFlash1, outFlash2, outValve1, outValve2)
	behindShutter.OpenLen = 1
	behindShutter.Opening[0] = wire.CueSpec{Output: outShutter, Width: ticks(400 * time.Millisecond)}
	programs := map[string]wire.Program{"five pulses while the shutter is open": behindShutter}
	for _, delay := range []time.Duration{76, 100, 150} {
		p := simple(delay*time.Microsecond, 5*time.Millisecond, 0, 1, 2, 3, 4, 5)
		programs[fmt.Sprintf("six pulses after %d us", delay)] = p
	}
	for name, p := range programs {
		h := start(t)
		h.load(p)
		r := rnd(99)
		var s sweep
		for i := range 300 {
			h.do(wire.Arm{Shots: 1})
			if p.OpenLen > 0 {
				h.do(wire.Go{})
			}
			h.wait(2 * time.Millisecond)
			edge := h.Now + Cycles(time.Millisecond) + uint64(r.IntN(2000))
			h.cross(edge)
			h.pings(edge+Cycles(time.Millisecond), 11*640)
			for _, input := range []string{"gate", "sync", "button"} {
				if i%2 == 0 {
					h.Storm(input, edge-1600+uint64(r.IntN(4200)), 60_000, 2)
				} else {
					h.Storm(input, edge-8000+uint64(r.IntN(300)), 333+uint64(r.IntN(400)), 70)
				}
			}
			h.heard = nil
			s.add(h.kill(edge + uint64(r.IntN(2600))))
		}
		s.assert(t, name)
	}
}

// While the main loop plans what begins at Go.
func TestKillBesideGo(t *testing.T) {
	p := simple(0, 5*time.Millisecond, 0, 1, 2, 3, 4, 5)
	p.Clock = wire.Source{Input: wire.NoInput}
	h := start(t)
	h.load(p)
	r := rnd(99)
	var s sweep
	for range 300 {
		h.do(wire.Arm{Shots: 1})
		h.wait(2 * time.Millisecond)
		h.heard = nil
		last := h.Now + 1000 + 5*byteCycles // of the bytes of Go
		h.postAt(wire.Go{}, h.Now+1000)
		for _, input := range []string{"gate", "sync", "button"} {
			h.Storm(input, last+uint64(r.IntN(9000)), 60_000, 2)
		}
		s.add(h.kill(last + uint64(r.IntN(9000))))
	}
	s.assert(t, "six pulses at Go")
}

// Half a load, then silence, then arm: there is no program. The rest of it alone does not make one either.
func TestHalfLoad(t *testing.T) {
	h := start(t)
	p := simple(time.Millisecond, time.Millisecond, outFlash1)
	encoded := wire.AppendProgram(nil, &p)
	h.load(p)
	part := wire.LoadPart{N: 20}
	copy(part.Data[:], encoded)
	h.do(part)
	h.clear()
	h.post(wire.Arm{Shots: 1})
	h.wait(5 * time.Millisecond)
	assert.Equal(t, wire.ReasonNoProgram, the[wire.Refused](h).Reason)
	h.clear()
	frame := wire.AppendFrame(nil, wire.LoadPart{Offset: 20, N: 20}.Frame(9))
	h.Send(frame[:len(frame)/2], h.Now)
	h.wait(3 * time.Second) // the line is cut in the middle of a frame
	h.clear()
	h.Send([]byte{0}, h.Now)
	h.post(wire.Commit{Length: uint16(len(encoded)), CRC: wire.CRC(encoded) ^ 1})
	h.wait(5 * time.Millisecond)
	assert.Equal(t, wire.ReasonBadCRC, the[wire.Refused](h).Reason)
	h.arm(p, 1)
	h.cross(h.Now + 1000)
	h.wait(10 * time.Millisecond)
	assert.Equal(t, wire.Done, the[wire.Shot](h).Status)
}

// Garbage and cut frames at full rate, for as long as a link may be silent: no answer, no effect on a shot under way.
func TestGarbage(t *testing.T) {
	h := start(t)
	r := rnd(7)
	h.arm(simple(100*time.Millisecond, time.Millisecond, outFlash1, outShutter), 1)
	edge := h.Now + 1000
	h.cross(edge)
	ping := wire.AppendFrame(nil, wire.Ping{Token: 1}.Frame(1))
	for at := h.Now; at < edge+Cycles(1200*time.Millisecond); {
		p := make([]byte, 1+r.IntN(120))
		for i := range p {
			p[i] = byte(r.IntN(256))
		}
		if r.IntN(3) == 0 {
			p = append(p, ping[:1+r.IntN(len(ping)-1)]...)
		}
		h.Send(p, at)
		at += uint64(len(p)) * 640
	}
	h.wait(1300 * time.Millisecond)
	for _, name := range []string{"flash1", "shutter"} {
		moves := h.changes(name)
		require.Len(t, moves, 2)
		assert.InDelta(t, edge+Cycles(100*time.Millisecond), moves[0].Cycle, 8)
	}
	assert.Empty(t, all[wire.Refused](h))
	assert.Empty(t, all[wire.Ack](h))
	assert.Empty(t, all[wire.Pong](h))
	assert.Equal(t, wire.Done, the[wire.Shot](h).Status)
	h.wait(100 * time.Millisecond)
	h.post(wire.Ping{Token: 77})
	h.Send([]byte{0}, h.Now)
	h.post(wire.Ping{Token: 78})
	h.wait(5 * time.Millisecond)
	pongs := all[wire.Pong](h)
	require.NotEmpty(t, pongs)
	assert.EqualValues(t, 78, pongs[len(pongs)-1].Token)
}

// A valve's opening cues run by compare units too, and a shot may be accepted meanwhile.
func TestOpeningIsExact(t *testing.T) {
	h := start(t)
	p := simple(30*time.Millisecond, time.Millisecond, outFlash1, outFlash2)
	p.OpenLen = 4
	for i := range 2 {
		gap := int32(ticks(25 * time.Millisecond))
		p.Opening[2*i] = wire.CueSpec{Output: uint8(outValve1 + i), Offset: int32(i), Width: ticks(3 * time.Millisecond)}
		second := ticks(4*time.Millisecond) + uint32(i)
		p.Opening[2*i+1] = wire.CueSpec{Output: uint8(outValve1 + i), Offset: gap, Width: second}
	}
	h.arm(p, 1)
	h.do(wire.Go{})
	h.cross(h.Now + Cycles(10*time.Millisecond))
	h.pings(h.Now+Cycles(60*time.Millisecond), Cycles(time.Millisecond))
	h.wait(80 * time.Millisecond)
	shot := the[wire.Shot](h)
	require.Equal(t, wire.Done, shot.Status)
	cues := all[wire.Cue](h)
	require.Len(t, cues, 6)
	for _, c := range cues {
		assert.Equal(t, c.Planned, c.On, "%+v", c)
		want := p.Cues[c.Index].Width
		if c.Opening {
			want = p.Opening[c.Index].Width
		}
		assert.EqualValues(t, want, c.Off-c.On, "%+v", c)
		assert.Contains(t, h.Changes, Change{h.Started + uint64(c.On)*CyclesPerTick, outputNames[c.Output], true})
		assert.Contains(t, h.Changes, Change{h.Started + uint64(c.Off)*CyclesPerTick, outputNames[c.Output], false})
	}
}

// At the least lead the board takes, what it accepts is exact; what it cannot do it refuses as late.
func TestLead(t *testing.T) {
	for _, outputs := range [][]uint8{{outFlash1}, {outShutter, outFlash1, outFlash2}, {outShutter, outFocus, outFlash1,
		outFlash2, outValve1, outValve2}} {
		h := start(t)
		accepted := 0
		for delay := 40 * time.Microsecond; delay < 130*time.Microsecond; delay += 1500 * time.Nanosecond {
			p := simple(delay, 2*time.Millisecond, outputs...)
			p.Late = 0
			h.arm(p, 1)
			edge := h.Now + 20_000 + uint64(delay)%977
			h.cross(edge)
			h.wait(14 * time.Millisecond)
			shot := the[wire.Shot](h)
			if shot.Status == wire.Late {
				h.clear()
				continue
			}
			accepted++
			require.Len(t, h.Changes, 2*len(outputs))
			for _, c := range h.Changes[:len(outputs)] {
				assert.LessOrEqual(t, c.Cycle, edge+uint64(p.Table[0].Delay)*CyclesPerTick)
			}
			h.clear()
		}
		t.Logf("%d outputs: %d of 60 delays from 40 us on accepted, all exact", len(outputs), accepted)
		assert.Positive(t, accepted)
	}
}
