package intake

import (
	"runtime"
	"runtime/debug"
	"runtime/metrics"
	"sync"
)

// collecting is the process's garbage collection while threads that yield are at work. Such a thread would begin it
// itself, as it allocates most, and all others stand still then until it gets a processor again: a disarm too. So it
// rests while they work, and is done between two frames, on a thread of usual priority for which they wait. The
// process's memory limit holds all the same.
var collecting collector

type collector struct {
	mu      sync.Mutex
	working int    // threads
	percent int    // as it was before
	after   uint64 // bytes of the heap after the latest one
}

// collectAfter is how many bytes the heap grows at least from one collection to the next. Own choice.
const collectAfter = 16 << 20

// during has it rest while work is done.
func (c *collector) during(work func()) {
	c.change(1)
	defer c.change(-1)
	work()
}

func (c *collector) change(by int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	before := c.working
	c.working += by
	switch {
	case before == 0:
		aside(func() { c.percent = debug.SetGCPercent(-1) })
		c.after = heapBytes()
	case c.working == 0:
		aside(func() { debug.SetGCPercent(c.percent); runtime.GC() })
	}
}

// between collects, if there is much.
func (c *collector) between() {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.working > 0 && heapBytes() > c.after+collectAfter {
		aside(runtime.GC)
		c.after = heapBytes()
	}
}

// aside does it on another thread, and waits.
func aside(do func()) {
	done := make(chan struct{})
	go func() { defer close(done); do() }()
	<-done
}

func heapBytes() uint64 {
	sample := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}}
	metrics.Read(sample)
	return sample[0].Value.Uint64()
}
