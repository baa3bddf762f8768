package rig

import (
	"errors"
	"io"
	"sync"
)

// errFull: the host does not read what the board sends.
var errFull = errors.New("rig: the host does not read")

// mostUnread is how much the board sends ahead of the host before frames are dropped, as a serial port would.
const mostUnread = 64 << 10

// link is the host's end of a connection to the board. What the host writes reaches the board within Write; what the
// board sends waits here until the host reads it, so that neither ever waits for the other.
type link struct {
	receive func(l *link, p []byte)

	mu     sync.Mutex
	some   sync.Cond
	unread []byte
	closed bool
}

func newLink(receive func(*link, []byte)) *link {
	l := &link{receive: receive}
	l.some.L = &l.mu
	return l
}

// Read waits for something from the board.
func (l *link) Read(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for len(l.unread) == 0 && !l.closed {
		l.some.Wait()
	}
	if len(l.unread) == 0 {
		return 0, io.EOF
	}
	n := copy(p, l.unread)
	l.unread = l.unread[:copy(l.unread, l.unread[n:])]
	return n, nil
}

// Write gives bytes to the board.
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

// Close ends the connection. The board notices by the silence.
func (l *link) Close() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.closed = true
	l.some.Broadcast()
	return nil
}

// send takes a frame from the board, whole or not at all.
func (l *link) send(frame []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed {
		return 0, io.ErrClosedPipe
	}
	if len(l.unread)+len(frame) > mostUnread {
		return 0, errFull
	}
	l.unread = append(l.unread, frame...)
	l.some.Signal()
	return len(frame), nil
}
