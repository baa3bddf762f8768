package main

import (
	"bufio"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/need"
)

// The whole program on a machine with a network of its own: the page's name is on the terminal beside its address, and
// with --name "" it has none.
func TestNameIsOnTheTerminal(t *testing.T) {
	if os.Geteuid() != 0 {
		need.Missing(t, "a network namespace needs root")
	}
	ip := need.Tool(t, "ip")
	ns := fmt.Sprintf("named-%d", os.Getpid())
	if out, err := exec.Command(ip, "netns", "add", ns).CombinedOutput(); err != nil {
		need.Missing(t, "no network namespaces: "+string(out))
	}
	t.Cleanup(func() { exec.Command(ip, "netns", "del", ns).Run() })
	for _, line := range []string{"link add lan0 type veth peer name far", "addr add 10.78.0.1/24 dev lan0",
		"link set lan0 up", "link set far up", "link set lo up"} {
		out, err := exec.Command(ip, append([]string{"-n", ns}, strings.Fields(line)...)...).CombinedOutput()
		require.NoError(t, err, "ip %s: %s", line, out)
	}
	start := func(args ...string) (lines <-chan string, stop func() error) {
		args = append([]string{"netns", "exec", ns, os.Args[0], "--listen", ":8737",
			"--journal", t.TempDir() + "/journal.db"}, args...)
		cmd := exec.Command(ip, args...)
		cmd.Env = append(os.Environ(), runEnv+"=1")
		cmd.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
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
		return out, func() error { cmd.Process.Signal(syscall.SIGTERM); return cmd.Wait() }
	}

	lines, stop := start()
	assert.Contains(t, waitForLine(t, lines, "  page "), "http://10.78.0.1:8737/")
	assert.Contains(t, waitForLine(t, lines, "  by name "), "http://stillwater.local:8737/ (on lan0)")
	assert.NoError(t, stop())

	lines, stop = start("--name", "")
	waitForLine(t, lines, "  page ")
	require.NoError(t, stop())
	for line := range lines {
		assert.NotContains(t, line, ".local")
	}
}
