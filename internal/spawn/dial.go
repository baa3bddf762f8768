package spawn

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"strings"
	"syscall"
	"time"
	"unicode"
)

// A board with a socket of its own sends one line before any frame: greeting and the checksum of its configuration, or
// busy and the process that has it. firmware/PROTOCOL.md describes it.
const (
	greeting        = "stillwater board "
	busy            = "busy "
	maxGreeting     = 200 // bytes
	greetingTimeout = 5 * time.Second
	boardUnit       = "stillwater-board"
)

// Dial connects to the board at its unix socket. A board whose configuration has another checksum than sum is refused.
// The error says what is missing and what to do. When the board goes away, reads and writes return a *ClosedError.
func Dial(ctx context.Context, path, sum string) (io.ReadWriteCloser, error) {
	var dialer net.Dialer
	conn, err := dialer.DialContext(ctx, "unix", path)
	switch {
	case err != nil && ctx.Err() != nil:
		return nil, context.Cause(ctx)
	case err != nil:
		return nil, dialError(path, err)
	}
	if err := readGreeting(ctx, conn, path, sum); err != nil {
		conn.Close()
		return nil, err
	}
	return &boardConn{Conn: conn, path: path}, nil
}

// dialError explains why the socket could not be opened, and what to do.
func dialError(path string, err error) error {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("there is no board socket %s yet: start the board's service with sudo systemctl start %s.socket, "+
			"or by hand with stillwater board --listen %s: %w", path, boardUnit, path, err)
	case errors.Is(err, syscall.ECONNREFUSED):
		return fmt.Errorf("nobody answers at the board socket %s: start the board's service with sudo systemctl start %s, "+
			"or by hand with stillwater board --listen %s: %w", path, boardUnit, path, err)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("this user is not allowed to open the board socket %s%s: run Stillwater as its owner: %w", path,
			permissions(path), err)
	}
	return fmt.Errorf("the board socket %s cannot be opened: %w", path, err)
}

// permissions describes a file's mode and owner, "" if unknown.
func permissions(path string) string {
	info, err := os.Stat(path)
	if err != nil {
		return ""
	}
	return fmt.Sprintf(" (mode %04o%s)", info.Mode().Perm(), ownerOf(info))
}

// readGreeting reads the board's first line and checks it.
func readGreeting(ctx context.Context, conn net.Conn, path, sum string) error {
	until := time.Now().Add(greetingTimeout)
	if end, ok := ctx.Deadline(); ok && end.Before(until) {
		until = end
	}
	stop := context.AfterFunc(ctx, func() { _ = conn.SetReadDeadline(time.Unix(1, 0)) })
	defer stop()
	_ = conn.SetReadDeadline(until)
	line, err := firstLine(conn)
	switch {
	case ctx.Err() != nil:
		return context.Cause(ctx)
	case errors.Is(err, os.ErrDeadlineExceeded):
		return fmt.Errorf("the board at %s does not answer: its log says why: journalctl -u %s", path, boardUnit)
	case err != nil:
		return fmt.Errorf("the board at %s ended before it said anything: its log says why: journalctl -u %s: %w", path,
			boardUnit, err)
	}
	if err := checkGreeting(path, line, sum); err != nil {
		return err
	}
	return conn.SetReadDeadline(time.Time{})
}

// checkGreeting returns an error for a board's first line unless it is the greeting.
func checkGreeting(path, line, sum string) error {
	if who, ok := strings.CutPrefix(line, busy); ok {
		return fmt.Errorf("the board at %s already serves %.100s: a board has one host at a time, stop that one", path,
			printable(who))
	}
	theirs, ok := strings.CutPrefix(line, greeting)
	if !ok {
		return fmt.Errorf("what answers at %s is not a board of this version of Stillwater: it says %.40q", path, line)
	}
	if theirs != sum {
		return fmt.Errorf("the board at %s and this page have read different configurations: restart both, "+
			"sudo systemctl restart %s stillwater", path, boardUnit)
	}
	return nil
}

// printable makes another program's text safe for a terminal: a process chooses its own name.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return '?'
		}
		return r
	}, strings.ToValidUTF8(text, "?"))
}

// firstLine reads up to the first line feed and no further: frames follow.
func firstLine(r io.Reader) (string, error) {
	var line []byte
	for b := make([]byte, 1); len(line) < maxGreeting; line = append(line, b[0]) {
		if _, err := io.ReadFull(r, b); err != nil {
			return "", err
		}
		if b[0] == '\n' {
			return string(line), nil
		}
	}
	return string(line), nil
}

// boardConn is the link to a board at its socket.
type boardConn struct {
	net.Conn
	path string
}

// Read reads frames.
func (c *boardConn) Read(b []byte) (int, error) {
	n, err := c.Conn.Read(b)
	return n, c.explain(err)
}

// Write writes frames.
func (c *boardConn) Write(b []byte) (int, error) {
	n, err := c.Conn.Write(b)
	return n, c.explain(err)
}

func (c *boardConn) explain(err error) error {
	if err == nil || errors.Is(err, os.ErrDeadlineExceeded) || errors.Is(err, net.ErrClosed) {
		return err
	}
	return &ClosedError{Path: c.path, Err: err}
}

// ClosedError is the error of a link that a board at its socket closed.
type ClosedError struct {
	Path string
	Err  error
}

// Error says where to look for the reason.
func (e *ClosedError) Error() string {
	return fmt.Sprintf("it left its socket %s; its log says why: journalctl -u %s", e.Path, boardUnit)
}

// Unwrap is the link's own error.
func (e *ClosedError) Unwrap() error { return e.Err }
