package gpiochip

import (
	"encoding/binary"
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// Whatever the kernel's events contain, each event of a requested line is reported once, in the order of the stamps and
// with its line's index; losses are of these lines only.
func FuzzEvents(f *testing.F) {
	event := func(at uint64, offset, seqno, lineSeqno uint32, id byte) []byte {
		p := binary.LittleEndian.AppendUint64(nil, at)
		p = binary.LittleEndian.AppendUint32(p, offset)
		p = binary.LittleEndian.AppendUint32(p, seqno)
		return append(binary.LittleEndian.AppendUint32(p, lineSeqno), id)
	}
	one := append(event(10, 4, 1, 1, 1), event(20, 17, 2, 1, 2)...)
	f.Add(one)
	f.Add(append(one, event(15, 4, 9, 7, 1)...))
	f.Add(append(one, event(5, 99, 3, 1, 0)...))
	f.Add(event(math.MaxUint64, 4, math.MaxUint32, math.MaxUint32, 255))
	const size = 21
	f.Fuzz(func(t *testing.T, p []byte) {
		in := &Inputs{requests: []*request{{chip: Chip{Name: "gpiochip0"}, fd: -1, number: []uint32{4, 17},
			pin: []uint8{5, 2}}}, counters: []lossCounter{{lines: 2}}}
		var rawEvents []unix.GPIOV2LineEvent
		known := 0
		for ; len(p) >= size && len(rawEvents) < queueLen; p = p[size:] {
			rawEvents = append(rawEvents, unix.GPIOV2LineEvent{Timestamp_ns: binary.LittleEndian.Uint64(p),
				Offset: binary.LittleEndian.Uint32(p[8:]) % 20, Seqno: binary.LittleEndian.Uint32(p[12:]),
				Line_seqno: binary.LittleEndian.Uint32(p[16:]), Id: uint32(p[20])})
			if at := rawEvents[len(rawEvents)-1].Offset; at == 4 || at == 17 {
				known++
			}
		}
		b := NewBatch()
		in.addEvents(0, &b, rawEvents)
		require.Len(t, b.Events, known)
		for i, e := range b.Events {
			require.True(t, e.Input == 5 || e.Input == 2, "%+v", e)
			require.True(t, i == 0 || b.Events[i-1].At <= e.At, "%+v", b.Events)
		}
		for pin, lost := range b.Lost {
			require.True(t, lost == 0 || pin == 5 || pin == 2, "input %d lost %d", pin, lost)
			require.True(t, lost == 0 || b.Gap, "lost and no gap")
		}
	})
}
