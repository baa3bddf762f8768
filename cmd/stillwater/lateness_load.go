package main

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"sync/atomic"
	"syscall"
	"time"
)

// loadSettles is how long a load runs before anything is measured under it.
const loadSettles = time.Second

// latenessLoad is what keeps the machine busy.
type latenessLoad struct {
	name string
	stop func()
}

// startLoad keeps every processor busy, and memory and the scheduler with them where stress-ng is installed.
func (o *latenessOptions) startLoad(ctx context.Context) (latenessLoad, error) {
	if !o.load {
		return latenessLoad{stop: func() {}}, nil
	}
	path, err := exec.LookPath("stress-ng")
	if err != nil {
		return busyLoops(), nil
	}
	args := []string{"--cpu", "0", "--vm", "1", "--vm-bytes", "64M", "--switch", "1", "--temp-path", os.TempDir(),
		"--quiet",
		// If this process is killed, the load ends by itself.
		"--timeout", fmt.Sprintf("%.0fs", (time.Minute + 20*time.Duration(o.count)*o.interval).Seconds())}
	cmd := exec.CommandContext(ctx, path, args...)
	cmd.Cancel = func() error { return cmd.Process.Signal(syscall.SIGTERM) }
	cmd.WaitDelay = 5 * time.Second
	if err := cmd.Start(); err != nil {
		return latenessLoad{}, fmt.Errorf("lateness: --load: start stress-ng: %w", err)
	}
	time.Sleep(loadSettles)
	return latenessLoad{name: "stress-ng " + strings.Join(args, " "), stop: func() {
		_ = cmd.Process.Signal(syscall.SIGTERM)
		_ = cmd.Wait() // it was told to end
	}}, nil
}

// busyLoops are one for each processor, besides the goroutines that this process needs.
func busyLoops() latenessLoad {
	var over atomic.Bool
	n := runtime.NumCPU()
	before := runtime.GOMAXPROCS(0)
	runtime.GOMAXPROCS(before + n)
	for range n {
		go func() {
			runtime.LockOSThread()
			for !over.Load() {
			}
		}()
	}
	return latenessLoad{name: fmt.Sprintf("%d busy loops (stress-ng is not installed)", n), stop: func() {
		over.Store(true)
		runtime.GOMAXPROCS(before)
	}}
}
