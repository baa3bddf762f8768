//go:build guest

package guest

import (
	"io"
	"os"
	"os/exec"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/config"
	"stillwater/internal/proctest"
	"stillwater/internal/spawn"
)

// boardProcess is the real board process, started as the daemon does, or as a service with a socket.
type boardProcess struct {
	t    *testing.T
	link io.ReadWriteCloser
	pid  int
	out  *proctest.Log
	done <-chan struct{}
	shot time.Duration // when it was killed, by the monotonic clock
}

// startBoard starts it and connects a host.
func startBoard(t *testing.T, path, socket string) *boardProcess {
	t.Helper()
	if socket != "" {
		p := startService(t, path, socket)
		p.dial(path, socket)
		return p
	}
	p := &boardProcess{t: t, out: &proctest.Log{}}
	before := proctest.Children(t, os.Getpid())
	link, err := spawn.Start(spawn.Command{Path: program, Args: []string{"board", "--config", path}, Stderr: p.out})
	require.NoError(t, err)
	started := slices.DeleteFunc(proctest.Children(t, os.Getpid()),
		func(pid int) bool { return slices.Contains(before, pid) })
	require.Len(t, started, 1)
	p.link, p.pid, p.done = link, started[0], link.Done()
	return p
}

// startService starts a board with a socket; nobody is connected yet.
func startService(t *testing.T, path, socket string) *boardProcess {
	t.Helper()
	p := &boardProcess{t: t, out: &proctest.Log{}}
	cmd := exec.Command(program, "board", "--config", path, "--listen", socket)
	cmd.Stderr = p.out
	require.NoError(t, cmd.Start())
	done := make(chan struct{})
	go func() { defer close(done); _ = cmd.Wait() }()
	p.pid, p.done = cmd.Process.Pid, done
	t.Cleanup(func() {
		p.stop()
		if t.Failed() {
			t.Logf("the board said:\n%s", p.out)
		}
	})
	return p
}

// dial connects a host, once the board listens.
func (p *boardProcess) dial(path, socket string) {
	p.t.Helper()
	conf, err := config.Load(path)
	require.NoError(p.t, err)
	proctest.Eventually(p.t, "the board answers", func() bool {
		p.link, err = spawn.Dial(p.t.Context(), socket, conf.Sum)
		return err == nil
	})
}

// kill kills the process, and waits until its watchdog has gone too. It returns when the process was gone.
func (p *boardProcess) kill() (gone time.Duration) {
	p.t.Helper()
	watchdogs := proctest.Children(p.t, p.pid)
	p.shot = time.Duration(monotonic(p.t))
	require.NoError(p.t, unix.Kill(p.pid, unix.SIGKILL))
	<-p.done
	gone = time.Duration(monotonic(p.t))
	if p.link != nil {
		p.link.Close()
	}
	for _, pid := range watchdogs {
		proctest.Eventually(p.t, "its watchdog ends", func() bool { return proctest.Ended(pid) })
	}
	return gone
}

// stopPatience is how long a board may take to end in order, by the machine's own time.
const stopPatience = time.Minute

// stop ends it in order. It may be called more than once. One that does not end fails the test, with the stacks of its
// goroutines.
func (p *boardProcess) stop() {
	if p.link != nil {
		p.link.Close()
	}
	for _, s := range []unix.Signal{unix.SIGTERM, unix.SIGQUIT, unix.SIGKILL} {
		select {
		case <-p.done:
			return
		default:
		}
		_ = unix.Kill(p.pid, s)
		select {
		case <-p.done:
			return
		case <-time.After(stopPatience):
			p.t.Errorf("the board did not end by %v; it said:\n%s", s, p.out)
		}
	}
	<-p.done
}
