package spawn

import (
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// Process is a running board process and the daemon's end of its link: an io.ReadWriteCloser.
type Process struct {
	cmd   *exec.Cmd
	conn  net.Conn
	log   *logTail
	grace time.Duration
	done  chan struct{} // closed when the process is gone
	end   *ExitError    // how; set before done is closed
	once  sync.Once
}

// Start starts the board process, with a socket pair as its link. Close ends it.
func Start(c Command) (*Process, error) {
	if c.Path == "" {
		path, err := os.Executable()
		if err != nil {
			return nil, fmt.Errorf("find this executable, to start the board process: %w", err)
		}
		c.Path = path
	}
	if c.Grace == 0 {
		c.Grace = DefaultGrace
	}
	conn, theirs, err := socketPair()
	if err != nil {
		return nil, err
	}
	defer theirs.Close()
	cmd := exec.Command(c.Path, c.Args...)
	log := newLogTail(c.Stderr)
	cmd.Stdout, cmd.Stderr, cmd.Env = c.Stdout, log, c.Env
	cmd.ExtraFiles = []*os.File{theirs} // becomes LinkFD
	cmd.WaitDelay = c.Grace
	cmd.SysProcAttr = &unix.SysProcAttr{
		Pdeathsig: unix.SIGTERM,
		Setpgid:   true, // an interrupt from the terminal is for the daemon, which then shuts the board down
	}
	p := &Process{cmd: cmd, conn: conn, log: log, grace: c.Grace, done: make(chan struct{})}
	started := make(chan error)
	go p.run(started)
	if err := <-started; err != nil {
		conn.Close()
		return nil, fmt.Errorf("start the board process %s: %w", c.Path, err)
	}
	return p, nil
}

// run starts the process and waits for its end, all on one thread: the kernel signals a child when the thread that
// started it ends, not the process.
func (p *Process) run(started chan<- error) {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	err := p.cmd.Start()
	started <- err
	if err != nil {
		p.log.finish(0)
		return
	}
	err = p.cmd.Wait()
	p.log.finish(p.grace / 2)
	state := p.cmd.ProcessState
	p.end = &ExitError{Name: commandName(p.cmd), State: state, How: describeExit(state, err, p.log.String())}
	close(p.done)
}

// commandName is the program and its subcommand.
func commandName(cmd *exec.Cmd) string {
	words := []string{filepath.Base(cmd.Path)}
	for _, arg := range cmd.Args[1:] {
		if strings.HasPrefix(arg, "-") {
			break
		}
		words = append(words, arg)
	}
	return strings.Join(words, " ")
}

func describeExit(s *os.ProcessState, err error, log string) string {
	switch {
	case s == nil:
		return fmt.Sprintf("could not be waited for: %v", err)
	case s.Success():
		return "ended"
	}
	if ws, ok := s.Sys().(syscall.WaitStatus); ok && ws.Signaled() {
		return fmt.Sprintf("was killed by signal %d (%s)", int(ws.Signal()), unix.SignalName(ws.Signal()))
	}
	if log == "" {
		return fmt.Sprintf("ended with exit status %d and did not say why", s.ExitCode())
	}
	return fmt.Sprintf("ended with exit status %d: %s", s.ExitCode(), strings.TrimPrefix(log, "stillwater: "))
}

// socketPair makes the link: the daemon's end, and the file for the process.
func socketPair() (net.Conn, *os.File, error) {
	fds, err := unix.Socketpair(unix.AF_UNIX, unix.SOCK_STREAM|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		return nil, nil, fmt.Errorf("make a socket pair for the board's link: %w", err)
	}
	ours, theirs := os.NewFile(uintptr(fds[0]), "board link"), os.NewFile(uintptr(fds[1]), "host link")
	defer ours.Close()
	conn, err := net.FileConn(ours)
	if err != nil {
		theirs.Close()
		return nil, nil, fmt.Errorf("use the socket pair for the board's link: %w", err)
	}
	return conn, theirs, nil
}

// Read reads from the link. Once the process has ended and everything it wrote is read, the error is an *ExitError.
func (p *Process) Read(b []byte) (int, error) {
	n, err := p.conn.Read(b)
	return n, p.explain(err)
}

// Write writes to the link.
func (p *Process) Write(b []byte) (int, error) {
	n, err := p.conn.Write(b)
	return n, p.explain(err)
}

// explain replaces the error of a closed link by how the process ended. The link closes a moment before the process can
// be waited for.
func (p *Process) explain(err error) error {
	if err == nil || errors.Is(err, os.ErrDeadlineExceeded) || errors.Is(err, net.ErrClosed) {
		return err
	}
	select {
	case <-p.done:
		return p.end
	case <-time.After(p.grace):
		return fmt.Errorf("the link to the board process is gone and the process is not: %w", err)
	}
}

// Done is closed when the process is gone.
func (p *Process) Done() <-chan struct{} { return p.done }

// Close ends the process: it closes the link, upon which the board switches its outputs off and exits, waits, and kills
// a process that does not. It may be called more than once. The error is an *ExitError unless the process exited by
// itself with status 0.
func (p *Process) Close() error {
	p.once.Do(func() { p.conn.Close() })
	select {
	case <-p.done:
	case <-time.After(p.grace):
		_ = p.cmd.Process.Kill()
		<-p.done
	}
	if p.end.State != nil && p.end.State.Success() {
		return nil
	}
	return p.end
}
