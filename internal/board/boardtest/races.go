package boardtest

import (
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/wire"
)

// byteTime is how long a byte takes on the protocol's serial line, of 250000 baud with ten bits to a byte.
const byteTime = 10 * time.Second / 250_000

// Edges are swept from when a request is sent, so from before its frame is there, until this long after that.
const sweepBeyond = 500 * time.Microsecond

// arrival is how long a request takes on a serial line; elsewhere it is there sooner.
func arrival(m wire.Message) time.Duration {
	return time.Duration(len(wire.AppendFrame(nil, m.Frame(0)))) * byteTime
}

// sweepStep is the step of a sweep, coarser on a bed whose sleeps are not exact.
func (h *host) sweepStep() time.Duration {
	if h.bed.Exact() {
		return 10 * time.Microsecond
	}
	return 100 * time.Microsecond
}

// testDisarmRaces breaks the beam at any time around the arrival of a disarm: what the board reports last is what it
// is.
func testDisarmRaces(h *host) {
	h.load(h.single())
	sweepTo := arrival(wire.Disarm{}) + sweepBeyond
	for after := time.Duration(0); after <= sweepTo; after += h.sweepStep() {
		h.mustDo(wire.Arm{Shots: 1})
		h.clear()
		seq := h.send(wire.Disarm{})
		h.bed.Sleep(after)
		h.bed.Set(h.w.Clock, h.w.BrokenHigh)
		awaitMatch(h, func(a wire.Ack) bool { return a.Seq == seq })
		h.assertReported(false, after)
		h.bed.Set(h.w.Clock, !h.w.BrokenHigh)
		h.sleep(poll)
		require.False(h.t, h.t.Failed(), "beam broken %v after the disarm was sent", after)
	}
	h.sleep(2 * delay)
	h.assertAllOff("disarmed")
}

// testArmRaces asks to arm again at any time around the end of the last rest, which an edge makes the board notice: it
// is refused while the board rests, or the board is armed and says so. A request is sent before the end, to be on its
// way on a serial line when the rest ends, and at the end, for a board that has it at once.
func testArmRaces(h *host) {
	p := h.single()
	p.HoldOff, p.Table[0].Delay, p.Rest = 0, 4*h.id.Lead, h.ticks(40*time.Millisecond)
	p.Cues[0].Width = h.ticks(time.Millisecond)
	h.load(p)
	sweepTo := arrival(wire.Arm{}) + sweepBeyond
	var r armRaces
	for _, ahead := range []time.Duration{sweepTo / 2, 0} {
		for after := time.Duration(0); after <= sweepTo; after += h.sweepStep() {
			h.armRace(p, ahead, after, &r)
			require.False(h.t, h.t.Failed(), "asked %v before the end of the rest, beam broken %v after that",
				ahead, after)
		}
	}
	h.t.Logf("armed in %d; edges from %d to %d ticks after the end of the rest", r.armed, r.first, r.last)
	if h.bed.Exact() {
		assert.Negative(h.t, r.first, "edges before the end of the rest")
		assert.Positive(h.t, r.last, "edges after it")
	}
}

// armRaces is what came of the races, and where the edges were, in ticks from the end of the rest.
type armRaces struct {
	armed       int
	first, last int32
}

// armRace has one shot and asks to arm again ahead of the end of its rest; the beam breaks some time after that.
func (h *host) armRace(p wire.Program, ahead, after time.Duration, r *armRaces) {
	h.t.Helper()
	h.mustDo(wire.Arm{Shots: 1})
	h.breakBeam(h.w.Clock)
	shot := h.shot()
	h.state(wire.Resting)
	rested := shot.ClockAt + wire.Tick(shot.Delay+p.Rest)
	if left := rested.Sub(h.byAnEdge()); left > 0 {
		h.sleep(max(0, time.Duration(left)*time.Second/time.Duration(h.id.TickHz)-ahead))
	}
	seq := h.send(wire.Arm{Shots: 1})
	h.bed.Sleep(after)
	edge := h.bed.Set(h.w.Clock, h.w.BrokenHigh).Sub(rested)
	r.first, r.last = min(r.first, edge), max(r.last, edge)
	h.sleep(2 * poll)
	h.bed.Set(h.w.Clock, !h.w.BrokenHigh)
	if h.carriedOut(seq) {
		r.armed++
		h.assertReported(true, after)
	}
	h.mustDo(wire.Disarm{})
	h.clear()
}

// byAnEdge is the board's time, on an exact bed by an edge that the program does not use: no answer takes time there.
func (h *host) byAnEdge() wire.Tick {
	if !h.bed.Exact() {
		return h.now()
	}
	h.bed.Set(h.w.Gate, h.w.BrokenHigh)
	return h.bed.Set(h.w.Gate, !h.w.BrokenHigh)
}

// carriedOut waits for the answer to a request.
func (h *host) carriedOut(seq uint8) bool {
	h.t.Helper()
	for waited := time.Duration(0); waited < timeout; waited += poll {
		for _, m := range h.inbox {
			switch a := m.(type) {
			case wire.Ack:
				if a.Seq == seq {
					return true
				}
			case wire.Refused:
				if a.Seq == seq {
					return false
				}
			}
		}
		h.sleep(poll)
	}
	require.FailNow(h.t, "not answered")
	return false
}

// assertReported checks that the state reported last, and repeated when asked, is the one the board is in: in a run, of
// which the edge may have begun a shot, or safe.
func (h *host) assertReported(running bool, after time.Duration) {
	h.t.Helper()
	h.sleep(3 * poll)
	states := take[wire.State](h)
	if assert.NotEmpty(h.t, states, "a state is reported") {
		assert.Equal(h.t, running, states[len(states)-1].State != wire.Safe, "reported last of %v, %v after the request",
			states, after)
	}
	h.mustDo(wire.Identify{})
	assert.Equal(h.t, running, await[wire.State](h).State != wire.Safe, "repeated, %v after the request", after)
	reason, _ := h.request(wire.Arm{Shots: 1})
	assert.Equal(h.t, running, reason == wire.ReasonArmed, "armed again: %s, %v after the request", reason, after)
	h.mustDo(wire.Disarm{})
}
