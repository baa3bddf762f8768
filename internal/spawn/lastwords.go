package spawn

import (
	"bytes"
	"io"
	"strings"
	"sync"
)

// longestLine is as much of a line as anybody reads on a phone.
const longestLine = 300

// lastWords passes what a process writes on, and remembers its last line: why it ended, if it did not end well.
type lastWords struct {
	to io.Writer // nil: nowhere

	mu   sync.Mutex
	line []byte // the line that is being written
	last string // the last whole line that is not empty
}

// Write never fails: the process must not die of a log that cannot be written.
func (w *lastWords) Write(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, b := range p {
		if b == '\n' {
			w.end()
		} else if len(w.line) < longestLine {
			w.line = append(w.line, b)
		}
	}
	if w.to != nil {
		_, _ = w.to.Write(p)
	}
	return len(p), nil
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
