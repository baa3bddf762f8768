package board

import (
	"slices"
	"sync"

	"stillwater/internal/wire"
)

const (
	// maxRejected is how many rejected edges are queued; the oldest is dropped for a new one.
	maxRejected = 64
	// maxKept is how many shots, faults and changes of state are queued. A board makes a few a second at most, so
	// reaching it means that nobody has read for many minutes: the client then ends rather than grow without bound.
	maxKept = 4096
)

// queue holds events between the goroutine that reads the link, which must never block, and the reader of Events.
//
// Where only the newest matters (an input's Edge, Lost and Level, and State while it does not change) a new event
// replaces the queued one and adds its counts. Shots, test pulses, faults and changes of state are never dropped and
// keep their order.
type queue struct {
	mu      sync.Mutex
	events  []Event
	keptLen int // shots, test pulses, faults and states among them
	ready   chan struct{}
}

func newQueue() *queue { return &queue{ready: make(chan struct{}, 1)} }

// put adds an event; it returns false if too many are queued that must not be dropped.
func (q *queue) put(e Event) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	if e.Rejected != nil {
		q.dropOldestRejected()
	} else {
		e = q.merge(e)
	}
	if mustKeep(e) {
		if q.keptLen == maxKept {
			return false
		}
		q.keptLen++
	}
	q.events = append(q.events, e)
	select {
	case q.ready <- struct{}{}:
	default:
	}
	return true
}

// merge removes the queued event that e supersedes and adds its counts to e.
func (q *queue) merge(e Event) Event {
	i := q.superseded(e)
	if i < 0 {
		return e
	}
	old := q.remove(i)
	switch {
	case e.Edge != nil:
		merged := *e.Edge
		merged.Count = addCapped(merged.Count, old.Edge.Count)
		e.Edge = &merged
	case e.Lost != nil:
		merged := *e.Lost
		merged.Count = addCapped(merged.Count, old.Lost.Count)
		e.Lost = &merged
	}
	return e
}

// superseded is the index of the queued event that e supersedes, or -1. Of states only the last one queued can be.
func (q *queue) superseded(e Event) int {
	for i := len(q.events) - 1; i >= 0; i-- {
		old := q.events[i]
		if e.State != nil && old.State != nil {
			if e.State.State == old.State.State && e.State.Reason == old.State.Reason {
				return i
			}
			return -1
		}
		if sameInput(old, e) {
			return i
		}
	}
	return -1
}

func mustKeep(e Event) bool {
	return e.Shot != nil || e.Fault != nil || e.State != nil || e.Pulse != nil
}

func sameInput(a, b Event) bool {
	switch {
	case a.Edge != nil && b.Edge != nil:
		return a.Edge.Input == b.Edge.Input
	case a.Lost != nil && b.Lost != nil:
		return a.Lost.Input == b.Lost.Input
	case a.Level != nil && b.Level != nil:
		return a.Level.Input == b.Level.Input
	}
	return false
}

func (q *queue) dropOldestRejected() {
	waiting, oldest := 0, -1
	for i, e := range q.events {
		if e.Rejected != nil {
			waiting++
			if oldest < 0 {
				oldest = i
			}
		}
	}
	if waiting == maxRejected {
		q.remove(oldest)
	}
}

// take removes the oldest event.
func (q *queue) take() (Event, bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	if len(q.events) == 0 {
		return Event{}, false
	}
	return q.remove(0), true
}

func (q *queue) remove(i int) Event {
	e := q.events[i]
	q.events = slices.Delete(q.events, i, i+1)
	if mustKeep(e) {
		q.keptLen--
	}
	return e
}

func addCapped[T uint16 | uint32](a, b T) T {
	if a+b < a {
		return ^T(0)
	}
	return a + b
}

// cueCollector collects a shot's cue reports, which arrive as pulses end, until the shot's own report, which comes
// last.
type cueCollector struct {
	shot uint16
	cues []wire.Cue
}

// add keeps one report. It returns how many kept ones belonged to another shot, whose own report never came.
func (g *cueCollector) add(c wire.Cue) (stray int) {
	if c.Shot != g.shot {
		stray = len(g.cues)
		g.cues = nil
	}
	g.shot = c.Shot
	if len(g.cues) < 2*wire.MaxCues {
		g.cues = append(g.cues, c)
	}
	return stray
}

// take takes the cues kept for a shot.
func (g *cueCollector) take(shot uint16) (cues []wire.Cue, stray int) {
	cues = g.cues
	g.cues = nil
	if shot != g.shot {
		return nil, len(cues)
	}
	return cues, 0
}
