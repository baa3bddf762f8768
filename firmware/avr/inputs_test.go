package avr

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/wire"
)

// gated is a throw through two beams, with a table of points and a kink.
func gated() wire.Program {
	p := simple(0, 2*time.Millisecond, outFlash1, outFlash2)
	p.Gate = wire.Source{Input: inGate, Falling: true}
	p.GateMin, p.GateMax = ticks(5*time.Millisecond), ticks(60*time.Millisecond)
	p.TableLen = wire.MaxTable
	for i := range uint32(wire.MaxTable) {
		delay := ticks(20*time.Millisecond) + i*3331
		if i > 20 {
			delay = ticks(90*time.Millisecond) - i*1717
		}
		p.Table[i] = wire.Point{Interval: p.GateMin + (p.GateMax-p.GateMin)*i/(wire.MaxTable-1), Delay: delay}
	}
	return p
}

// A throw through the gate: the delay is that of the interval between the stamps, to the tick; the gate's stamp, which
// software takes, is late by what other interrupts hold it up.
func TestGatedTrials(t *testing.T) {
	h := start(t)
	const seed = 21
	r := rnd(seed)
	p := gated()
	stamps := map[int]int{}
	for i := range 100 {
		h.arm(p, 1)
		gate := h.Now + 20_000 + uint64(r.IntN(20_000))
		clock := gate + Cycles(5100*time.Microsecond) + uint64(r.IntN(int(Cycles(54*time.Millisecond))))
		h.Pin("gate", false, gate)
		h.Pin("gate", true, gate+Cycles(time.Millisecond))
		h.cross(clock)
		end := clock + Cycles(100*time.Millisecond)
		h.pings(end, Cycles(1030*time.Microsecond))
		h.until(end + Cycles(3*time.Millisecond))
		shot := the[wire.Shot](h)
		require.Equal(t, wire.Done, shot.Status, "trial %d of seed %d", i, seed)
		assert.Equal(t, h.Tick(clock), shot.ClockAt, "the capture unit's stamp is exact")
		assert.Equal(t, delayFor(&p, uint32(shot.ClockAt-shot.GateAt)), shot.Delay)
		late := int(shot.GateAt.Sub(h.Tick(gate)))
		stamps[late]++
		assert.LessOrEqual(t, max(late, -late), int(ticks(50*time.Microsecond)))
		for _, name := range []string{"flash1", "flash2"} {
			moves := h.changes(name)
			require.Len(t, moves, 2)
			assert.Equal(t, h.Started+uint64(shot.ClockAt+wire.Tick(shot.Delay))*CyclesPerTick, moves[0].Cycle)
		}
		h.clear()
	}
	t.Logf("gate stamp, ticks late: %s", histogram(stamps))
}

// When software stamps an edge and nothing else goes on, the stamp is right to a tick: the way to it is taken off.
func TestSoftwareStamps(t *testing.T) {
	for _, input := range []string{"gate", "sync", "button", "kill"} {
		h := start(t)
		r := rnd(4)
		late := map[int]int{}
		for range 60 {
			at := h.Now + Cycles(60*time.Millisecond) + uint64(r.IntN(20_000))
			h.Pin(input, input == "kill", at)
			h.until(at + Cycles(70*time.Millisecond))
			edges := all[wire.Edge](h)
			require.NotEmpty(t, edges)
			late[int(edges[0].At.Sub(h.Tick(at)))]++
			h.Pin(input, input != "kill", h.Now+1)
			h.wait(60 * time.Millisecond)
			h.clear()
		}
		t.Logf("%s: stamp, ticks late: %s", input, histogram(late))
		most := 0
		for l, n := range late {
			if l >= -1 && l <= 1 {
				most += n
			}
			assert.LessOrEqual(t, max(l, -l), int(ticks(40*time.Microsecond)), input)
		}
		assert.Greater(t, most, 35, "%s: most stamps are right to a tick: %v", input, late)
	}
}

// A gated shot whose delay is short: the table is read between any two things that the main loop does.
func TestGatedLead(t *testing.T) {
	h := start(t)
	late := 0
	for d := 300 * time.Microsecond; d < 1300*time.Microsecond; d += 13 * time.Microsecond {
		p := gated()
		for i := range p.TableLen {
			p.Table[i].Delay = ticks(d) + uint32(i%2)
		}
		h.arm(p, 1)
		at := h.Now + 10_000 + uint64(d)%999
		h.Pin("gate", false, at)
		h.Pin("gate", true, at+Cycles(time.Millisecond))
		h.cross(at + Cycles(50*time.Millisecond))
		h.pings(at+Cycles(70*time.Millisecond), Cycles(time.Millisecond)+uint64(d)%1500)
		h.wait(80 * time.Millisecond)
		if shot := the[wire.Shot](h); shot.Status != wire.Done {
			late++
			assert.Less(t, d, 500*time.Microsecond, "late: %s", shot.Status)
		}
		h.clear()
	}
	t.Logf("%d of 77 delays from 300 us on were late", late)
}

