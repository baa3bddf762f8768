// Package proctest is for tests of processes: their logs, their children, their end. For tests only.
package proctest

import (
	"strings"
	"sync"
	"testing"
	"time"
)

// Log is a log that is read while it is written.
type Log struct {
	mu   sync.Mutex
	text strings.Builder
}

// Write appends to the log.
func (l *Log) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *Log) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

// patience is how long a test waits for what must come before it is said never to: there is no time within which it
// must.
const patience = 2 * time.Minute

// Eventually waits until done, which has nothing to wait on.
func Eventually(t testing.TB, what string, done func() bool) {
	t.Helper()
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(time.Millisecond) {
		if done() {
			return
		}
	}
	t.Fatalf("never happened: %s", what)
}
