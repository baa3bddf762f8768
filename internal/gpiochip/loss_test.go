package gpiochip

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
)

// queue models the kernel's: it numbers edges by request and by line, holds size of them, and drops the oldest.
type queue struct {
	size    int
	seqno   uint32
	line    [MaxLines]uint32
	waiting []queuedEdge
	dropped [MaxLines]uint32
}

type queuedEdge struct {
	line             int
	seqno, lineSeqno uint32
}

func (q *queue) edge(line int) {
	q.seqno++
	q.line[line]++
	if len(q.waiting) == q.size {
		q.dropped[q.waiting[0].line]++
		q.waiting = q.waiting[1:]
	}
	q.waiting = append(q.waiting, queuedEdge{line, q.seqno, q.line[line]})
}

// merged is an interrupt that another of its line follows before the line's thread has run.
func (q *queue) merged() { q.seqno++ }

// overtake swaps the last two edges in the queue if they are of two lines.
func (q *queue) overtake() {
	if n := len(q.waiting); n > 1 && q.waiting[n-1].line != q.waiting[n-2].line {
		q.waiting[n-1], q.waiting[n-2] = q.waiting[n-2], q.waiting[n-1]
	}
}

func (q *queue) drain(l *lossCounter, pins []uint8) Batch {
	var b Batch
	full := len(q.waiting) == q.size
	for _, e := range q.waiting {
		l.add(&b, e.line, pins[e.line], e.seqno, e.lineSeqno, full)
	}
	l.settle(&b, pins)
	q.waiting = nil
	return b
}

func TestNoLossCountsNothing(t *testing.T) {
	q, l, pins := queue{size: 16}, lossCounter{lines: 2}, []uint8{3, 1}
	for range 100 {
		q.edge(0)
		q.edge(1)
		q.edge(1)
		assert.Equal(t, Batch{}, q.drain(&l, pins))
	}
}

// A bounce faster than the kernel skips numbers of the request and none of the line: no line lost anything, least of
// all the silent one, which may be the kill switch.
func TestMergedInterruptsAreNoLoss(t *testing.T) {
	q, l, pins := queue{size: 16}, lossCounter{lines: 2}, []uint8{0, 1}
	for range 10 {
		q.merged()
		q.merged()
		q.edge(0)
		assert.Equal(t, Batch{}, q.drain(&l, pins))
	}
	q.edge(1)
	assert.Equal(t, Batch{}, q.drain(&l, pins))
}

// Edges of two lines that overtook each other, in one read or in two, lost nothing.
func TestOvertakingIsNoLoss(t *testing.T) {
	q, l, pins := queue{size: 16}, lossCounter{lines: 3}, []uint8{0, 1, 2}
	for range 10 {
		q.edge(0)
		q.edge(1)
		q.overtake()
		assert.Equal(t, Batch{}, q.drain(&l, pins))
		q.edge(0)
		q.edge(1)
		first := q.waiting[0]
		q.waiting = q.waiting[1:]
		assert.Equal(t, Batch{}, q.drain(&l, pins))
		q.waiting = []queuedEdge{first}
		assert.Equal(t, Batch{}, q.drain(&l, pins))
	}
}

// Edges that overtook each other in a queue that was exactly full lost nothing either: none is counted on a silent
// line, such as the kill switch, then or later.
func TestOvertakingInAFullQueueIsNoLoss(t *testing.T) {
	q, l, pins := queue{size: 2}, lossCounter{lines: 3}, []uint8{0, 1, 2}
	for range 10 {
		q.edge(0)
		q.edge(1)
		q.overtake()
		assert.Equal(t, [MaxLines]uint32{}, q.drain(&l, pins).Lost)
	}
	q.edge(2)
	assert.Equal(t, [MaxLines]uint32{}, q.drain(&l, pins).Lost)
}

// A loss that one line's numbers show is not counted on a silent line.
func TestLossIsCountedOnOneLine(t *testing.T) {
	q, l, pins := queue{size: 4}, lossCounter{lines: 2}, []uint8{0, 1}
	for range 7 {
		q.edge(1)
	}
	assert.Equal(t, [MaxLines]uint32{1: 3}, q.drain(&l, pins).Lost)
	assert.Equal(t, [MaxLines]uint32{1: 3}, q.dropped)
}

