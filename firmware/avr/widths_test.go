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
				}
			}
			h.clear()
		}
	}
	t.Logf("pulses at the last moment: %+v cycles", w)
	assert.Positive(t, w.n)
	assert.Zero(t, w.shorter)
}
