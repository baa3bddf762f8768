package bench

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"time"

	"stillwater/internal/config"
	"stillwater/internal/lateness"
	"stillwater/internal/realtime"
)

// peerHistogram is how many nanoseconds cyclictest counts one by one: the most it accepts. It only counts what is
// later.
const peerHistogram = 1_000_000

// cyclictest runs the peer with the same priority, interval and number of samples.
func (o *Options) cyclictest(ctx context.Context, n int) ([]lateness.Count, error) {
	path, err := exec.LookPath("cyclictest")
	if err != nil {
		return nil, fmt.Errorf("--peer needs cyclictest: install it (Debian: apt install rt-tests), or leave --peer out")
	}
	dir, err := os.MkdirTemp("", "stillwater-lateness-")
	if err != nil {
		return nil, fmt.Errorf("--peer: %w", err)
	}
	defer os.RemoveAll(dir)
	out := filepath.Join(dir, "cyclictest.json")
	args := []string{"--quiet", "--mlockall", "--nsecs", "--loops=" + strconv.Itoa(n),
		"--interval=" + strconv.FormatInt(o.Interval.Microseconds(), 10),
		"--histogram=" + strconv.Itoa(peerHistogram), "--json=" + out}
	args = append(args, o.peerThread(realtime.Probe)...)
	if printed, err := exec.CommandContext(ctx, path, args...).CombinedOutput(); err != nil {
		return nil, fmt.Errorf("--peer: cyclictest: %w: %s (it runs for root only, or with a limit on real-time priority "+
			"that allows it; else leave --peer out)", err, firstLine(printed))
	}
	text, err := os.ReadFile(out)
	if err != nil {
		return nil, fmt.Errorf("--peer: %w", err)
	}
	return parseCyclictest(text)
}

// peerThread asks for what the board's thread is granted and no more, so that both run alike.
func (o *Options) peerThread(probe func(realtime.Want) realtime.Report) []string {
	thread := []string{"--policy=other"}
	if o.Priority > 0 && probe(realtime.Want{Priority: o.Priority, CPU: config.AnyCPU}).Grants[0].OK {
		thread = []string{"--policy=fifo", "--priority=" + strconv.Itoa(o.Priority)}
	}
	if o.CPU != config.AnyCPU && probe(realtime.Want{CPU: o.CPU}).Grants[0].OK {
		thread = append(thread, "--affinity="+strconv.Itoa(o.CPU))
	}
	return thread
}

func firstLine(p []byte) string {
	const enough = 200
	for i, c := range p {
		if c == '\n' || i == enough {
			return string(p[:i])
		}
	}
	return string(p)
}

// parseCyclictest reads the counts of its one thread. Format: what cyclictest 2.40 (rt-tests 2.4) writes with --json
// --nsecs --histogram; the manual page does not describe it.
func parseCyclictest(text []byte) ([]lateness.Count, error) {
	var result struct {
		Code    int `json:"return_code"`
		Threads map[string]struct {
			Histogram map[string]int `json:"histogram"`
			Cycles    int            `json:"cycles"`
			Max       int64          `json:"max"`
		} `json:"thread"`
	}
	if err := json.Unmarshal(text, &result); err != nil {
		return nil, fmt.Errorf("--peer: what cyclictest wrote cannot be read: %w", err)
	}
	thread, ok := result.Threads["0"]
	if !ok || result.Code != 0 || thread.Cycles < 1 {
		return nil, fmt.Errorf("--peer: cyclictest measured nothing (return code %d)", result.Code)
	}
	left := thread.Cycles
	var counts []lateness.Count
	for value, n := range thread.Histogram {
		ns, err := strconv.ParseInt(value, 10, 64)
		if err != nil || value != strconv.FormatInt(ns, 10) || ns < 0 || ns >= peerHistogram || n < 0 || n > left {
			return nil, fmt.Errorf("--peer: what cyclictest wrote does not add up: %.40q ns %d times, of %d samples in all",
				value, n, thread.Cycles)
		}
		if n > 0 {
			counts = append(counts, lateness.Count{Value: time.Duration(ns), N: n})
		}
		left -= n
	}
	slices.SortFunc(counts, func(a, b lateness.Count) int { return cmp.Compare(a.Value, b.Value) })
	latest := time.Duration(thread.Max)
	switch {
	case left == 0 && latest == counts[len(counts)-1].Value:
		return counts, nil
	case left == 0 || latest < peerHistogram:
		return nil, fmt.Errorf("--peer: what cyclictest wrote does not add up: %d ns is not the latest of its samples",
			thread.Max)
	}
	// The latest is known; the others beyond the histogram count as little as can be.
	if left > 1 {
		counts = append(counts, lateness.Count{Value: peerHistogram, N: left - 1})
	}
	return append(counts, lateness.Count{Value: latest, N: 1}), nil
}
