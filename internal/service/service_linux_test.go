package service

import (
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

// The test binary can be a service that prints the sockets it was passed.
func TestMain(m *testing.M) {
	if os.Getenv("PART") == "listeners" {
		if os.Getenv("LISTEN_PID") == "own" {
			os.Setenv("LISTEN_PID", fmt.Sprint(os.Getpid()))
		}
		fds, err := Listeners(os.Getenv)
		flags := -1
		if len(fds) > 0 {
			flags, _ = unix.FcntlInt(uintptr(fds[0]), unix.F_GETFD, 0)
		}
		fmt.Println(fds, err, "cloexec", flags == unix.FD_CLOEXEC)
		return
	}
	os.Exit(m.Run())
}

func env(pairs ...string) func(string) string {
	return func(name string) string {
		for i := 0; i < len(pairs); i += 2 {
			if pairs[i] == name {
				return pairs[i+1]
			}
		}
		return ""
	}
}

// manager is a service manager's end of the notification socket.
func manager(t *testing.T, address string) *net.UnixConn {
	conn, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: address, Net: "unixgram"})
	require.NoError(t, err)
	t.Cleanup(func() { conn.Close() })
	return conn
}

func received(t *testing.T, conn *net.UnixConn) string {
	t.Helper()
	b := make([]byte, 256)
	n, err := conn.Read(b)
	require.NoError(t, err)
	return string(b[:n])
}

func TestManagerIsNotified(t *testing.T) {
	abstract := fmt.Sprintf("@stillwater-test-%d", os.Getpid())
	for _, address := range []string{filepath.Join(t.TempDir(), "notify"), abstract} {
		far := manager(t, address)
		m, err := Find(env("NOTIFY_SOCKET", address, "WATCHDOG_USEC", "3000000"))
		require.NoError(t, err, address)
		assert.Equal(t, 3*time.Second, m.Watchdog())
		require.NoError(t, m.Ready("outputs are safe"))
		assert.Equal(t, "READY=1\nSTATUS=outputs are safe", received(t, far))
		require.NoError(t, m.Status("two\nlines"))
		assert.Equal(t, "STATUS=two lines", received(t, far))
		require.NoError(t, m.Alive())
		assert.Equal(t, "WATCHDOG=1", received(t, far))
		require.NoError(t, m.Stopping())
		assert.Equal(t, "STOPPING=1", received(t, far))
		require.NoError(t, m.Close())
		require.NoError(t, m.Close(), "again is no error")
		assert.NoError(t, m.Alive(), "and nobody is told")
	}
}

// Without a service manager everything is discarded; with a broken environment too, with an error.
func TestNoManager(t *testing.T) {
	m, err := Find(env("WATCHDOG_USEC", "nonsense"))
	require.NoError(t, err)
	assert.Zero(t, m.Watchdog())
	assert.NoError(t, m.Ready("words"))
	assert.NoError(t, m.Alive())
	assert.NoError(t, m.Close())

	there := filepath.Join(t.TempDir(), "notify")
	manager(t, there)
	for says, pairs := range map[string][]string{
		"nobody":                      {"NOTIFY_SOCKET", filepath.Join(t.TempDir(), "nobody")},
		"neither a path":              {"NOTIFY_SOCKET", "vsock:2:99"},
		`WATCHDOG_USEC="0"`:           {"NOTIFY_SOCKET", there, "WATCHDOG_USEC", "0"},
		`WATCHDOG_USEC="-1"`:          {"NOTIFY_SOCKET", there, "WATCHDOG_USEC", "-1"},
		`WATCHDOG_USEC="1 s"`:         {"NOTIFY_SOCKET", there, "WATCHDOG_USEC", "1 s"},
		"9223372036854775807\" is no": {"NOTIFY_SOCKET", there, "WATCHDOG_USEC", "9223372036854775807"},
	} {
		m, err := Find(env(pairs...))
		assert.ErrorContains(t, err, says)
		assert.NoError(t, m.Alive())
		assert.Zero(t, m.Watchdog())
	}
}

