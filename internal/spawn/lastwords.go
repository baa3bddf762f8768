package spawn

import (
	"bytes"
	"io"
	"strings"
	"sync"
	"time"
)

// longestLine is as much of a line as anybody reads on a phone.
const longestLine = 300

// mostWaiting is how many writes wait for a log that is slow. A board process says a line or two in its life.
const mostWaiting = 64

// lastWords passes what a process writes on, and remembers its last line: why it ended, if it did not end well. A log
// that is stuck, such as a terminal that was paused, holds up neither the process nor the news of its end.
type lastWords struct {
	passing chan []byte
	passed  chan struct{} // closed when all is passed on

	mu   sync.Mutex
	line []byte // the line that is being written
	last string // the last whole line that is not empty
}

// newLastWords passes on to a log, or to nowhere if that is nil.
func newLastWords(to io.Writer) *lastWords {
	w := &lastWords{passing: make(chan []byte, mostWaiting), passed: make(chan struct{})}
	go func() {
		defer close(w.passed)
		for p := range w.passing {
			if to != nil {
				_, _ = to.Write(p)
			}
		}
	}()
	return w
}

// Write never fails and never waits: what the log has no room for is dropped.
func (w *lastWords) Write(p []byte) (int, error) {
	w.note(p)
	select {
	case w.passing <- bytes.Clone(p):
	default:
	}
	return len(p), nil
}

// finish waits for the log, but not for longer than patience. Nothing may be written after it.
func (w *lastWords) finish(patience time.Duration) {
	close(w.passing)
	select {
	case <-w.passed:
	case <-time.After(patience):
	}
}

func (w *lastWords) note(p []byte) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, b := range p {
		if b == '\n' {
			w.end()
		} else if len(w.line) < longestLine {
			w.line = append(w.line, b)
		}
	}
}

func (w *lastWords) end() {
	if text := bytes.TrimSpace(w.line); len(text) > 0 {
		w.last = strings.ToValidUTF8(string(text), "?")
	}
	w.line = w.line[:0]
}

// String is the last line, also one that was not ended.
func (w *lastWords) String() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.end()
	return w.last
}
