// Package background keeps work that can wait from holding up what cannot.
package background

import (
	"runtime"
	"runtime/debug"
	"runtime/metrics"
	"sync"
)

// A thread of the least priority that allocates most would begin a garbage collection itself, and every other thread
// stands still until it gets a processor again: a disarm too. So the collector is held while such work is done, and
// runs between two parts of it, on a thread of usual priority for which the work waits. The process's memory limit
// holds all the same.
var process collector

// HoldGC does work while the garbage collector is held.
func HoldGC(work func()) { process.hold(work) }

// CollectIfDue collects garbage if the collector is held and there is much.
func CollectIfDue() { process.collectIfDue() }

type collector struct {
	mu      sync.Mutex
	holders int
	percent int    // GOGC as it was before
	after   uint64 // bytes of the heap after the latest collection
}

// collectAfter is how many bytes the heap grows at least from one collection to the next. Own choice.
const collectAfter = 16 << 20

func (c *collector) hold(work func()) {
	c.change(1)
	defer c.change(-1)
	work()
}

func (c *collector) change(by int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	before := c.holders
	c.holders += by
	switch {
	case before == 0:
		onOtherThread(func() { c.percent = debug.SetGCPercent(-1) })
		c.after = heapBytes()
	case c.holders == 0:
		onOtherThread(func() { debug.SetGCPercent(c.percent); runtime.GC() })
	}
}

func (c *collector) collectIfDue() {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.holders > 0 && heapBytes() > c.after+collectAfter {
		onOtherThread(runtime.GC)
		c.after = heapBytes()
	}
}

// onOtherThread does it on another thread, and waits.
func onOtherThread(do func()) {
	done := make(chan struct{})
	go func() { defer close(done); do() }()
	<-done
}

func heapBytes() uint64 {
	sample := []metrics.Sample{{Name: "/memory/classes/heap/objects:bytes"}}
	metrics.Read(sample)
	return sample[0].Value.Uint64()
}
