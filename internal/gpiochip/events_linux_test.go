package gpiochip

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"golang.org/x/sys/unix"
)

// unopenedInputs are inputs of one chip that was never opened, to test the decoding of events.
func unopenedInputs(numbers ...uint32) *Inputs {
	r := &request{number: numbers}
	for i := range numbers {
		r.pin = append(r.pin, uint8(i))
	}
	return &Inputs{requests: []*request{r}, counters: []lossCounter{{lines: len(numbers)}}}
}

func rawEvent(offset, seqno, lineSeqno uint32, at uint64) unix.GPIOV2LineEvent {
	return unix.GPIOV2LineEvent{Timestamp_ns: at, Id: unix.GPIO_V2_LINE_EVENT_RISING_EDGE, Offset: offset, Seqno: seqno,
		Line_seqno: lineSeqno}
}

// A read returns the edges in the order of their stamps, with the board's indices, and skips lines it does not hold.
func TestEventsAreSortedByStamp(t *testing.T) {
	in, b := unopenedInputs(17, 27), NewBatch()
	in.addEvents(0, &b, []unix.GPIOV2LineEvent{rawEvent(27, 2, 1, 200), rawEvent(17, 1, 1, 100),
		rawEvent(5, 3, 1, 300)})
	assert.Equal(t, []Event{{Input: 0, High: true, At: 100}, {Input: 1, High: true, At: 200}}, b.Events)
	assert.False(t, b.Gap)
}

// A gap in the request's numbers is a loss only when a read returned as many edges as the queue holds.
func TestGapsCountOnlyWithAFullQueue(t *testing.T) {
	in, b := unopenedInputs(17, 27), NewBatch()
	in.addEvents(0, &b, []unix.GPIOV2LineEvent{rawEvent(17, 5, 1, 1)})
	assert.False(t, b.Gap, "interrupts that merged")
	full := make([]unix.GPIOV2LineEvent, queueLen)
	for i := range full {
		full[i] = rawEvent(17, uint32(8+i), uint32(2+i), uint64(2+i))
	}
	b = NewBatch()
	in.addEvents(0, &b, full)
	assert.True(t, b.Gap)
	assert.Equal(t, [MaxLines]uint32{1: 2}, b.Lost, "of the silent line at most two, of the other none")
}
