package gpiochip

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
)

// queue is the kernel's: it numbers edges by request and by line, holds so many, and drops the oldest.
type queue struct {
	size    int
	seqno   uint32
	line    [MaxLines]uint32
	waiting []numbered
	dropped [MaxLines]uint32
}

type numbered struct {
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
	q.waiting = append(q.waiting, numbered{line, q.seqno, q.line[line]})
}

func (q *queue) drain(l *ledger, pins []uint8) Batch {
	var b Batch
	for _, e := range q.waiting {
		l.add(&b, e.line, pins[e.line], e.seqno, e.lineSeqno)
	}
	l.settle(&b, pins)
	q.waiting = nil
	return b
}

func TestLedgerSeesNothingWhereNothingIsLost(t *testing.T) {
	q, l, pins := queue{size: 16}, ledger{lines: 2}, []uint8{3, 1}
	for range 100 {
		q.edge(0)
		q.edge(1)
		q.edge(1)
		assert.Equal(t, Batch{}, q.drain(&l, pins))
	}
}

func TestLedgerCountsTheLineThatSpoke(t *testing.T) {
	q, l, pins := queue{size: 4}, ledger{lines: 1}, []uint8{2}
	for range 10 {
		q.edge(0)
	}
	b := q.drain(&l, pins)
	assert.True(t, b.Gap)
	assert.Equal(t, [MaxLines]uint32{2: 6}, b.Lost)
}

// The gate's only edge is dropped and the gate stays silent: it is told of at once, and not again when it speaks.
func TestLedgerCountsTheSilentLine(t *testing.T) {
	q, l, pins := queue{size: 4}, ledger{lines: 2}, []uint8{0, 1}
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

// Never less than what was lost, by the time the line has spoken again; and exactly that with one line.
func TestLedgerProperty(t *testing.T) {
	for seed := range uint64(2000) {
		r := rand.New(rand.NewPCG(seed, 1))
		lines := 1 + r.IntN(MaxLines)
		q, l := queue{size: 1 + r.IntN(20)}, ledger{lines: lines}
		var pins []uint8
		for _, p := range r.Perm(MaxLines)[:lines] {
			pins = append(pins, uint8(p))
		}
		var told [MaxLines]uint32
		for range 30 {
			for range r.IntN(40) {
				q.edge(r.IntN(lines))
			}
			before := l
			heard := [MaxLines]bool{}
			for _, e := range q.waiting {
				heard[e.line] = true
			}
			b := q.drain(&l, pins)
			for line := range lines {
				told[line] += b.Lost[pins[line]]
				if heard[line] && told[line] < q.dropped[line] {
					t.Fatalf("seed %d: line %d lost %d, told of %d (ledger before %+v)", seed, line, q.dropped[line],
						told[line], before)
				}
				if !heard[line] && b.Gap && told[line] < q.dropped[line] {
					t.Fatalf("seed %d: silent line %d lost %d, told of %d", seed, line, q.dropped[line], told[line])
				}
			}
			if lines == 1 && told[0] != q.dropped[0] {
				t.Fatalf("seed %d: lost %d, told of %d", seed, q.dropped[0], told[0])
			}
		}
	}
}