// A watchdog for another process is ignored.
func TestWatchdogOfAnother(t *testing.T) {
	there := filepath.Join(t.TempDir(), "notify")
	manager(t, there)
	for pid, want := range map[string]time.Duration{fmt.Sprint(os.Getpid()): time.Second, "1": 0} {
		m, err := Find(env("NOTIFY_SOCKET", there, "WATCHDOG_USEC", "1000000", "WATCHDOG_PID", pid))
		require.NoError(t, err)
		assert.Equal(t, want, m.Watchdog(), pid)
		require.NoError(t, m.Close())
	}
}

// A manager that does not read does not block.
func TestBusyManager(t *testing.T) {
	there := filepath.Join(t.TempDir(), "notify")
	manager(t, there)
	m, err := Find(env("NOTIFY_SOCKET", there))
	require.NoError(t, err)
	defer m.Close()
	for err == nil {
		err = m.Alive()
	}
	assert.ErrorIs(t, err, unix.EAGAIN)
}

func TestAliveAllocatesNothing(t *testing.T) {
	there := filepath.Join(t.TempDir(), "notify")
	manager(t, there) // which takes a few, and is then busy
	m, err := Find(env("NOTIFY_SOCKET", there))
	require.NoError(t, err)
	defer m.Close()
	assert.Zero(t, testing.AllocsPerRun(100, func() { _ = m.Alive() }))
}

// runService runs the test binary as a service with a file as its descriptor 3.
func runService(t *testing.T, f *os.File, pairs ...string) string {
	t.Helper()
	path, err := os.Executable()
	require.NoError(t, err)
	cmd := exec.Command(path)
	cmd.Env = append(os.Environ(), append(pairs, "PART=listeners")...)
	cmd.ExtraFiles = []*os.File{f}
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "%s", out)
	return strings.TrimSpace(string(out))
}

func TestListeners(t *testing.T) {
	listener, err := net.ListenUnix("unix", &net.UnixAddr{Name: filepath.Join(t.TempDir(), "s"), Net: "unix"})
	require.NoError(t, err)
	defer listener.Close()
	listening, err := listener.File()
	require.NoError(t, err)
	defer listening.Close()
	pair, err := unix.Socketpair(unix.AF_UNIX, unix.SOCK_STREAM|unix.SOCK_CLOEXEC, 0)
	require.NoError(t, err)
	connected := os.NewFile(uintptr(pair[0]), "connected")
	defer connected.Close()
	defer unix.Close(pair[1])
	null, err := os.Open(os.DevNull)
	require.NoError(t, err)
	defer null.Close()

	assert.Equal(t, "[3] <nil> cloexec true", runService(t, listening, "LISTEN_PID=own", "LISTEN_FDS=1"))
	assert.Equal(t, "[] <nil> cloexec false", runService(t, listening, "LISTEN_PID=1", "LISTEN_FDS=1"),
		"for another process")
	assert.Equal(t, "[] <nil> cloexec false", runService(t, listening))
	assert.Contains(t, runService(t, connected, "LISTEN_PID=own", "LISTEN_FDS=1"),
		"descriptor 3 from the service manager: does not listen; the unit wants ListenStream= and Accept=no")
	assert.Contains(t, runService(t, null, "LISTEN_PID=own", "LISTEN_FDS=1"), "is not a socket")
	assert.Contains(t, runService(t, listening, "LISTEN_PID=own", "LISTEN_FDS=many"), `LISTEN_FDS="many" is not a number`)
	assert.Contains(t, runService(t, listening, "LISTEN_PID=own", "LISTEN_FDS=1000"), `LISTEN_FDS="1000" is not a number`)
}

func TestOwn(t *testing.T) {
	for variable, want := range map[string]bool{"NOTIFY_SOCKET=/x": true, "WATCHDOG_USEC=1": true, "WATCHDOG_PID=1": true,
		"LISTEN_PID=1": true, "LISTEN_FDS=1": true, "LISTEN_FDNAMES=a": true, "PATH=/x": false, "LISTEN": false} {
		assert.Equal(t, want, isPrivate(variable), variable)
	}
}
