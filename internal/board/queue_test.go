package board

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/wire"
)

func TestQueueMergesAStateThatDidNotChange(t *testing.T) {
	q := newQueue()
	q.put(Event{State: &wire.State{State: wire.Armed, Now: 1}})
	q.put(Event{Edge: &wire.Edge{Count: 1}})
	q.put(Event{State: &wire.State{State: wire.Armed, Now: 2}})
	first, _ := q.take()
	second, _ := q.take()
	_, more := q.take()
	assert.NotNil(t, first.Edge)
	assert.Equal(t, wire.Tick(2), second.State.Now)
	assert.False(t, more)
}

func TestQueueKeepsEachChangeOfStateInOrder(t *testing.T) {
	q := newQueue()
	codes := []wire.StateCode{wire.Armed, wire.Firing, wire.Resting, wire.Armed, wire.Faulted, wire.Safe}
	for _, code := range codes {
		q.put(Event{State: &wire.State{State: code}})
	}
	for i, code := range codes {
		e, ok := q.take()
		require.True(t, ok)
		assert.Equal(t, code, e.State.State, "state %d", i)
	}
}

// Whatever comes in whatever order: every shot and fault comes out in order, edge and lost counts add up, the last
// state is the last put, and the queue stays small.
func TestQueueLosesNothingThatMatters(t *testing.T) {
	for seed := range uint64(20) {
		rng := rand.New(rand.NewPCG(seed, 2))
		q := newQueue()
		var shots, faults, edges, lost int
		var gotShots, gotFaults, gotEdges, gotLost int
		var lastState, gotState uint16
		receive := func(e Event) {
			switch {
			case e.Shot != nil:
				gotShots++
				require.Equal(t, gotShots, e.Shot.Number, "seed %d", seed)
			case e.Fault != nil:
				gotFaults++
			case e.Edge != nil:
				gotEdges += int(e.Edge.Count)
			case e.Lost != nil:
				gotLost += int(e.Lost.Count)
			case e.State != nil:
				gotState = e.State.Left
			}
		}
		for range 1000 {
			switch rng.IntN(7) {
			case 0:
				shots++
				q.put(Event{Shot: &ShotReport{Number: shots}})
			case 1:
				faults++
				q.put(Event{Fault: &wire.Fault{}})
			case 2:
				n := rng.IntN(5)
				edges += n
				q.put(Event{Edge: &wire.Edge{Input: uint8(rng.IntN(8)), Count: uint16(n)}})
			case 3:
				lost++
				q.put(Event{Lost: &wire.Lost{Input: uint8(rng.IntN(8)), Count: 1}})
			case 4:
				lastState++
				q.put(Event{State: &wire.State{Left: lastState}})
			case 5:
				q.put(Event{Rejected: &wire.Rejected{}})
			case 6:
				if e, ok := q.take(); ok {
					receive(e)
				}
			}
			require.LessOrEqual(t, len(q.events)-q.keptLen, maxRejected+1+8+8, "seed %d", seed)
		}
		for e, ok := q.take(); ok; e, ok = q.take() {
			receive(e)
		}
		assert.Equal(t, []int{shots, faults, edges, lost}, []int{gotShots, gotFaults, gotEdges, gotLost}, "seed %d", seed)
		assert.Equal(t, lastState, gotState, "seed %d", seed)
	}
}

func TestQueueGivesUpWhenNobodyReads(t *testing.T) {
	q := newQueue()
	for range maxKept {
		require.True(t, q.put(Event{Shot: &ShotReport{}}))
	}
	assert.False(t, q.put(Event{Fault: &wire.Fault{}}))
	assert.True(t, q.put(Event{Edge: &wire.Edge{}}), "what can be merged still fits")
}

func TestCountsStopAtTheirLimit(t *testing.T) {
	assert.Equal(t, uint16(math.MaxUint16), addCapped(uint16(math.MaxUint16-1), uint16(2)))
	assert.Equal(t, uint32(3), addCapped(uint32(1), uint32(2)))
}

func TestGathererKeepsShotsApart(t *testing.T) {
	var g cueCollector
	g.add(wire.Cue{Shot: 4, Index: 0})
	g.add(wire.Cue{Shot: 4, Index: 1})
	cues, stray := g.take(4)
	assert.Len(t, cues, 2)
	assert.Zero(t, stray)

	g.add(wire.Cue{Shot: 5})
	assert.Equal(t, 1, g.add(wire.Cue{Shot: 6}), "shot 5's own report never came")
	cues, stray = g.take(7)
	assert.Empty(t, cues)
	assert.Equal(t, 1, stray, "nor did shot 6's")
}

func TestRefusalsInWords(t *testing.T) {
	err := &RefusedError{Request: wire.TypeArm, Reason: wire.ReasonNoProgram}
	assert.EqualError(t, err, "the board refused to arm: "+wire.ReasonNoProgram.String())
	err = &RefusedError{Request: wire.TypePulse, Reason: wire.ReasonNoSuchPin, Detail: 7}
	assert.ErrorContains(t, err, "test an output")
	assert.ErrorContains(t, err, "number 7")
	for kind := wire.TypeIdentify; kind <= wire.TypeSetLevel; kind++ {
		assert.NotContains(t, describeRequest(kind), "0x", "request %v has no words", kind)
	}
	assert.Contains(t, describeRequest(0x44), "0x44")
}
