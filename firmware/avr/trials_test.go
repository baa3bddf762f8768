package avr

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/wire"
)

// trial is one shot with random times.
type trial struct {
	program wire.Program
	edge    uint64 // cycle of the clock edge
	end     uint64
}

// How long a random pulse may be: a shorter one may come out longer when three outputs change at once.
const shortest, longest = 150 * time.Microsecond, 100 * time.Millisecond

// between is random, as likely in one decade as in another.
func between(r *rand.Rand, low, high time.Duration) uint32 {
	ratio := float64(high) / float64(low)
	return ticks(time.Duration(float64(low) * math.Pow(ratio, r.Float64())))
}

// program has one pulse on each of some outputs. The first starts delay after the edge, the others with it or later.
func program(r *rand.Rand, delay uint32, outputs []int) wire.Program {
	p := wire.Program{Clock: wire.Source{Input: inBeam, Falling: true}, Nth: 1, Gate: wire.Source{Input: wire.NoInput},
		HoldOff: ticks(time.Millisecond), Late: 0, TableLen: 1, CueLen: uint8(len(outputs))}
	p.Table[0].Delay = delay
	for i, output := range outputs {
		c := wire.CueSpec{Output: uint8(output), Width: between(r, shortest, longest)}
		if i > 0 && r.IntN(2) == 0 {
			c.Offset = int32(between(r, time.Microsecond, 50*time.Millisecond))
		}
		p.Cues[i] = c
	}
	return p
}

// conditions of a shard of trials.
type conditions struct {
	name  string
	storm bool // 48 kHz at the second sensor
	ticks bool // 32-bit ticks wrap
	seed  uint64
}

// errors are how far outputs were from where they should be, in cycles.
type errors struct {
	on, width map[int]int
	cycles    uint64
}

// A pulse starts when it should: the capture unit rounds the edge down to a tick, the compare unit is exact.
func TestTrials(t *testing.T) {
	const trials = 250 // in each of eight shards
	shards := []conditions{}
	for i := range uint64(8) {
		c := conditions{storm: i%2 == 1, ticks: i%4 >= 2, seed: i}
		c.name = fmt.Sprintf("shard %d storm %v wrap %v", i, c.storm, c.ticks)
		shards = append(shards, c)
	}
	results := make([]errors, len(shards))
	begun := time.Now()
	t.Run("shards", func(t *testing.T) {
		for i, c := range shards {
			t.Run(c.name, func(t *testing.T) {
				t.Parallel()
				results[i] = runTrials(t, c, trials)
			})
		}
	})
	on, width, cycles := map[int]int{}, map[int]int{}, uint64(0)
	for _, r := range results {
		for e, n := range r.on {
			on[e] += n
		}
		for e, n := range r.width {
			width[e] += n
		}
		cycles += r.cycles
	}
	seconds := float64(cycles) / CyclesPerSecond
	t.Logf("%d trials: start, cycles from where it should be: %s", len(shards)*trials, histogram(on))
	t.Logf("width, cycles from what it should be: %s", histogram(width))
	t.Logf("%.0f s simulated in %.0f s, %.1f times as fast as real", seconds, time.Since(begun).Seconds(),
		seconds/time.Since(begun).Seconds())
}

func rnd(seed uint64) *rand.Rand { return rand.New(rand.NewPCG(seed, 1)) }

func histogram(h map[int]int) (s string) {
	keys := []int{}
	for k := range h {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	for _, k := range keys {
		s += fmt.Sprintf("%+d: %d  ", k, h[k])
	}
	return s
}

func runTrials(t *testing.T, c conditions, n int) errors {
	h := start(t)
	r := rand.New(rand.NewPCG(c.seed, 1))
	result := errors{on: map[int]int{}, width: map[int]int{}}
	overflows := symbol(t, "timebase_overflows")
	for i := range n {
		if c.ticks && i%10 == 0 { // the next trials cross the wrap
			high := uint16(0x10000 - 1 - r.IntN(40))
			h.Poke(overflows, byte(high), h.Now+1)
			h.Poke(overflows+1, byte(high>>8), h.Now+1)
			h.wait(time.Millisecond)
		}
		outputs := r.Perm(len(outputNames))[:1+r.IntN(3)]
		delay := between(r, 100*time.Microsecond, 2*time.Second)
		one := h.try(r, program(r, delay, outputs), c.storm)
		h.checkTrial(one, &result)
		if t.Failed() {
			t.Fatalf("trial %d of seed %d: %+v", i, c.seed, one.program)
		}
	}
	result.cycles = h.Now
	return result
}

// try arms and lets something fall through the beam, with a thousand pings a second.
func (h *host) try(r *rand.Rand, p wire.Program, storm bool) trial {
	h.t.Helper()
	h.arm(p, 1)
	edge := h.Now + Cycles(2*time.Millisecond) + uint64(r.IntN(100_000))
	end := edge + uint64(p.Table[0].Delay)*CyclesPerTick
	for _, c := range p.Cues[:p.CueLen] {
		end = max(end, edge+(uint64(p.Table[0].Delay)+uint64(c.Offset)+uint64(c.Width))*CyclesPerTick)
	}
	end += Cycles(5 * time.Millisecond)
	h.pings(end-Cycles(3*time.Millisecond), Cycles(900*time.Microsecond)+uint64(r.IntN(3000)))
	if storm {
		const period = CyclesPerSecond / 48_000 / 2
		h.Storm("gate", h.Now+1, period, int((end-h.Now)/period)&^1)
	}
	h.Pin("beam", false, edge)
	h.Pin("beam", true, edge+Cycles(300*time.Microsecond))
	h.until(end)
	h.wait(2 * time.Millisecond)
	return trial{p, edge, end}
}

// checkTrial checks what the outputs did, and what the board says of it.
func (h *host) checkTrial(one trial, result *errors) {
	h.t.Helper()
	p := one.program
	shot := the[wire.Shot](h)
	require.Equal(h.t, wire.Done, shot.Status)
	cues := all[wire.Cue](h)
	require.Len(h.t, cues, int(p.CueLen))
	for i, c := range p.Cues[:p.CueLen] {
		moves := h.changes(outputNames[c.Output])
		require.Len(h.t, moves, 2, "%s: %v", outputNames[c.Output], h.Changes)
		want := one.edge + (uint64(p.Table[0].Delay)+uint64(c.Offset))*CyclesPerTick
		early := int(int64(moves[0].Cycle) - int64(want))
		long := int(moves[1].Cycle-moves[0].Cycle) - int(c.Width)*CyclesPerTick
		result.on[early]++
		result.width[long]++
		assert.LessOrEqual(h.t, max(early, -early), CyclesPerTick, "more than a tick from where it should be")
		assert.Zero(h.t, long)
		at := slices.IndexFunc(cues, func(c wire.Cue) bool { return int(c.Index) == i })
		require.GreaterOrEqual(h.t, at, 0)
		reported := cues[at]
		assert.Equal(h.t, reported.Planned, reported.On)
		assert.Equal(h.t, wire.Tick(c.Width), reported.Off-reported.On)
		assert.Equal(h.t, shot.ClockAt+wire.Tick(p.Table[0].Delay)+wire.Tick(c.Offset), reported.Planned)
	}
	require.Len(h.t, h.Changes, 2*int(p.CueLen), "an output that has no part in it: %v", h.Changes)
	h.clear()
}
