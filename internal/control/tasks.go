package control

import (
	"sync"
	"time"
)

// tasks are the goroutines and timers that a Control starts as things happen. The zero value is ready.
type tasks struct {
	mu      sync.Mutex
	ended   bool
	timers  map[*timer]struct{}
	running sync.WaitGroup
}

// timer is one that has not fired yet.
type timer struct {
	of   *tasks
	wait *time.Timer
}

// run does f in a goroutine of its own, unless all has ended.
func (t *tasks) run(f func()) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if !t.ended {
		t.running.Go(f)
	}
}

// after does f in a goroutine of its own when d has passed, unless all has ended by then.
func (t *tasks) after(d time.Duration, f func()) *timer {
	t.mu.Lock()
	defer t.mu.Unlock()
	m := &timer{of: t}
	if t.ended {
		return m
	}
	if t.timers == nil {
		t.timers = map[*timer]struct{}{}
	}
	t.timers[m] = struct{}{}
	m.wait = time.AfterFunc(d, func() {
		if m.stop() {
			t.run(f)
		}
	})
	return m
}

// stop forgets the timer. It returns false if it has fired or was stopped before.
func (m *timer) stop() bool {
	m.of.mu.Lock()
	defer m.of.mu.Unlock()
	_, pending := m.of.timers[m]
	delete(m.of.timers, m)
	if pending {
		m.wait.Stop()
	}
	return pending
}

// end stops the timers and waits for the goroutines. Nothing starts any more.
func (t *tasks) end() {
	t.mu.Lock()
	t.ended = true
	for m := range t.timers {
		m.wait.Stop()
	}
	clear(t.timers)
	t.mu.Unlock()
	t.running.Wait()
}
