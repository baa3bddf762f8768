package avr

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/wire"
)

// widths collects by how many cycles pulses were longer than they should be.
type widths struct {
	n, shorter        int
	shortest, longest int // cycles
}

func (w *widths) add(long int) {
	w.n++
	if long < 0 {
		w.shorter++
	}
	w.shortest, w.longest = min(w.shortest, long), max(w.longest, long)
}

// pulsesOf are the pulses of one output: how long each was on, in cycles.
func (h *host) pulsesOf(name string) (list []int) {
	h.t.Helper()
	moves := h.changes(name)
	require.Zero(h.t, len(moves)%2, "%s: %v", name, moves)
	for i := 0; i < len(moves); i += 2 {
		require.True(h.t, moves[i].On)
		list = append(list, int(moves[i+1].Cycle-moves[i].Cycle))
	}
	return list
}

// A test pulse begins by software, at any cycle of a tick, and is no shorter than it was asked for.
func TestTestPulsesAreNeverShorter(t *testing.T) {
	var alone, storm widths
	for output := range uint8(len(outputNames)) {
		h := start(t)
		for i, width := range []uint32{1, 2, 7, 11, 19, 40, 100, 255, 256, 300, 511, 1000, 4600, 9000} {
			for phase := range uint64(16) {
				into := &alone
				if phase%2 == 1 {
					into = &storm
					h.Storm("gate", h.Now+1, 333+phase, int(10+width/40)&^1)
				}
				h.postAt(wire.Pulse{Output: output, Width: width}, h.Now+1+phase*3+uint64(i))
				h.wait(4*time.Millisecond + time.Duration(width)*500*time.Nanosecond)
				on := h.pulsesOf(outputNames[output])
				require.Len(t, on, 1, "%v", h.heard)
				long := on[0] - int(width)*CyclesPerTick
				into.add(long)
				assert.GreaterOrEqual(t, long, 0, "%s, %d ticks", outputNames[output], width)
				assert.LessOrEqual(t, long, int(Cycles(25*time.Microsecond)), "%s, %d ticks", outputNames[output], width)
				cue := the[wire.Cue](h)
				assert.GreaterOrEqual(t, int(cue.Off-cue.On), int(width))
				h.clear()
			}
		}
	}
	t.Logf("test pulses: %+v cycles; beside a storm: %+v", alone, storm)
}

// Pulses of shots that are asked for at the last moment are begun by software where the program permits it, and are no
// shorter either.
func TestLatePulsesAreNeverShorter(t *testing.T) {
	var w widths
	for _, width := range []uint32{3, 37, 150, 401} {
		h := start(t)
		for delay := 76 * time.Microsecond; delay < 140*time.Microsecond; delay += 1500 * time.Nanosecond {
			p := simple(delay, time.Duration(width)*500*time.Nanosecond, 0, 1, 2, 3, 4, 5)
			h.arm(p, 1)
			h.cross(h.Now + 20_000 + uint64(delay)%977)
			h.wait(10 * time.Millisecond)
			if the[wire.Shot](h).Status == wire.Done {
				for _, name := range outputNames {
					on := h.pulsesOf(name)
					require.Len(t, on, 1)
					w.add(on[0] - int(width)*CyclesPerTick)
					assert.LessOrEqual(t, on[0], max(int(width)*CyclesPerTick+byForce, longestShort))
				}
			}
			h.clear()
		}
	}
	t.Logf("pulses at the last moment: %+v cycles", w)
	assert.Positive(t, w.n)
	assert.Zero(t, w.shorter)
}

// How long a short pulse may be on. Its end waits until the board has recorded its start, for which it needs: the
// interrupt that was under way, the longest of all at worst; the three others that handle edges, which begin no shot
// then; and the compare interrupts of all outputs.
const longestShort = 2600 + 3*edgesAlone + 6*500 // cycles

// edgesAlone is how long an interrupt takes that handles edges, of two inputs if they share it, and begins no shot.
const edgesAlone = 800 // cycles

// byForce is how much longer a pulse may be that software begins and the compare unit ends, in cycles: two ticks.
const byForce = 2 * CyclesPerTick

