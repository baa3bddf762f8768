package gpioboard

import (
	"runtime"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/wire"
)

// A board that is armed allocates nothing from one shot to the next, and so collects no garbage.
func TestBoardShotsAllocateNothing(t *testing.T) {
	const shots = 2000
	v := newVirtual(t)
	l := v.stormLoop()
	p := aimed(20*ms, ms)
	p.HoldOff, p.Rest = 0, 0
	v.tell(v.now+ms, load(p, shots+2)...)
	v.ping(v.now+2*ms, v.now+(shots+50)*50*ms)
	v.storms = []storm{{input: 0, next: v.now + 50*ms, every: 25 * ms, until: v.now + (shots+40)*50*ms}}
	v.changes = make([]change, 0, 2*shots+10)
	for l.board.State().Left() != shots {
		require.NoError(t, l.step())
	}
	var before, after runtime.MemStats
	runtime.GC() // one that another test began is not this one's
	runtime.ReadMemStats(&before)
	for l.board.State().Left() > 0 {
		if err := l.step(); err != nil {
			t.Fatal(err)
		}
		v.frames = v.frames[:0]
	}
	runtime.ReadMemStats(&after)
	assert.Equal(t, before.NumGC, after.NumGC, "collections")
	assert.Less(t, after.Mallocs-before.Mallocs, uint64(shots/100), "the test's own, by far not one a shot")
	on := 0
	for _, c := range v.changes {
		on += int(c.on >> 1)
	}
	assert.Equal(t, shots+2, on, "and all fired")
}

// BenchmarkEdgeToDrive is the work from an edge to the switching of its output, without the waiting between: what a
// board has to have the lead for.
func BenchmarkEdgeToDrive(b *testing.B) {
	v := newVirtual(b)
	l := v.stormLoop()
	p := aimed(20*ms, 1000*ms)
	p.HoldOff, p.Rest = 0, 0
	for _, m := range load(p, 1<<16-1) {
		l.board.Bytes(l.clock.Now(), wire.AppendFrame(nil, m.Frame(1)))
	}
	b.ReportAllocs()
	for b.Loop() {
		now := l.clock.Now()
		l.board.Edge(now, 0, true, now)
		l.board.Wake(now + wire.Tick(20*ms/100))
		v.now += 20 * ms
		v.changes = v.changes[:0]
		l.board.Wake(l.clock.Now() + wire.Tick(ms/100))
		v.now += 2 * ms
		_ = l.link.Flush()
		v.hear()
		v.frames = v.frames[:0]
		if l.board.State().Left() < 2 {
			l.board.Bytes(l.clock.Now(), wire.AppendFrame(nil, wire.Arm{Shots: 1<<16 - 1}.Frame(1)))
		}
	}
}
