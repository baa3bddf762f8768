// Package proctest is for tests of processes: their logs, their children, their end. For tests only.
package proctest

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
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

// Children are the processes that a process started and that have not ended.
func Children(t testing.TB, pid int) (list []int) {
	t.Helper()
	stats, err := filepath.Glob("/proc/[0-9]*/stat")
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range stats {
		stat, err := os.ReadFile(path)
		if err != nil {
			continue // it has ended
		}
		_, rest, _ := strings.Cut(string(stat), ") ")
		if f := strings.Fields(rest); len(f) > 1 && f[0] != "Z" && f[1] == strconv.Itoa(pid) {
			child, err := strconv.Atoi(filepath.Base(filepath.Dir(path)))
			if err != nil {
				t.Fatal(err)
			}
			list = append(list, child)
		}
	}
	return list
}

// Stopped reports whether all threads of a process are stopped by a signal.
func Stopped(t testing.TB, pid int) bool {
	t.Helper()
	threads, err := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/stat", pid))
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range threads {
		stat, err := os.ReadFile(path)
		if err != nil {
			continue // it has ended
		}
		if !strings.Contains(string(stat), ") T ") {
			return false
		}
	}
	return len(threads) > 0
}

// Ended reports whether a process has ended; one that has not been waited for yet has too.
func Ended(pid int) bool {
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	return err != nil || strings.Contains(string(stat), ") Z ")
}
