package spawn

import (
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"
)

// firstHeldFD is the first of the descriptors that a watchdog holds.
const firstHeldFD = LinkFD + 1

// watchdogTimeout is ample for a small process to start or to end.
const watchdogTimeout = 10 * time.Second

// Watchdog is a process that holds duplicates of this one's output descriptors and waits for this one to end. However
// it ends, SIGKILL included, the watchdog is still there to switch the outputs off.
type Watchdog struct {
	cmd  *exec.Cmd
	conn net.Conn // the watchdog waits for the kernel to close it with this process
	done chan struct{}
}

// StartWatchdog starts the process c, which must call Watch, with duplicates of the held descriptors, and returns once
// it is ready.
func StartWatchdog(c Command, held []int) (*Watchdog, error) {
	conn, theirs, err := socketPair()
	if err != nil {
		return nil, err
	}
	cmd := exec.Command(c.Path, c.Args...)
	cmd.Env, cmd.Stderr = c.Env, c.Stderr
	cmd.SysProcAttr = &unix.SysProcAttr{Setpgid: true} // what ends the group of the board must not end its watchdog
	if err := startWith(cmd, theirs, held); err != nil {
		conn.Close()
		return nil, err
	}
	w := &Watchdog{cmd: cmd, conn: conn, done: make(chan struct{})}
	if err := w.awaitReady(); err != nil {
		conn.Close()
		_ = cmd.Process.Kill()
		return nil, errors.Join(fmt.Errorf("the outputs' watchdog does not start: %w", err), cmd.Wait())
	}
	go func() {
		defer close(w.done)
		_ = cmd.Wait()
	}()
	return w, nil
}

// startWith starts the watchdog with its end of the link and duplicates of the held descriptors, and closes ours.
func startWith(cmd *exec.Cmd, theirs *os.File, held []int) error {
	cmd.ExtraFiles = []*os.File{theirs}
	defer func() {
		for _, f := range cmd.ExtraFiles {
			f.Close()
		}
	}()
	for _, fd := range held {
		own, err := unix.FcntlInt(uintptr(fd), unix.F_DUPFD_CLOEXEC, 0)
		if err != nil {
			return fmt.Errorf("copy descriptor %d for the watchdog: %w", fd, err)
		}
		cmd.ExtraFiles = append(cmd.ExtraFiles, os.NewFile(uintptr(own), "held"))
	}
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("start the outputs' watchdog %s: %w", filepath.Base(cmd.Path), err)
	}
	return nil
}

// awaitReady waits for the byte that the watchdog sends once it runs.
func (w *Watchdog) awaitReady() error {
	_ = w.conn.SetReadDeadline(time.Now().Add(watchdogTimeout))
	_, err := w.conn.Read(make([]byte, 1))
	return err
}

// Done is closed when the watchdog has ended: nothing would switch the outputs off after this process any more.
func (w *Watchdog) Done() <-chan struct{} { return w.done }

// Close makes the watchdog switch the outputs off and end, and waits for it: until then it holds their lines.
func (w *Watchdog) Close() error {
	err := w.conn.Close()
	select {
	case <-w.done:
		return err
	case <-time.After(watchdogTimeout):
		return errors.Join(err, w.cmd.Process.Kill())
	}
}

// Watch is what a watchdog process does: it waits until the process that started it is gone, then calls off for each of
// the n descriptors. It ignores the signals that ask a process to end.
func Watch(n int, off func(fd int) error) error {
	signal.Ignore(unix.SIGABRT, unix.SIGTERM, unix.SIGINT, unix.SIGHUP, unix.SIGQUIT, unix.SIGPIPE)
	if _, err := unix.GetsockoptInt(LinkFD, unix.SOL_SOCKET, unix.SO_TYPE); err != nil {
		return errors.New("a watchdog is started by the board process, with the outputs it is to hold")
	}
	b := make([]byte, 1)
	_, _ = unix.Write(LinkFD, b)
	for {
		if got, err := unix.Read(LinkFD, b); err != unix.EINTR && (got <= 0 || err != nil) {
			break
		}
	}
	var errs []error
	for fd := firstHeldFD; fd < firstHeldFD+n; fd++ {
		errs = append(errs, off(fd))
	}
	return errors.Join(errs...)
}
