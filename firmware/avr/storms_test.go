package avr

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"stillwater/internal/wire"
)

// byteCycles is how long a byte takes on the line.
const byteCycles = 640

// A disarm is understood at its first frame, whatever three inputs do meanwhile: the longest way between two looks at
// the receiver is shorter than the two bytes that it holds. Outputs are off soon, too.
func TestDisarmInStorms(t *testing.T) {
	const trials = 300
	lost, overruns, off := 0, 0, uint64(0)
	h := start(t)
	r := rnd(18)
	p := simple(50*time.Millisecond, time.Millisecond, outFocus, outFlash1, outFlash2, outValve1, outValve2)
	p.OpenLen, p.Opening[0] = 1, wire.CueSpec{Output: outShutter, Width: ticks(time.Second)}
	h.load(p)
	inputs := []string{"gate", "beam", "sync", "button"}
	for i := range trials {
		h.do(wire.Arm{Shots: 1})
		h.do(wire.Go{})
		h.wait(2 * time.Millisecond)
		h.clear()
		for _, k := range r.Perm(len(inputs))[:3] {
			period := 16 + uint64(r.IntN(3000)) // from 1 us on
			h.Storm(inputs[k], h.Now+1+uint64(r.IntN(300)), period, int(Cycles(8*time.Millisecond)/period)&^1)
		}
		at := h.Now + Cycles(2*time.Millisecond) + uint64(r.IntN(30_000))
		seq := h.postAt(wire.Disarm{}, at)
		h.wait(60 * time.Millisecond)
		answered := false
		for _, a := range all[wire.Ack](h) {
			answered = answered || a.Seq == seq
		}
		overruns += len(h.Notes)
		if !answered {
			lost++
			t.Logf("trial %d: lost", i)
			h.do(wire.Disarm{})
		} else if assert.Len(t, h.Changes, 1) {
			off = max(off, h.Changes[0].Cycle-at-6*byteCycles)
		}
		h.wait(60 * time.Millisecond)
		h.clear()
	}
	t.Logf("first disarm frames lost: %d of %d; bytes lost: %d; outputs off %.0f us after the last byte at most",
		lost, trials, overruns, float64(off)/16)
	assert.Zero(t, lost)
	assert.Zero(t, overruns)
	assert.Less(t, off, Cycles(2*time.Millisecond), "what the board announces")
}

// A beam that chatters as it breaks: the capture unit keeps the last edge before its interrupt runs.
func TestChatterStamps(t *testing.T) {
	h := start(t)
	r := rnd(5)
	h.load(simple(5*time.Millisecond, time.Millisecond, outFlash1))
	late := map[int]int{}
	worst := int32(0)
	for i := range 200 {
		h.do(wire.Arm{Shots: 1})
		h.wait(time.Millisecond)
		h.clear()
		at := h.Now + 20_000 + uint64(r.IntN(4000))
		h.Storm("beam", at, 16+uint64(r.IntN(17)), 1+2*(1+r.IntN(30))) // 1 to 2 us, ends broken
		h.Storm("gate", at-800+uint64(r.IntN(1600)), 60_000, 2)
		if i%2 == 0 {
			h.Storm("sync", at-800+uint64(r.IntN(1600)), 60_000, 2)
		}
		h.pings(at+8000, 10*byteCycles+1)
		h.wait(10 * time.Millisecond)
		h.Pin("beam", true, h.Now+1)
		h.wait(60 * time.Millisecond)
		shot := the[wire.Shot](h)
		off := shot.ClockAt.Sub(h.Tick(at))
		late[int(off)/20*10]++
		worst = max(worst, off)
		assert.GreaterOrEqual(t, off, int32(0))
		h.clear()
	}
	t.Logf("stamps, us late: %s; at most %.1f us", histogram(late), float64(worst)/2)
	assert.LessOrEqual(t, worst, int32(ticks(80*time.Microsecond)))
}
