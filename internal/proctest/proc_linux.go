package proctest

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

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
