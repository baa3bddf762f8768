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

// firstKept is the first of the descriptors a keeper holds.
const firstKept = LinkFD + 1

// keeperWithin is ample for a small process to start.
const keeperWithin = 10 * time.Second

// Keeper is a process that holds the same descriptors as this one and does nothing while this one lives. Whatever ends
// this process, be it a signal that cannot be caught, the keeper is still there to switch off what it holds.
type Keeper struct {
	cmd  *exec.Cmd
	conn net.Conn // the kernel closes it when this process is gone, which is what the keeper waits for
	gone chan struct{}
}

// StartKeeper starts the process c, which is to call Keep, with the descriptors it is to hold, and returns once it
// holds them.
func StartKeeper(c Command, held []int) (*Keeper, error) {
	conn, theirs, err := pair()
	if err != nil {
		return nil, err
	}
	cmd := exec.Command(c.Path, c.Args...)
	cmd.Env, cmd.Stderr = c.Env, c.Stderr
	cmd.SysProcAttr = &unix.SysProcAttr{Setpgid: true} // what ends the group of the board must not end its keeper
	if err := startWith(cmd, theirs, held); err != nil {
		conn.Close()
		return nil, err
	}
	k := &Keeper{cmd: cmd, conn: conn, gone: make(chan struct{})}
	if err := k.hello(); err != nil {
		conn.Close()
		_ = cmd.Process.Kill()
		return nil, errors.Join(fmt.Errorf("the outputs' keeper does not start: %w", err), cmd.Wait())
	}
	go func() {
		defer close(k.gone)
		_ = cmd.Wait()
	}()
	return k, nil
}

// startWith starts the keeper with its end of the link and copies of what it is to hold, and closes those here.
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
			return fmt.Errorf("copy descriptor %d for the keeper: %w", fd, err)
		}
		cmd.ExtraFiles = append(cmd.ExtraFiles, os.NewFile(uintptr(own), "held"))
	}
	if err := cmd.Start(); err != nil {
		return fmt.Errorf("start the outputs' keeper %s: %w", filepath.Base(cmd.Path), err)
	}
	return nil
}

// hello waits for the keeper's one byte.
func (k *Keeper) hello() error {
	_ = k.conn.SetReadDeadline(time.Now().Add(keeperWithin))
	_, err := k.conn.Read(make([]byte, 1))
	return err
}

// Gone is closed when the keeper has ended: nobody switches off after this process any more.
func (k *Keeper) Gone() <-chan struct{} { return k.gone }

// Close lets the keeper switch off and go, and waits for it: until then the lines it holds are nobody else's.
func (k *Keeper) Close() error {
	err := k.conn.Close()
	select {
	case <-k.gone:
		return err
	case <-time.After(keeperWithin):
		return errors.Join(err, k.cmd.Process.Kill())
	}
}

// Keep is the keeper's own part: it waits until the process that started it is gone, then calls off for each of the n
// descriptors. What asks it to end before that is not listened to.
func Keep(n int, off func(fd int) error) error {
	signal.Ignore(unix.SIGABRT, unix.SIGTERM, unix.SIGINT, unix.SIGHUP, unix.SIGQUIT, unix.SIGPIPE)
	if _, err := unix.GetsockoptInt(LinkFD, unix.SOL_SOCKET, unix.SO_TYPE); err != nil {
		return errors.New("a keeper is started by the board process, with what it is to keep")
	}
	b := make([]byte, 1)
	_, _ = unix.Write(LinkFD, b)
	for {
		if got, err := unix.Read(LinkFD, b); err != unix.EINTR && (got <= 0 || err != nil) {
			break
		}
	}
	var errs []error
	for fd := firstKept; fd < firstKept+n; fd++ {
		errs = append(errs, off(fd))
	}
	return errors.Join(errs...)
}
