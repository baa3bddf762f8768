package board

import (
	"slices"
	"sync"

	"stillwater/internal/wire"
)

const (
	// mostRejected is how many rejected edges wait to be read; older ones give way.
	mostRejected = 64
	// mostWaiting is how many shots, faults and changes of state may wait. A board makes a few a second at most, so
	// reaching it means that nobody has read for many minutes: the client then gives up rather than grow without end.
	mostWaiting = 4096
)

// queue holds events between the link's reader, which must never wait, and whoever reads Events, which may.
//
// What only the newest matters of (Edge and Lost of an input, Level of an input, State as long as it does not change)
// waits once, at its newest place, with counts added up. Shots, test pulses, faults and changes of state are never
// dropped and keep their order.
type queue struct {
	mu     sync.Mutex
	events []Event
	keep   int // shots, test pulses, faults and states among them
	more   chan struct{}
}

func newQueue() *queue { return &queue{more: make(chan struct{}, 1)} }

// put adds an event; false means that too many wait that may not be dropped.
func (q *queue) put(e Event) bool {
	q.mu.Lock()
	defer q.mu.Unlock()
	if e.Rejected != nil {
		q.thinRejected()
	} else {
		e = q.merge(e)
	}
	if kept(e) {
		if q.keep == mostWaiting {
			return false
		}
		q.keep++
	}
	q.events = append(q.events, e)
	select {
	case q.more <- struct{}{}:
	default:
	}
	return true
}

// merge takes the waiting event that e makes out of date from the queue and adds its counts to e.
func (q *queue) merge(e Event) Event {
	i := q.outdated(e)
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

// outdated is the place of the waiting event that e makes out of date, or -1. Of states only the last one waiting can
// be.
func (q *queue) outdated(e Event) int {
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

func kept(e Event) bool { return e.Shot != nil || e.Fault != nil || e.State != nil || e.Pulse != nil }

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

func (q *queue) thinRejected() {
	waiting, oldest := 0, -1
	for i, e := range q.events {
		if e.Rejected != nil {
			waiting++
			if oldest < 0 {
				oldest = i
			}
		}
	}
	if waiting == mostRejected {
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
	if kept(e) {
		q.keep--
	}
	return e
}

func addCapped[T uint16 | uint32](a, b T) T {
	if a+b < a {
		return ^T(0)
	}
	return a + b
}

// gatherer puts a shot's cue reports, which come one by one as pulses end, into the shot's report, which comes last.
type gatherer struct {
	shot uint16
	cues []wire.Cue
}

// cue keeps one report. It returns how many kept ones belonged to another shot, whose own report never came.
func (g *gatherer) cue(c wire.Cue) (stray int) {
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

// end takes the cues kept for a shot.
func (g *gatherer) end(shot uint16) (cues []wire.Cue, stray int) {
	cues = g.cues
	g.cues = nil
	if shot != g.shot {
		return nil, len(cues)
	}
	return cues, 0
}
