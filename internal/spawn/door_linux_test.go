package spawn

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

const sum = "0123456789abcdef"

// guestOf waits until the door has let somebody in.
func guestOf(t *testing.T, d *Door) Guest {
	t.Helper()
	n, err := unix.Poll([]unix.PollFd{{Fd: int32(d.Fd()), Events: unix.POLLIN}}, 60_000)
	require.NoError(t, err)
	require.Equal(t, 1, n)
	g, ok := d.Guest()
	require.True(t, ok)
	return g
}

func TestDoorLetsOneInAtATime(t *testing.T) {
	path := filepath.Join(t.TempDir(), "s")
	d, err := OpenDoor(path, sum)
	require.NoError(t, err)
	_, ok := d.Guest()
	require.False(t, ok, "nobody waits")

	first, err := Dial(t.Context(), path, sum)
	require.NoError(t, err)
	_, err = Dial(t.Context(), path, sum)
	require.ErrorContains(t, err, "already serves ", "also while the first still waits to be asked in")
	g := guestOf(t, d)
	assert.Contains(t, g.Who, fmt.Sprintf(" %d of user %d", os.Getpid(), os.Getuid()))
	_, ok = d.Guest()
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
	left := new(Left)
	require.ErrorAs(t, err, &left)
	assert.ErrorIs(t, err, io.EOF)
	assert.ErrorContains(t, err, "it left its socket "+path+"; its log says why: journalctl -u stillwater-board")
	_, err = Dial(t.Context(), path, sum)
	require.ErrorContains(t, err, "already serves ", "until the door is told that it has gone")
	d.Free()
	second, err := Dial(t.Context(), path, sum)
	require.NoError(t, err)
	require.NoError(t, d.Close(), "with somebody waiting")
	_, err = second.Read(b)
	assert.ErrorAs(t, err, &left)
	_, err = os.Lstat(path)
	assert.ErrorIs(t, err, fs.ErrNotExist)
}

// A socket that was passed stays where it is and goes on listening.
func TestTakenDoorStays(t *testing.T) {
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
		d, err := TakeDoor(fd, sum)
		require.NoError(t, err)
		g := guestOf(t, d)
		unix.Close(g.Fd)
		early.Close()
		require.NoError(t, d.Close())
	}
	null, err := unix.Open("/dev/null", unix.O_RDONLY, 0)
	require.NoError(t, err)
	_, err = TakeDoor(null, sum)
	assert.Error(t, err)
}

// A host that has gone before it was greeted takes nobody's place.
func TestDoorAndAFleetingGuest(t *testing.T) {
	path := filepath.Join(t.TempDir(), "s")
	d, err := OpenDoor(path, sum)
	require.NoError(t, err)
	defer d.Close()
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
		if g, ok := d.Guest(); ok {
			unix.Close(g.Fd)
			d.Free()
		}
	}
}

func TestUnanswered(t *testing.T) {
	path := filepath.Join(t.TempDir(), "s")
	require.NoError(t, os.WriteFile(path, nil, 0o600))
	for err, says := range map[error]string{
		fs.ErrNotExist:    "there is no board socket " + path + " yet: start the board's service with sudo systemctl",
		unix.ECONNREFUSED: "nobody answers at the board socket " + path,
		fs.ErrPermission: fmt.Sprintf("this user may not open the board socket %s (mode 0600, user %d): run Stillwater as "+
			"its owner", path, os.Getuid()),
		unix.EPROTOTYPE: "cannot be opened: ",
	} {
		assert.ErrorContains(t, unanswered(path, err), says)
		assert.ErrorIs(t, unanswered(path, err), err)
	}
}

// The keeper calls off for each thing it holds, once the process that started it has gone, and not before.
func TestKeeper(t *testing.T) {
	path := filepath.Join(t.TempDir(), "held")
	held, err := os.Create(path)
	require.NoError(t, err)
	defer held.Close()
	self, err := os.Executable()
	require.NoError(t, err)
	k, err := StartKeeper(Command{Path: self, Args: []string{"part-keeper"}, Stderr: os.Stderr},
		[]int{int(held.Fd()), int(held.Fd())})
	require.NoError(t, err)
	for _, s := range []unix.Signal{unix.SIGTERM, unix.SIGINT, unix.SIGHUP, unix.SIGQUIT, unix.SIGABRT} {
		require.NoError(t, unix.Kill(k.cmd.Process.Pid, s))
	}
	time.Sleep(10 * time.Millisecond)
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Empty(t, text, "not while we live, whoever asks")
	require.NoError(t, k.Close())
	text, err = os.ReadFile(path)
	require.NoError(t, err)
	assert.Equal(t, "off\noff\n", string(text))
	<-k.Gone()
}

func TestKeeperThatDoesNotStart(t *testing.T) {
	self, err := os.Executable()
	require.NoError(t, err)
	_, err = StartKeeper(Command{Path: self, Args: []string{"part-fail"}}, nil)
	assert.ErrorContains(t, err, "the outputs' keeper does not start: ")
	assert.ErrorContains(t, err, "EOF")
	_, err = StartKeeper(Command{Path: "/no/such/program"}, nil)
	assert.ErrorIs(t, err, fs.ErrNotExist)
	_, err = StartKeeper(Command{Path: self, Args: []string{"part-keeper"}}, []int{1 << 20})
	assert.ErrorIs(t, err, unix.EBADF)
}

func partKeeper() {
	err := Keep(2, func(fd int) error { _, err := unix.Write(fd, []byte("off\n")); return err })
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

// The first line is read to its end and no further, whatever comes.
func FuzzFirstLine(f *testing.F) {
	f.Add("stillwater board 0123\nframes", 3)
	f.Add("", 1)
	f.Add(strings.Repeat("x", 300), 7)
	f.Fuzz(func(t *testing.T, text string, piece int) {
		r := &pieces{text: text, size: 1 + int(uint(piece)%7)}
		line, err := firstLine(r)
		want, rest, ended := strings.Cut(text, "\n")
		switch {
		case ended && len(want) < longestGreet:
			require.NoError(t, err)
			require.Equal(t, want, line)
			left, _ := io.ReadAll(r)
			require.Equal(t, rest, string(left))
		case len(text) >= longestGreet:
			require.NoError(t, err)
			require.Equal(t, text[:longestGreet], line)
		default:
			require.True(t, errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF))
		}
	})
}

// pieces gives its text in pieces.
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