// A loss when the queue was full stays unattributed, however the numbers skip later.
func TestUnattributedLossPersists(t *testing.T) {
	q, l, pins := queue{size: 4}, lossCounter{lines: 2}, []uint8{0, 1}
	q.edge(0)
	for range 4 {
		q.edge(1)
	}
	q.drain(&l, pins)
	q.merged()
	q.edge(1)
	assert.Equal(t, Batch{}, q.drain(&l, pins))
	q.edge(0)
	q.edge(0)
	for range 4 {
		q.edge(1)
	}
	assert.Equal(t, [MaxLines]uint32{0: 2}, q.drain(&l, pins).Lost, "two more, and nothing twice")
}

func TestBatchIsInTheOrderOfStamps(t *testing.T) {
	b := NewBatch()
	for _, at := range []int64{3, 5, 4, 4, 9, 1} {
		b.Events = append(b.Events, Event{Input: uint8(len(b.Events)), At: at})
		b.sortLast()
	}
	var inputs []uint8
	for _, e := range b.Events {
		inputs = append(inputs, e.Input)
	}
	assert.Equal(t, []uint8{5, 0, 2, 3, 1, 4}, inputs, "and those of one stamp as they came")
}

func TestLossOnTheLineWithEdges(t *testing.T) {
	q, l, pins := queue{size: 4}, lossCounter{lines: 1}, []uint8{2}
	for range 10 {
		q.edge(0)
	}
	b := q.drain(&l, pins)
	assert.True(t, b.Gap)
	assert.Equal(t, [MaxLines]uint32{2: 6}, b.Lost)
}

// The gate's only edge is dropped and the gate stays silent: that is reported at once, and not again with its next
// edge.
func TestLossOnASilentLine(t *testing.T) {
	q, l, pins := queue{size: 4}, lossCounter{lines: 2}, []uint8{0, 1}
	q.edge(0)
	for range 4 {
		q.edge(1)
	}
	b := q.drain(&l, pins)
	assert.True(t, b.Gap)
	assert.Equal(t, [MaxLines]uint32{0: 1}, b.Lost)
	q.edge(0)
	b = q.drain(&l, pins)
	assert.Equal(t, [MaxLines]uint32{}, b.Lost)
}

// By its next edge at least what a line lost is reported; with a single line exactly that.
func TestLossCounterProperty(t *testing.T) {
	for seed := range uint64(2000) {
		r := rand.New(rand.NewPCG(seed, 1))
		lines := 1 + r.IntN(MaxLines)
		disordered := seed%2 == 1 && lines > 1 // interrupts merge and threads overtake; one line has no request's numbers
		q, l := queue{size: 1 + r.IntN(20)}, lossCounter{lines: lines}
		var pins []uint8
		for _, p := range r.Perm(MaxLines)[:lines] {
			pins = append(pins, uint8(p))
		}
		var reported [MaxLines]uint32
		for range 30 {
			for range r.IntN(40) {
				if disordered && r.IntN(5) == 0 {
					q.merged()
				}
				q.edge(r.IntN(lines))
				if disordered && r.IntN(5) == 0 {
					q.overtake()
				}
			}
			before := l
			heard := [MaxLines]bool{}
			for _, e := range q.waiting {
				heard[e.line] = true
			}
			b := q.drain(&l, pins)
			for line := range lines {
				reported[line] += b.Lost[pins[line]]
				if heard[line] && reported[line] < q.dropped[line] {
					t.Fatalf("seed %d: line %d lost %d, reported of %d (ledger before %+v)", seed, line, q.dropped[line],
						reported[line], before)
				}
				if !heard[line] && b.Gap && reported[line] < q.dropped[line] {
					t.Fatalf("seed %d: silent line %d lost %d, reported of %d", seed, line, q.dropped[line], reported[line])
				}
			}
			if lines == 1 && reported[0] != q.dropped[0] {
				t.Fatalf("seed %d: lost %d, reported of %d", seed, q.dropped[0], reported[0])
			}
		}
	}
}
