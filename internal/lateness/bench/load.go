package bench

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

// loadSettle is how long a load runs before anything is measured under it.
const loadSettle = time.Second

// load is what keeps the machine busy.
type load struct {
	name string
	stop func()
}

// startLoads keeps the machine busy as asked.
func (o *Options) startLoads(ctx context.Context) (load, error) {
	all, err := o.startLoad(ctx)
	for _, beside := range []struct {
		wanted bool
		start  func(context.Context) (load, error)
	}{{o.Pictures, renderPictures}, {o.Frames, o.lookAtFrames}} {
		if err != nil || !beside.wanted {
			continue
		}
		var one load
		if one, err = beside.start(ctx); err != nil {
			all.stop()
			return load{}, err
		}
		all = all.and(one)
	}
	return all, err
}

// and is two loads at once.
func (l load) and(other load) load {
	if l.name != "" {
		other.name = l.name + "; " + other.name
	}
	return load{name: other.name, stop: func() {
		other.stop()
		l.stop()
	}}
}

// startLoad keeps every processor busy, and with stress-ng, if it is installed, memory and the scheduler too.
func (o *Options) startLoad(ctx context.Context) (load, error) {
	if !o.Load {
		return load{stop: func() {}}, nil
	}
	path, err := exec.LookPath("stress-ng")
	if err != nil {
		return busyLoops(), nil
	}
	args := []string{"--cpu", "0", "--vm", "1", "--vm-bytes", "64M", "--switch", "1", "--temp-path", os.TempDir(),
		"--quiet",
		// If this process is killed, the load ends by itself.
		"--timeout", fmt.Sprintf("%.0fs", (time.Minute + 20*time.Duration(o.Count)*o.Interval).Seconds())}
	cmd := exec.CommandContext(ctx, path, args...)
	cmd.Cancel = func() error { return cmd.Process.Signal(syscall.SIGTERM) }
	cmd.WaitDelay = 5 * time.Second
	if err := cmd.Start(); err != nil {
		return load{}, fmt.Errorf("--load: start stress-ng: %w", err)
	}
	time.Sleep(loadSettle)
	return load{name: "stress-ng " + strings.Join(args, " "), stop: func() {
		_ = cmd.Process.Signal(syscall.SIGTERM)
		_ = cmd.Wait() // it ends by that signal
	}}, nil
}

// busyLoops keep each processor busy, besides the goroutines that this process needs.
func busyLoops() load {
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
	return load{name: fmt.Sprintf("%d busy loops (stress-ng is not installed)", n), stop: func() {
		over.Store(true)
		runtime.GOMAXPROCS(before)
	}}
}