// longestMask is how long an input may stay masked after an edge, in ticks.
const longestMask = 312

// The tick is right around the overflow of timer 1, when the interrupt that counts it is held up by others.
func TestOverflow(t *testing.T) {
	h := start(t)
	const whole = 65536 * CyclesPerTick
	for i := range uint64(60) {
		h.arm(simple(110*time.Microsecond, time.Millisecond, outFlash1, outFlash2), 1)
		overflow := h.Started + (((h.Now+40_000)-h.Started)/whole+1)*whole
		edge := overflow - 320 + 21*i
		h.Pin("gate", false, edge-uint64(i%5)*60)
		h.Pin("gate", true, edge+Cycles(5*time.Millisecond))
		h.cross(edge)
		h.until(edge + Cycles(20*time.Millisecond))
		shot := the[wire.Shot](h)
		require.Equal(t, wire.Done, shot.Status)
		require.Equal(t, h.Tick(edge), shot.ClockAt, "%d cycles from the overflow", int64(edge)-int64(overflow))
		require.Len(t, h.changes("flash1"), 2)
		h.wait(60 * time.Millisecond)
		h.clear()
	}
}

// Edges at nearly the same time are taken in the order of their stamps, whichever interrupt comes first.
func TestOrder(t *testing.T) {
	h := start(t)
	p := gated()
	p.HoldOff = ticks(time.Millisecond)
	for gap := range uint64(12) {
		h.arm(p, 1)
		at := h.Now + 10_000
		h.Pin("beam", false, at) // no gate before it
		h.Pin("gate", false, at+gap)
		h.Pin("beam", true, at+Cycles(2*time.Millisecond))
		h.Pin("gate", true, at+Cycles(2*time.Millisecond))
		h.cross(at + Cycles(20*time.Millisecond))
		h.wait(150 * time.Millisecond)
		assert.Equal(t, wire.ReasonNoGate, all[wire.Rejected](h)[0].Reason)
		shots := all[wire.Shot](h)
		require.Len(t, shots, 1, "the gate edge %d cycles after the clock edge belongs to the next", gap)
		assert.LessOrEqual(t, shots[0].GateAt.Sub(h.Tick(at+gap)), int32(ticks(40*time.Microsecond)))
		h.clear()
	}
}

// Edges that were lost are no bounce when the program has no hold-off: the count begins again.
func TestLostEdgesBeginAgain(t *testing.T) {
	h := start(t)
	p := simple(time.Millisecond, time.Millisecond, outFlash1)
	p.Clock = wire.Source{Input: inSync, Falling: true}
	p.HoldOff, p.Nth = 0, 4
	h.arm(p, 1)
	edge := func() {
		h.Pin("sync", false, h.Now+100)
		h.Pin("sync", true, h.Now+100+Cycles(time.Millisecond))
		h.wait(60 * time.Millisecond)
	}
	edge()
	edge()
	h.Storm("sync", h.Now+100, 300, 20) // 10 pulses in 0.4 ms: more than it can count
	h.wait(60 * time.Millisecond)
	reasons := map[wire.Reason]bool{}
	for _, r := range all[wire.Rejected](h) {
		reasons[r.Reason] = true
	}
	assert.True(t, reasons[wire.ReasonLostEdges] || len(all[wire.Lost](h)) > 0, "it is told: %v", h.heard)
	assert.Empty(t, all[wire.Shot](h), "two edges and a storm that was not seen are not four")
	h.clear()
	for range 4 {
		edge()
	}
	assert.Len(t, all[wire.Shot](h), 1, "four edges are: %+v", h.heard)
}

// A pulse shorter than an interrupt takes is two edges all the same, on the beams and on the kill input.
func TestShortPulse(t *testing.T) {
	for _, input := range []string{"gate", "beam"} {
		for _, width := range []time.Duration{time.Microsecond, 3 * time.Microsecond, 30 * time.Microsecond} {
			h := start(t)
			at := h.Now + 100
			h.Pin(input, false, at)
			h.Pin(input, true, at+Cycles(width))
			h.wait(120 * time.Millisecond)
			n := 0
			edges := all[wire.Edge](h)
			for _, e := range edges {
				n += int(e.Count)
			}
			assert.Equal(t, 2, n, "%s %v", input, width)
			last := edges[len(edges)-1]
			assert.True(t, last.High)
			late := last.At.Sub(h.Tick(at + Cycles(width)))
			assert.LessOrEqual(t, late, int32(longestMask), "%s %v: the end is stamped late", input, width)
			if input == "beam" {
				assert.LessOrEqual(t, late, int32(ticks(20*time.Microsecond)), "%s %v", input, width)
			}
		}
	}
	h := start(t)
	h.lit(outShutter)
	h.Pin("kill", true, h.Now+100)
	h.Pin("kill", false, h.Now+100+Cycles(2*time.Microsecond))
	h.wait(20 * time.Millisecond)
	assert.Equal(t, wire.ReasonKill, the[wire.Fault](h).Reason, "a kill switch that bounces is a stop")
	assert.Len(t, h.Changes, 1)
}