// byCue is how far what a cue says may be off, in cycles: the pin may move by a match while software is about to move
// it, which takes SETUP_TICKS at most.
const byCue = 10 * CyclesPerTick

// checkWidths checks what the outputs did and returns by how many cycles pulses were longer than they should be.
func (h *host) checkWidths(p wire.Program, into *widths) {
	h.t.Helper()
	if shots := all[wire.Shot](h); len(shots) == 0 || shots[0].Status != wire.Done {
		return
	}
	for _, c := range append(p.Opening[:p.OpenLen], p.Cues[:p.CueLen]...) {
		on := h.pulsesOf(outputNames[c.Output])
		require.Len(h.t, on, 1)
		width := int(c.Width) * CyclesPerTick
		into.add(on[0] - width)
		assert.GreaterOrEqual(h.t, on[0], width)
		assert.LessOrEqual(h.t, on[0], max(width+byForce, longestShort), "%s, %d ticks", outputNames[c.Output], c.Width)
	}
	for _, cue := range all[wire.Cue](h) {
		on := h.pulsesOf(outputNames[cue.Output])[0]
		assert.InDelta(h.t, int(cue.Off-cue.On)*CyclesPerTick, on, byCue, "its cue says how long it was")
	}
}

// Pulses that start and end together are no shorter than they should be, and a short one is not on for longer than its
// bound: six at once, as soon as the board takes them and later, or five while an opening cue starts, beside traffic
// and an edge of each other input.
func TestShortPulsesHaveABound(t *testing.T) {
	var w widths
	h := start(t)
	r := rnd(18)
	const opens = 5 * time.Millisecond // after Go
	for i := range 500 {
		width := time.Duration(between(r, 500*time.Nanosecond, time.Millisecond)) * 500 * time.Nanosecond
		delay := 76*time.Microsecond + time.Duration(r.IntN(700))*time.Microsecond/2
		p := simple(delay, width, 0, 1, 2, 3, 4, 5)
		if i%2 == 0 {
			p = simple(delay, width, 1, 2, 3, 4, 5)
			p.OpenLen = 1
			p.Opening[0] = wire.CueSpec{Output: outShutter, Offset: int32(ticks(opens)), Width: p.Cues[0].Width}
		}
		h.load(p)
		h.do(wire.Arm{Shots: 1})
		edge := h.Now + 20_000 + uint64(r.IntN(977))
		if p.OpenLen > 0 {
			h.do(wire.Go{})
			h.wait(time.Millisecond)
			edge = h.Now + Cycles(3*time.Millisecond) + uint64(r.IntN(16_000))
		}
		h.clear()
		h.cross(edge)
		h.pings(edge+8000, 10*byteCycles+1)
		for _, other := range []string{"gate", "sync", "button"} {
			h.Storm(other, edge+uint64(r.IntN(8000)), 60_000, 2)
		}
		h.wait(40 * time.Millisecond)
		h.checkWidths(p, &w)
		h.do(wire.Disarm{})
		h.clear()
	}
	t.Logf("longer by, in cycles: %+v", w)
	assert.Greater(t, w.n, 1000)
}

// Interrupts that begin no shot keep to what the bound of short pulses counts for them.
func TestEdgesThatBeginNoShot(t *testing.T) {
	h := start(t)
	r := rnd(3)
	for range 60 {
		at := h.Now + 20_000
		for _, input := range []string{"gate", "beam"} {
			h.Storm(input, at+uint64(r.IntN(8000)), 60_000, 2)
		}
		both := at + uint64(r.IntN(8000))
		h.Storm("sync", both, 60_000, 2)
		h.Storm("button", both+uint64(r.IntN(9)), 60_000, 2)
		h.Microphone(4500, at)
		h.Microphone(2500, at+Cycles(500*time.Microsecond))
		h.wait(40 * time.Millisecond)
	}
	worst := uint64(0)
	for _, i := range h.Interrupts() {
		worst = max(worst, i.Longest)
	}
	t.Logf("longest interrupt: %d cycles", worst)
	assert.LessOrEqual(t, worst, uint64(edgesAlone))
	assert.Greater(t, worst, uint64(edgesAlone/2), "edges fell together")
}
