package main

import (
	"bufio"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/need"
)

// The whole program on a machine with a network of its own: the page's name is on the terminal beside its address, and
// with --name "" it has none.
func TestNameIsOnTheTerminal(t *testing.T) {
	if os.Geteuid() != 0 {
		need.Missing(t, "a network namespace needs root")
	}
	ip := need.Tool(t, "ip")
	near, far := namespace(t, ip, "near"), namespace(t, ip, "far")
	for _, line := range []string{
		"link add lan0 netns " + near + " type veth peer name lan0 netns " + far,
		"-n " + near + " addr add 10.78.0.1/24 dev lan0", "-n " + far + " addr add 10.78.0.2/24 dev lan0",
		"-n " + near + " link set lan0 up", "-n " + far + " link set lan0 up",
		"-n " + near + " link set lo up", "-n " + far + " link set lo up",
	} {
		out, err := exec.Command(ip, strings.Fields(line)...).CombinedOutput()
		require.NoError(t, err, "ip %s: %s", line, out)
	}
	start := func(ns string, args ...string) (lines <-chan string, stop func() error) {
		args = append([]string{"netns", "exec", ns, os.Args[0], "--listen", ":8737",
			"--journal", t.TempDir() + "/journal.db"}, args...)
		cmd := exec.Command(ip, args...)
		cmd.Env = append(os.Environ(), runEnv+"=1")
		cmd.SysProcAttr = &unix.SysProcAttr{Pdeathsig: unix.SIGKILL}
		stdout, err := cmd.StdoutPipe()
		require.NoError(t, err)
		require.NoError(t, cmd.Start())
		out := make(chan string, 100)
		go func() {
			defer close(out)
			for s := bufio.NewScanner(stdout); s.Scan(); {
				out <- s.Text()
			}
		}()
		return out, func() error { cmd.Process.Signal(unix.SIGTERM); return cmd.Wait() }
	}

	lines, stop := start(near)
	assert.Contains(t, waitForLine(t, lines, "  page "), "http://10.78.0.1:8737/")
	assert.Contains(t, waitForLine(t, lines, "  by name "), "http://stillwater.local:8737/ (on lan0)")

	// Another machine on the same network gives way, and answers to the name that it has then.
	others, stopOther := start(far)
	assert.Contains(t, waitForLine(t, others, "  by name "),
		"http://stillwater-2.local:8737/ (on lan0; stillwater.local is")
	assert.Equal(t, "200", statusUnder(t, ip, far, "stillwater-2.local:8737"))
	assert.Equal(t, "421", statusUnder(t, ip, near, "stillwater-2.local:8737"), "which is not this one's")
	assert.NoError(t, stopOther())
	assert.NoError(t, stop())

	lines, stop = start(near, "--name", "")
	waitForLine(t, lines, "  page ")
	require.NoError(t, stop())
	for line := range lines {
		assert.NotContains(t, line, ".local")
	}
}

// namespace is a network of its own until the test ends.
func namespace(t *testing.T, ip, name string) string {
	t.Helper()
	name = fmt.Sprintf("%s-%d", name, os.Getpid())
	if out, err := exec.Command(ip, "netns", "add", name).CombinedOutput(); err != nil {
		need.Missing(t, "no network namespaces: "+string(out))
	}
	t.Cleanup(func() { exec.Command(ip, "netns", "del", name).Run() })
	return name
}

// statusUnder asks the page in a namespace for itself under a host name.
func statusUnder(t *testing.T, ip, ns, host string) string {
	t.Helper()
	ask := `exec 3<>/dev/tcp/127.0.0.1/8737; printf 'GET / HTTP/1.1\r\nHost: '$0'\r\nConnection: close\r\n\r\n' >&3
		read -r _ status _ <&3; echo -n $status`
	out, err := exec.Command(ip, "netns", "exec", ns, need.Tool(t, "bash"), "-c", ask, host).CombinedOutput()
	require.NoError(t, err, string(out))
	return string(out)
}
