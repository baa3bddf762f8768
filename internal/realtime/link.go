package realtime

import (
	"errors"
	"io"
)

// linkBuffer is room for what the host has not read yet: some 2000 frames.
const linkBuffer = 64 << 10

// ErrLinkFull means that the host stopped reading.
var ErrLinkFull = errors.New("the host does not read what the board says")

// Link is the board's end of the byte stream to the host. Write buffers and returns; Flush sends what the stream takes
// without blocking. So a slow host cannot delay the pins.
type Link struct {
	fd     int
	stream stream
	ring   [linkBuffer]byte
	start  int // first byte to send
	n      int // bytes to send
	full   bool
}

// stream is a non-blocking byte stream: read and write report again where they would block.
type stream interface {
	read(p []byte) (n int, again bool, err error)
	write(p []byte) (n int, again bool, err error)
}

// Write takes all of p or, when there is no room for it, nothing.
func (l *Link) Write(p []byte) (int, error) {
	if len(p) > len(l.ring)-l.n {
		l.full = true
		return 0, ErrLinkFull
	}
	end := (l.start + l.n) % len(l.ring)
	first := copy(l.ring[end:], p)
	copy(l.ring[:], p[first:])
	l.n += len(p)
	return len(p), nil
}

// Read returns what has arrived, without blocking: 0 bytes and no error when there is nothing. io.EOF: the host is
// gone.
func (l *Link) Read(p []byte) (int, error) {
	n, again, err := l.stream.read(p)
	switch {
	case again:
		return 0, nil
	case err != nil:
		return 0, err
	case n == 0:
		return 0, io.EOF
	}
	return n, nil
}

// Flush sends what the stream takes now. ErrLinkFull: a write was dropped earlier; io.EOF: the host is gone.
func (l *Link) Flush() error {
	for l.n > 0 {
		end := min(l.start+l.n, len(l.ring))
		n, again, err := l.stream.write(l.ring[l.start:end])
		if err != nil {
			return err
		}
		l.start = (l.start + n) % len(l.ring)
		l.n -= n
		if again || n == 0 {
			break
		}
	}
	if l.full {
		return ErrLinkFull
	}
	return nil
}

// Pending reports whether there is something to flush.
func (l *Link) Pending() bool { return l.n > 0 }

// Fd is the descriptor to wait on.
func (l *Link) Fd() int { return l.fd }
