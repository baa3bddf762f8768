package spawn

import (
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net"
	"os"
	"strings"
	"sync"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// Door is where hosts come to a board that is a service of its own: one at a time. Any other is told who is with the
// board, by a goroutine of the door's own, so that the board need not look up from its work.
type Door struct {
	listener *net.UnixListener
	sum      string
	bell     int // eventfd: readable while a guest waits
	done     chan struct{}

	mu     sync.Mutex
	guest  Guest
	with   string // whom the board is with, or who waits; "": nobody
	closed bool
}

// Guest is a host that was let in: its link, for the board to close, and who it is in words.
type Guest struct {
	Fd  int
	Who string
}

// OpenDoor makes the socket, for its owner only. A socket that a board which is gone left behind is replaced.
func OpenDoor(path, sum string) (*Door, error) {
	listener, err := listenAt(path)
	if err != nil {
		return nil, err
	}
	return newDoor(listener, sum)
}

// TakeDoor takes over a listening socket, as a service manager passes it. It stays the manager's: closing leaves it
// there.
func TakeDoor(fd int, sum string) (*Door, error) {
	f := os.NewFile(uintptr(fd), "board socket")
	defer f.Close()
	l, err := net.FileListener(f)
	if err != nil {
		return nil, fmt.Errorf("use the board socket on descriptor %d: %w", fd, err)
	}
	listener, ok := l.(*net.UnixListener)
	if !ok {
		return nil, errors.Join(fmt.Errorf("descriptor %d is no unix socket to listen on", fd), l.Close())
	}
	return newDoor(listener, sum)
}

func newDoor(listener *net.UnixListener, sum string) (*Door, error) {
	bell, err := unix.Eventfd(0, unix.EFD_NONBLOCK|unix.EFD_CLOEXEC)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("make an event for the board socket: %w", err), listener.Close())
	}
	d := &Door{listener: listener, sum: sum, bell: bell, done: make(chan struct{})}
	go d.receive()
	return d, nil
}

func listenAt(path string) (*net.UnixListener, error) {
	address := &net.UnixAddr{Name: path, Net: "unix"}
	// The rights must be right from the start, not from a moment later.
	mask := unix.Umask(0o177)
	defer unix.Umask(mask)
	l, err := net.ListenUnix("unix", address)
	if errors.Is(err, unix.EADDRINUSE) {
		if err := removeStale(path, address); err != nil {
			return nil, err
		}
		l, err = net.ListenUnix("unix", address)
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, fmt.Errorf("the folder of the board socket %s is not there: make it first: %w", path, err)
	case err != nil:
		return nil, fmt.Errorf("make the board socket %s: %w", path, err)
	}
	return l, nil
}

// removeStale removes a socket at which nobody listens.
func removeStale(path string, address *net.UnixAddr) error {
	info, err := os.Lstat(path)
	if err != nil {
		return fmt.Errorf("look at the board socket %s: %w", path, err)
	}
	if info.Mode().Type() != fs.ModeSocket {
		return fmt.Errorf("%s is in the way of the board socket and is no socket: move it, or choose another path", path)
	}
	conn, err := net.DialUnix("unix", nil, address)
	if err == nil {
		conn.Close()
		return fmt.Errorf("another board is at %s: stop that one first", path)
	}
	if !errors.Is(err, unix.ECONNREFUSED) {
		return fmt.Errorf("look whether another board is at %s: %w", path, err)
	}
	return os.Remove(path)
}

// receive lets hosts in until the door is closed.
func (d *Door) receive() {
	defer close(d.done)
	for {
		conn, err := d.listener.AcceptUnix()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			slog.Warn("board: a host could not come in", "err", err)
			time.Sleep(100 * time.Millisecond) // out of descriptors, most likely: others may become free
			continue
		}
		d.admit(conn)
		conn.Close()
	}
}

// admit lets a host in, or tells it who is with the board.
func (d *Door) admit(conn *net.UnixConn) {
	fd, who, err := descriptorOf(conn)
	if err != nil {
		slog.Warn("board: a host could not come in", "err", err)
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.with != "" || d.closed {
		slog.Warn("board: another host was refused: " + who)
		_, _ = conn.Write([]byte(busy + d.with + "\n"))
		unix.Close(fd)
		return
	}
	if _, err := conn.Write([]byte(greeting + d.sum + "\n")); err != nil {
		unix.Close(fd) // it has gone
		return
	}
	d.guest, d.with = Guest{Fd: fd, Who: who}, who
	_, _ = unix.Write(d.bell, []byte{1, 0, 0, 0, 0, 0, 0, 0})
}

// descriptorOf is a descriptor of the connection for somebody else to own, and who is at its other end.
func descriptorOf(conn *net.UnixConn) (fd int, who string, err error) {
	raw, err := conn.SyscallConn()
	if err != nil {
		return -1, "", err
	}
	fd = -1
	controlErr := raw.Control(func(own uintptr) {
		var cred *unix.Ucred
		if cred, err = unix.GetsockoptUcred(int(own), unix.SOL_SOCKET, unix.SO_PEERCRED); err != nil {
			return
		}
		who = peer(cred)
		fd, err = unix.FcntlInt(own, unix.F_DUPFD_CLOEXEC, 0)
	})
	return fd, who, errors.Join(controlErr, err)
}

// peer is a process in words.
func peer(cred *unix.Ucred) string {
	name := "process"
	if comm, err := os.ReadFile(fmt.Sprintf("/proc/%d/comm", cred.Pid)); err == nil {
		name = strings.TrimSpace(string(comm))
	}
	return fmt.Sprintf("%s %d of user %d", name, cred.Pid, cred.Uid)
}

// Fd becomes readable when a guest waits.
func (d *Door) Fd() int { return d.bell }

// Guest is the host that was let in and waits; false: none does.
func (d *Door) Guest() (Guest, bool) {
	var count [8]byte
	if _, err := unix.Read(d.bell, count[:]); err != nil {
		return Guest{}, false
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	g := d.guest
	d.guest = Guest{}
	return g, true
}

// Free lets the next host in: the one before has gone.
func (d *Door) Free() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.with = ""
}

// Close closes the door, and removes the socket if OpenDoor made it. A guest that was never asked in is sent away.
func (d *Door) Close() error {
	d.mu.Lock()
	d.closed = true
	d.mu.Unlock()
	err := d.listener.Close()
	<-d.done
	if g, ok := d.Guest(); ok {
		unix.Close(g.Fd)
	}
	return errors.Join(err, unix.Close(d.bell))
}

// ownerOf names a file's owner.
func ownerOf(info fs.FileInfo) string {
	if st, ok := info.Sys().(*syscall.Stat_t); ok {
		return fmt.Sprintf(", user %d", st.Uid)
	}
	return ""
}
