package rig

import (
	"errors"
	"io"
	"sync"
)

// errUnread means that the host does not read what the board sends.
var errUnread = errors.New("rig: the host does not read")

// maxUnread is how many bytes are buffered for the host before frames are dropped, as by a serial port.
const maxUnread = 64 << 10

// link is the host's end of a connection to the board. What the host writes reaches the board within Write; what the
// board sends is buffered until the host reads it, so that neither waits for the other.
type link struct {
	receive func(l *link, p []byte)

	mu       sync.Mutex
	readable sync.Cond
	unread   []byte
	closed   bool
}

func newLink(receive func(*link, []byte)) *link {
	l := &link{receive: receive}
	l.readable.L = &l.mu
	return l
}

// Read waits for bytes from the board.
func (l *link) Read(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for len(l.unread) == 0 && !l.closed {
		l.readable.Wait()
	}
	if len(l.unread) == 0 {
		return 0, io.EOF
	}
	n := copy(p, l.unread)
	l.unread = l.unread[:copy(l.unread, l.unread[n:])]
	return n, nil
}

// Write passes bytes to the board.
func (l *link) Write(p []byte) (int, error) {
	l.mu.Lock()
	closed := l.closed
	l.mu.Unlock()
	if closed {
		return 0, io.ErrClosedPipe
	}
	l.receive(l, p)
	return len(p), nil
}

// Close ends the connection. The board notices by the link timeout.
func (l *link) Close() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.closed = true
	l.readable.Broadcast()
	return nil
}

// send buffers a frame from the board, whole or not at all.
func (l *link) send(frame []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed {
		return 0, io.ErrClosedPipe
	}
	if len(l.unread)+len(frame) > maxUnread {
		return 0, errUnread
	}
	l.unread = append(l.unread, frame...)
	l.readable.Signal()
	return len(frame), nil
}