// What edges there were in a storm is not known, and that is said.
func TestStormIsReported(t *testing.T) {
	h := start(t)
	h.Storm("gate", h.Now+10, 166, 20_000) // 48 kHz, 0.2 s
	h.wait(300 * time.Millisecond)
	assert.NotEmpty(t, all[wire.Lost](h))
	n := len(all[wire.Edge](h)) + len(all[wire.Lost](h))
	assert.LessOrEqual(t, n, 2*8, "20 a second of each at most")
	h.clear()
	h.post(wire.Ping{Token: 5})
	h.wait(5 * time.Millisecond)
	assert.EqualValues(t, 5, the[wire.Pong](h).Token)
}

// The microphone hears what is louder than the threshold, once for each sound, and its level is streamed.
func TestMicrophone(t *testing.T) {
	h := start(t)
	h.Microphone(1700, h.Now+1) // wherever it rests
	h.wait(200 * time.Millisecond)
	h.clear()
	h.Microphone(2500, h.Now+1) // a drift, if a fast one
	h.wait(200 * time.Millisecond)
	levels := all[wire.Level](h)
	require.GreaterOrEqual(t, len(levels), 3)
	assert.Less(t, levels[len(levels)-1].Value, uint16(4), "silence")
	h.do(wire.SetLevel{Input: inMicrophone, Threshold: 60})
	h.clear()

	p := simple(5*time.Millisecond, time.Millisecond, outFlash1)
	p.Clock = wire.Source{Input: inMicrophone}
	p.HoldOff = ticks(50 * time.Millisecond)
	h.arm(p, 1)
	bang := h.Now + 12_345
	for i := range uint64(40) { // 2 kHz, dying away: 200 counts at first
		swing := 1000 * math.Exp(-float64(i)/10)
		if i%2 == 1 {
			swing = -swing
		}
		h.Microphone(2500+int(swing), bang+i*4000)
	}
	h.pings(h.Now+Cycles(200*time.Millisecond), Cycles(50*time.Millisecond))
	h.wait(200 * time.Millisecond)
	shot := the[wire.Shot](h)
	require.Equal(t, wire.Done, shot.Status)
	late := shot.ClockAt.Sub(h.Tick(bang))
	t.Logf("sound stamped %+.1f us from its beginning", float64(late)/2)
	assert.LessOrEqual(t, max(late, -late), int32(ticks(110*time.Microsecond)))
	on := h.changes("flash1")
	require.Len(t, on, 2)
	assert.Equal(t, h.Started+uint64(shot.ClockAt+wire.Tick(shot.Delay))*CyclesPerTick, on[0].Cycle)
	loudest := uint16(0)
	for _, l := range all[wire.Level](h) {
		loudest = max(loudest, l.Value)
	}
	assert.InDelta(t, 204, loudest, 12, "1 V of 5 V is 204.8 of 1024")
	edges := 0
	for _, e := range all[wire.Edge](h) {
		edges += int(e.Count)
	}
	assert.Equal(t, 2, edges, "one sound: on and off")

	h.clear()
	h.post(wire.SetLevel{Input: inGate, Threshold: 1})
	h.post(wire.SetLevel{Input: 6, Threshold: 1})
	h.wait(5 * time.Millisecond)
	refused := all[wire.Refused](h)
	require.Len(t, refused, 2)
	assert.Equal(t, wire.ReasonUnsupported, refused[0].Reason)
	assert.Equal(t, wire.ReasonNoSuchPin, refused[1].Reason)
}

// Edges that are far enough apart are all counted, at whatever phase of the housekeeping they come.
func TestEveryEdgeIsCounted(t *testing.T) {
	const edges = 2000
	for _, input := range []string{"gate", "beam", "sync", "button"} {
		h := start(t)
		h.Storm(input, h.Now+10, 5003, edges) // 0.3 ms, in no step with the samples
		h.pings(h.Now+edges*5003, Cycles(3*time.Millisecond))
		h.until(h.Now + edges*5003 + Cycles(120*time.Millisecond))
		n, lost := 0, 0
		for _, e := range all[wire.Edge](h) {
			n += int(e.Count)
		}
		for _, l := range all[wire.Lost](h) {
			lost += int(l.Count)
		}
		assert.Equal(t, edges, n, input)
		assert.Zero(t, lost, input)
	}
}
