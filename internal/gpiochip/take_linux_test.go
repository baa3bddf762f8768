package gpiochip

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"golang.org/x/sys/unix"
)

// chipOf is inputs of one chip that was never opened: what Read makes of what the kernel gives is tested on it.
func chipOf(numbers ...uint32) *Inputs {
	r := &request{number: numbers}
	for i := range numbers {
		r.pin = append(r.pin, uint8(i))
	}
	return &Inputs{requests: []*request{r}, ledgers: []ledger{{lines: len(numbers)}}}
}

func raw(offset, seqno, lineSeqno uint32, at uint64) unix.GPIOV2LineEvent {
	return unix.GPIOV2LineEvent{Timestamp_ns: at, Id: unix.GPIO_V2_LINE_EVENT_RISING_EDGE, Offset: offset, Seqno: seqno,
		Line_seqno: lineSeqno}
}

// A read gives the edges in the order of their stamps, by the board's numbers, and passes over lines it does not hold.
func TestTakeSortsByStamp(t *testing.T) {
	in, b := chipOf(17, 27), NewBatch()
	in.take(0, &b, []unix.GPIOV2LineEvent{raw(27, 2, 1, 200), raw(17, 1, 1, 100), raw(5, 3, 1, 300)})
	assert.Equal(t, []Event{{Input: 0, High: true, At: 100}, {Input: 1, High: true, At: 200}}, b.Events)
	assert.False(t, b.Gap)
}

// Numbers of the request that skip mean a loss only when a read found as many edges as the queue holds.
func TestTakeKnowsAFullQueue(t *testing.T) {
	in, b := chipOf(17, 27), NewBatch()
	in.take(0, &b, []unix.GPIOV2LineEvent{raw(17, 5, 1, 1)})
	assert.False(t, b.Gap, "interrupts that merged")
	full := make([]unix.GPIOV2LineEvent, queueLen)
	for i := range full {
		full[i] = raw(17, uint32(8+i), uint32(2+i), uint64(2+i))
	}
	b = NewBatch()
	in.take(0, &b, full)
	assert.True(t, b.Gap)
	assert.Equal(t, [MaxLines]uint32{1: 2}, b.Lost, "of the silent line at most two, of the other none")
}
