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

// A board at its own socket says one line before any frame: greeting and the sum of its configuration, or busy and who
// has it.
const (
	greeting      = "stillwater board "
	busy          = "busy "
	longestGreet  = 200 // bytes
	answerWithin  = 5 * time.Second
	boardsService = "stillwater-board"
)

// Dial meets the board at its unix socket. sum is that of this side's configuration: a board with another one is
// refused. The error says in words what is missing and what to do. Reads tell in words when the board is gone.
func Dial(ctx context.Context, path, sum string) (io.ReadWriteCloser, error) {
	var dialer net.Dialer
	conn, err := dialer.DialContext(ctx, "unix", path)
	switch {
	case err != nil && ctx.Err() != nil:
		return nil, context.Cause(ctx)
	case err != nil:
		return nil, unanswered(path, err)
	}
	if err := meet(ctx, conn, path, sum); err != nil {
		conn.Close()
		return nil, err
	}
	return &met{Conn: conn, path: path}, nil
}

// unanswered says why nobody could be reached.
func unanswered(path string, err error) error {
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("there is no board socket %s yet: start the board's service with sudo systemctl start %s.socket, "+
			"or by hand with stillwater board --listen %s: %w", path, boardsService, path, err)
	case errors.Is(err, syscall.ECONNREFUSED):
		return fmt.Errorf("nobody answers at the board socket %s: start the board's service with sudo systemctl start %s, "+
			"or by hand with stillwater board --listen %s: %w", path, boardsService, path, err)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("this user may not open the board socket %s%s: run Stillwater as its owner: %w", path,
			rights(path), err)
	}
	return fmt.Errorf("the board socket %s cannot be opened: %w", path, err)
}

// rights are a file's, as far as they can be seen.
func rights(path string) string {
	info, err := os.Stat(path)
	if err != nil {
		return ""
	}
	return fmt.Sprintf(" (mode %04o%s)", info.Mode().Perm(), ownerOf(info))
}

// meet reads the board's first line.
func meet(ctx context.Context, conn net.Conn, path, sum string) error {
	until := time.Now().Add(answerWithin)
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
		return fmt.Errorf("the board at %s does not answer: its log says why: journalctl -u %s", path, boardsService)
	case err != nil:
		return fmt.Errorf("the board at %s ended before it said anything: its log says why: journalctl -u %s: %w", path,
			boardsService, err)
	}
	if err := judgeGreeting(path, line, sum); err != nil {
		return err
	}
	return conn.SetReadDeadline(time.Time{})
}

// judgeGreeting says what is wrong with a board's first line.
func judgeGreeting(path, line, sum string) error {
	if who, ok := strings.CutPrefix(line, busy); ok {
		return fmt.Errorf("the board at %s already serves %.100s: a board has one host at a time, stop that one", path,
			printable(who))
	}
	theirs, ok := strings.CutPrefix(line, greeting)
	if !ok {
		return fmt.Errorf("what answers at %s is no board of this version of Stillwater: it says %.40q", path, line)
	}
	if theirs != sum {
		return fmt.Errorf("the board at %s and this page have read different configurations: restart both, "+
			"sudo systemctl restart %s stillwater", path, boardsService)
	}
	return nil
}

// printable is what another program says, fit for a terminal: a process chooses its own name.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return '?'
		}
		return r
	}, strings.ToValidUTF8(text, "?"))
}

// firstLine reads up to the first line feed and no further: what follows are frames.
func firstLine(r io.Reader) (string, error) {
	var line []byte
	for b := make([]byte, 1); len(line) < longestGreet; line = append(line, b[0]) {
		if _, err := io.ReadFull(r, b); err != nil {
			return "", err
		}
		if b[0] == '\n' {
			return string(line), nil
		}
	}
	return string(line), nil
}

// met is the link to a board at its socket.
type met struct {
	net.Conn
	path string
}

// Read says in words when the board is gone.
func (m *met) Read(b []byte) (int, error) {
	n, err := m.Conn.Read(b)
	return n, m.explain(err)
}

// Write does too.
func (m *met) Write(b []byte) (int, error) {
	n, err := m.Conn.Write(b)
	return n, m.explain(err)
}

func (m *met) explain(err error) error {
	if err == nil || errors.Is(err, os.ErrDeadlineExceeded) || errors.Is(err, net.ErrClosed) {
		return err
	}
	return &Left{Path: m.path, Err: err}
}

// Left says that a board at its socket closed the link.
type Left struct {
	Path string
	Err  error
}

// Error says where to look for why.
func (e *Left) Error() string {
	return fmt.Sprintf("it left its socket %s; its log says why: journalctl -u %s", e.Path, boardsService)
}

// Unwrap is what the link said.
func (e *Left) Unwrap() error { return e.Err }
