package spawn

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

const sum = "0123456789abcdef"

// acceptFrom waits for a host to accept.
func acceptFrom(t *testing.T, l *Listener) Conn {
	t.Helper()
	n, err := unix.Poll([]unix.PollFd{{Fd: int32(l.Fd()), Events: unix.POLLIN}}, 60_000)
	require.NoError(t, err)
	require.Equal(t, 1, n)
	g, ok := l.Accept()
	require.True(t, ok)
	return g
}

func TestListenerServesOneAtATime(t *testing.T) {
	path := filepath.Join(t.TempDir(), "s")
	l, err := Listen(path, sum)
	require.NoError(t, err)
	_, ok := l.Accept()
	require.False(t, ok, "nobody waits")

	first, err := Dial(t.Context(), path, sum)
	require.NoError(t, err)
	_, err = Dial(t.Context(), path, sum)
	require.ErrorContains(t, err, "already serves ", "also while the first still waits to be asked in")
	<-l.Waiting()
	g := acceptFrom(t, l)
	assert.Contains(t, g.Peer, fmt.Sprintf(" %d of user %d", os.Getpid(), os.Getuid()))
	_, ok = l.Accept()
	assert.False(t, ok, "it comes in once")
	_, err = first.Write([]byte("hello"))
	require.NoError(t, err)
	b := make([]byte, 16)
	n, err := unix.Read(g.Fd, b)
	require.NoError(t, err)
	assert.Equal(t, "hello", string(b[:n]))
	_, err = unix.Write(g.Fd, []byte("frames"))
	require.NoError(t, err)
	_, err = io.ReadFull(first, b[:6])
	require.NoError(t, err)
	assert.Equal(t, "frames", string(b[:6]), "nothing of the link is taken for the greeting")

	require.NoError(t, unix.Close(g.Fd))
	_, err = first.Read(b)
	left := new(ClosedError)
	require.ErrorAs(t, err, &left)
	assert.ErrorIs(t, err, io.EOF)
	assert.ErrorContains(t, err, "it left its socket "+path+"; its log says why: journalctl -u stillwater-board")
	_, err = Dial(t.Context(), path, sum)
	require.ErrorContains(t, err, "already serves ", "until it is released")
	l.Release()
	second, err := Dial(t.Context(), path, sum)
	require.NoError(t, err)
	require.NoError(t, l.Close(), "with somebody waiting")
	_, err = second.Read(b)
	assert.ErrorAs(t, err, &left)
	_, err = os.Lstat(path)
	assert.ErrorIs(t, err, fs.ErrNotExist)
}

// A socket that was passed stays where it is and goes on listening.
func TestPassedSocketStays(t *testing.T) {
	path := filepath.Join(t.TempDir(), "s")
	listener, err := net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
	require.NoError(t, err)
	defer listener.Close()
	for range 2 {
		f, err := listener.File()
		require.NoError(t, err)
		fd, err := unix.Dup(int(f.Fd()))
		require.NoError(t, err)
		f.Close()
		early, err := net.Dial("unix", path)
		require.NoError(t, err, "before the board is there")
		l, err := ListenFD(fd, sum)
		require.NoError(t, err)
		g := acceptFrom(t, l)
		unix.Close(g.Fd)
		early.Close()
		require.NoError(t, l.Close())
	}
	null, err := unix.Open("/dev/null", unix.O_RDONLY, 0)
	require.NoError(t, err)
	_, err = ListenFD(null, sum)
	assert.Error(t, err)
}

// A host that disconnects before it is greeted does not occupy the board.
func TestListenerAndAHostThatLeavesAtOnce(t *testing.T) {
	path := filepath.Join(t.TempDir(), "s")
	l, err := Listen(path, sum)
	require.NoError(t, err)
	defer l.Close()
	for range 50 {
		conn, err := net.Dial("unix", path)
		require.NoError(t, err)
		conn.Close()
	}
	for {
		link, err := Dial(t.Context(), path, sum)
		if err == nil {
			link.Close()
			return
		}
		require.ErrorContains(t, err, "already serves ")
		if g, ok := l.Accept(); ok {
			unix.Close(g.Fd)
			l.Release()
		}
	}
}

func TestDialErrors(t *testing.T) {
	path := filepath.Join(t.TempDir(), "s")
	require.NoError(t, os.WriteFile(path, nil, 0o600))
	for err, says := range map[error]string{
		fs.ErrNotExist:    "there is no board socket " + path + " yet: start the board's service with sudo systemctl",
		unix.ECONNREFUSED: "nobody answers at the board socket " + path,
		fs.ErrPermission: fmt.Sprintf("this user is not allowed to open the board socket %s (mode 0600, user %d): "+
			"run Stillwater as its owner", path, os.Getuid()),
		unix.EPROTOTYPE: "cannot be opened: ",
	} {
		assert.ErrorContains(t, dialError(path, err), says)
		assert.ErrorIs(t, dialError(path, err), err)
	}
}

