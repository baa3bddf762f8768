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

// Listener accepts hosts of a board that runs as a service of its own, one at a time. A goroutine refuses any further
// host and tells it who has the board, without disturbing the board's loop.
type Listener struct {
	listener *net.UnixListener
	sum      string
	event    int           // eventfd: readable while a host waits to be accepted
	arrived  chan struct{} // the same for goroutines
	done     chan struct{}

	mu      sync.Mutex
	waiting Conn
	peer    string // the host that has the board or waits for it; "": none
	closed  bool
}

// Conn is the connection of an admitted host. The board closes Fd; Peer names the process at the other end.
type Conn struct {
	Fd   int
	Peer string
}

// Open opens the socket that a board process is to serve: the one that the service manager passed, or else the one at
// path. Without either it returns nil: the host is then the process that started this one, at LinkFD.
func Open(path string, passed []int, sum string) (*Listener, error) {
	switch {
	case len(passed) > 1:
		return nil, fmt.Errorf("the service manager passed %d sockets, a board has one: leave one ListenStream= in the "+
			"socket unit", len(passed))
	case len(passed) == 1:
		return ListenFD(passed[0], sum)
	case path != "":
		return Listen(path, sum)
	}
	return nil, nil
}

// Listen creates the socket, for its owner only. A stale socket, left by a board that has ended, is replaced.
func Listen(path, sum string) (*Listener, error) {
	listener, err := listenAt(path)
	if err != nil {
		return nil, err
	}
	return newListener(listener, sum)
}

// ListenFD takes over a listening socket passed by a service manager. The socket's file stays when it is closed.
func ListenFD(fd int, sum string) (*Listener, error) {
	f := os.NewFile(uintptr(fd), "board socket")
	defer f.Close()
	l, err := net.FileListener(f)
	if err != nil {
		return nil, fmt.Errorf("use the board socket on descriptor %d: %w", fd, err)
	}
	listener, ok := l.(*net.UnixListener)
	if !ok {
		return nil, errors.Join(fmt.Errorf("descriptor %d is not a unix socket to listen on", fd), l.Close())
	}
	return newListener(listener, sum)
}

func newListener(listener *net.UnixListener, sum string) (*Listener, error) {
	event, err := unix.Eventfd(0, unix.EFD_NONBLOCK|unix.EFD_CLOEXEC)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("make an event for the board socket: %w", err), listener.Close())
	}
	l := &Listener{listener: listener, sum: sum, event: event, arrived: make(chan struct{}, 1),
		done: make(chan struct{})}
	go l.acceptLoop()
	return l, nil
}

func listenAt(path string) (*net.UnixListener, error) {
	address := &net.UnixAddr{Name: path, Net: "unix"}
	// The permissions must be set from the start.
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
		return fmt.Errorf("%s is in the way of the board socket and is not a socket: move it, or choose another path", path)
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

// acceptLoop admits hosts until the listener is closed.
func (l *Listener) acceptLoop() {
	defer close(l.done)
	for {
		conn, err := l.listener.AcceptUnix()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			slog.Warn("board: a host could not be accepted", "err", err)
			time.Sleep(100 * time.Millisecond) // out of descriptors, most likely: others may become free
			continue
		}
		l.admit(conn)
		conn.Close()
	}
}

// admit hands a host over to the board, or refuses it and says who has the board.
func (l *Listener) admit(conn *net.UnixConn) {
	fd, who, err := descriptorOf(conn)
	if err != nil {
		slog.Warn("board: a host could not be accepted", "err", err)
		return
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.peer != "" || l.closed {
		slog.Warn("board: another host was refused: " + who)
		_, _ = conn.Write([]byte(busy + l.peer + "\n"))
		unix.Close(fd)
		return
	}
	if _, err := conn.Write([]byte(greeting + l.sum + "\n")); err != nil {
		unix.Close(fd) // it has disconnected
		return
	}
	l.waiting, l.peer = Conn{Fd: fd, Peer: who}, who
	_, _ = unix.Write(l.event, []byte{1, 0, 0, 0, 0, 0, 0, 0})
	select {
	case l.arrived <- struct{}{}:
	default: // the previous one was not consumed
	}
}

// descriptorOf duplicates the connection's descriptor for another owner, and names its peer.
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
		who = describe(cred)
		fd, err = unix.FcntlInt(own, unix.F_DUPFD_CLOEXEC, 0)
	})
	return fd, who, errors.Join(controlErr, err)
}

// describe names a process.
func describe(cred *unix.Ucred) string {
	name := "process"
	if comm, err := os.ReadFile(fmt.Sprintf("/proc/%d/comm", cred.Pid)); err == nil {
		name = strings.TrimSpace(string(comm))
	}
	return fmt.Sprintf("%s %d of user %d", name, cred.Pid, cred.Uid)
}

// Fd becomes readable when a host waits to be accepted.
func (l *Listener) Fd() int { return l.event }

// Waiting receives when a host may wait to be accepted, for callers that do not poll Fd.
func (l *Listener) Waiting() <-chan struct{} { return l.arrived }

// Accept returns the host that waits, if there is one. It never blocks.
func (l *Listener) Accept() (Conn, bool) {
	var count [8]byte
	if _, err := unix.Read(l.event, count[:]); err != nil {
		return Conn{}, false
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	c := l.waiting
	l.waiting = Conn{}
	return c, true
}

// Release lets the next host in: the accepted one has disconnected.
func (l *Listener) Release() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.peer = ""
}

// Close stops listening, and removes the socket if Listen created it. A host that was not accepted yet is disconnected.
func (l *Listener) Close() error {
	l.mu.Lock()
	l.closed = true
	l.mu.Unlock()
	err := l.listener.Close()
	<-l.done
	if c, ok := l.Accept(); ok {
		unix.Close(c.Fd)
	}
	return errors.Join(err, unix.Close(l.event))
}

// ownerOf names a file's owner.
func ownerOf(info fs.FileInfo) string {
	if st, ok := info.Sys().(*syscall.Stat_t); ok {
		return fmt.Sprintf(", user %d", st.Uid)
	}
	return ""
}
