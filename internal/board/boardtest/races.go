package boardtest

import (
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/wire"
)

// sweepTo is how long after a request edges are swept: a frame takes about half of it to arrive at 115200 baud.
const sweepTo = 1500 * time.Microsecond

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
// is refused while the board rests, or the board is armed and says so.
func testArmRaces(h *host) {
	p := h.single()
	p.HoldOff, p.Table[0].Delay, p.Rest = 0, 4*h.id.Lead, h.ticks(40*time.Millisecond)
	p.Cues[0].Width = h.ticks(time.Millisecond)
	h.load(p)
	armed := 0
	for after := time.Duration(0); after <= sweepTo; after += h.sweepStep() {
		h.mustDo(wire.Arm{Shots: 1})
		h.breakBeam(h.w.Clock)
		r := h.shot()
		h.state(wire.Resting)
		left := (r.ClockAt + wire.Tick(r.Delay+p.Rest)).Sub(h.now())
		if left > 0 {
			h.sleep(max(0, time.Duration(left)*time.Second/time.Duration(h.id.TickHz)-sweepTo/2))
		}
		seq := h.send(wire.Arm{Shots: 1})
		h.bed.Sleep(after)
		h.bed.Set(h.w.Clock, h.w.BrokenHigh)
		h.sleep(2 * poll)
		h.bed.Set(h.w.Clock, !h.w.BrokenHigh)
		if h.carriedOut(seq) {
			armed++
			h.assertReported(true, after)
		}
		h.mustDo(wire.Disarm{})
		h.clear()
		require.False(h.t, h.t.Failed(), "beam broken %v after the request to arm was sent", after)
	}
	h.t.Logf("armed in %d", armed)
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