// Each wrong greeting, and none at all, has its error.
func TestGreetingErrors(t *testing.T) {
	dir := t.TempDir()
	serving := func(name string, serve func(net.Conn)) string {
		path := filepath.Join(dir, name)
		l, err := net.Listen("unix", path)
		require.NoError(t, err)
		t.Cleanup(func() { l.Close() })
		go func() {
			for {
				conn, err := l.Accept()
				if err != nil {
					return
				}
				serve(conn)
			}
		}()
		return path
	}
	say := func(words string) func(net.Conn) {
		return func(c net.Conn) { _, _ = io.WriteString(c, words); c.Close() }
	}
	for says, words := range map[string]string{
		"and this page have read different configurations: restart both, sudo systemctl":  "stillwater board 0123\n",
		"ended before it said anything: its log says why: journalctl -u stillwater-board": "",
		"is not a board of this version of Stillwater":                                    "220 ready\n",
		"it says \"aaaaaaaaaa": strings.Repeat("a", 1000),
	} {
		path := serving(fmt.Sprint(len(words)), say(words))
		_, err := Dial(t.Context(), path, "4567")
		assert.ErrorContains(t, err, says)
		assert.ErrorContains(t, err, path)
	}
	stopped := errors.New("stopped on purpose")
	ctx, stop := context.WithCancelCause(t.Context())
	silent := serving("silent", func(c net.Conn) {
		t.Cleanup(func() { c.Close() })
		stop(stopped)
	})
	_, err := Dial(ctx, silent, "4567")
	assert.ErrorIs(t, err, stopped, "one that says nothing is not waited for when the daemon stops")
}

// The watchdog calls off for each descriptor it holds, once the process that started it has ended, and not before.
func TestKeeper(t *testing.T) {
	path := filepath.Join(t.TempDir(), "held")
	held, err := os.Create(path)
	require.NoError(t, err)
	defer held.Close()
	self, err := os.Executable()
	require.NoError(t, err)
	k, err := StartWatchdog(Command{Path: self, Args: []string{"part-watchdog"}, Stderr: os.Stderr},
		[]int{int(held.Fd()), int(held.Fd())})
	require.NoError(t, err)
	for _, s := range []unix.Signal{unix.SIGTERM, unix.SIGINT, unix.SIGHUP, unix.SIGQUIT, unix.SIGABRT} {
		require.NotZero(t, ignored(t, k.cmd.Process.Pid)>>(s-1)&1, "%v: the kernel drops it", s)
		require.NoError(t, unix.Kill(k.cmd.Process.Pid, s))
	}
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Empty(t, text, "not while we live, whoever asks")
	require.NoError(t, k.Close())
	text, err = os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, "off\noff\n", string(text))
	<-k.Done()
}

// ignored are the signals that a process ignores, by bit, from 1 on.
func ignored(t *testing.T, pid int) (signals uint64) {
	t.Helper()
	status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	require.NoError(t, err)
	_, after, ok := strings.Cut(string(status), "SigIgn:")
	require.True(t, ok)
	_, err = fmt.Sscanf(after, "%x", &signals)
	require.NoError(t, err)
	return signals
}

func TestKeeperThatDoesNotStart(t *testing.T) {
	self, err := os.Executable()
	require.NoError(t, err)
	_, err = StartWatchdog(Command{Path: self, Args: []string{"part-fail"}}, nil)
	assert.ErrorContains(t, err, "the outputs' watchdog does not start: ")
	assert.ErrorContains(t, err, "EOF")
	_, err = StartWatchdog(Command{Path: "/no/such/program"}, nil)
	assert.ErrorIs(t, err, fs.ErrNotExist)
	_, err = StartWatchdog(Command{Path: self, Args: []string{"part-watchdog"}}, []int{1 << 20})
	assert.ErrorIs(t, err, unix.EBADF)
}

func partWatchdog() {
	err := Watch(2, func(fd int) error { _, err := unix.Write(fd, []byte("off\n")); return err })
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

// The first line is read to its end and no further, whatever arrives.
func FuzzFirstLine(f *testing.F) {
	f.Add("stillwater board 0123\nframes", 3)
	f.Add("", 1)
	f.Add(strings.Repeat("x", 300), 7)
	f.Fuzz(func(t *testing.T, text string, piece int) {
		r := &pieces{text: text, size: 1 + int(uint(piece)%7)}
		line, err := firstLine(r)
		want, rest, ended := strings.Cut(text, "\n")
		switch {
		case ended && len(want) < maxGreeting:
			require.NoError(t, err)
			require.Equal(t, want, line)
			left, _ := io.ReadAll(r)
			require.Equal(t, rest, string(left))
		case len(text) >= maxGreeting:
			require.NoError(t, err)
			require.Equal(t, text[:maxGreeting], line)
		default:
			require.True(t, errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF))
		}
	})
}

// pieces is a reader of text in pieces of size bytes.
type pieces struct {
	text string
	size int
}

func (p *pieces) Read(b []byte) (int, error) {
	if p.text == "" {
		return 0, io.EOF
	}
	n := copy(b[:min(len(b), p.size)], p.text)
	p.text = p.text[n:]
	return n, nil
}
