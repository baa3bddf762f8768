package spawn

import (
	"bytes"
	"io"
	"strings"
	"sync"
	"time"
)

// maxLine is how much of a line is kept: as much as fits on a phone.
const maxLine = 300

// maxQueued is how many writes are queued for a slow log. A board process logs a line or two in its life.
const maxQueued = 64

// logTail forwards what a process logs, and keeps the last line, which says why a process failed. A log that blocks,
// such as a paused terminal, delays neither the process nor the report of its end.
type logTail struct {
	queue   chan []byte
	drained chan struct{} // closed when all is forwarded

	mu   sync.Mutex
	line []byte // the line that is being written
	last string // the last whole line that is not empty
}

// newLogTail forwards to log unless that is nil.
func newLogTail(to io.Writer) *logTail {
	w := &logTail{queue: make(chan []byte, maxQueued), drained: make(chan struct{})}
	go func() {
		defer close(w.drained)
		for p := range w.queue {
			if to != nil {
				_, _ = to.Write(p)
			}
		}
	}()
	return w
}

// Write never fails and never blocks: what exceeds the queue is dropped.
func (w *logTail) Write(p []byte) (int, error) {
	w.note(p)
	select {
	case w.queue <- bytes.Clone(p):
	default:
	}
	return len(p), nil
}

// finish waits for the log, but no longer than timeout. Nothing may be written after it.
func (w *logTail) finish(timeout time.Duration) {
	close(w.queue)
	select {
	case <-w.drained:
	case <-time.After(timeout):
	}
}

func (w *logTail) note(p []byte) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, b := range p {
		if b == '\n' {
			w.end()
		} else if len(w.line) < maxLine {
			w.line = append(w.line, b)
		}
	}
}

func (w *logTail) end() {
	if text := bytes.TrimSpace(w.line); len(text) > 0 {
		w.last = strings.ToValidUTF8(string(text), "?")
	}
	w.line = w.line[:0]
}

// String is the last line, even without its line feed.
func (w *logTail) String() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.end()
	return w.last
}
