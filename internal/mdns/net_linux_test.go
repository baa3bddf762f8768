package mdns

import (
	"bufio"
	"fmt"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/need"
)

// timeout is when an event counts as not coming. It is no limit on speed.
const timeout = 30 * time.Second

// testNetwork is two machines on one cable: network namespaces, joined by a pair of virtual interfaces.
type testNetwork struct {
	t             *testing.T
	board, client string            // names of namespaces
	run           map[string]string // process whose mounts have the avahi of a namespace
}

func newTestNetwork(t *testing.T) *testNetwork {
	t.Parallel()
	if os.Geteuid() != 0 {
		need.Missing(t, "network namespaces need root")
	}
	need.Tool(t, "ip")
	id := fmt.Sprintf("%d-%d", os.Getpid(), time.Now().UnixNano()%1e6)
	n := &testNetwork{t, "board-" + id, "client-" + id, map[string]string{}}
	for _, ns := range []string{n.board, n.client} {
		if out, err := exec.Command("ip", "netns", "add", ns).CombinedOutput(); err != nil {
			need.Missing(t, "no network namespaces: "+string(out))
		}
		t.Cleanup(func() { exec.Command("ip", "netns", "del", ns).Run() })
	}
	n.ip("-n", n.board, "link", "add", "lan0", "type", "veth", "peer", "name", "lan0", "netns", n.client)
	for i, ns := range []string{n.board, n.client} {
		n.ip("-n", ns, "addr", "add", fmt.Sprintf("10.77.0.%d/24", i+1), "dev", "lan0")
		n.ip("-n", ns, "addr", "add", fmt.Sprintf("fd77::%d/64", i+1), "dev", "lan0", "nodad")
		n.ip("-n", ns, "link", "set", "lo", "up")
	}
	n.ip("-n", n.client, "link", "set", "lan0", "up")
	return n
}

func (n *testNetwork) ip(args ...string) {
	n.t.Helper()
	out, err := exec.Command("ip", args...).CombinedOutput()
	require.NoError(n.t, err, "ip %v: %s", args, out)
}

func (n *testNetwork) connect() { n.ip("-n", n.board, "link", "set", "lan0", "up") }

// start runs a program in a namespace until the test ends or its standard input is closed, and returns its lines.
func (n *testNetwork) start(ns string, env []string, args ...string) (lines <-chan string, end func()) {
	n.t.Helper()
	cmd := exec.Command("ip", append([]string{"netns", "exec", ns}, args...)...)
	cmd.Env = append(os.Environ(), env...)
	cmd.SysProcAttr = &unix.SysProcAttr{Setpgid: true, Pdeathsig: unix.SIGKILL}
	stdin, err := cmd.StdinPipe()
	require.NoError(n.t, err)
	stdout, err := cmd.StdoutPipe()
	require.NoError(n.t, err)
	require.NoError(n.t, cmd.Start())
	out := make(chan string, 100)
	go func() {
		defer close(out)
		for s := bufio.NewScanner(stdout); s.Scan(); {
			out <- s.Text()
		}
	}()
	n.t.Cleanup(func() {
		stdin.Close()
		unix.Kill(-cmd.Process.Pid, unix.SIGKILL)
		cmd.Wait()
	})
	return out, func() { stdin.Close() }
}

// line waits for a line that begins with begin.
func line(t *testing.T, lines <-chan string, begin string) string {
	t.Helper()
	for end := time.After(timeout); ; {
		select {
		case line, ok := <-lines:
			if strings.HasPrefix(line, begin) {
				return line
			}
			require.True(t, ok, "it ended before printing %q", begin)
			t.Log(line)
		case <-end:
			t.Fatalf("it did not print %q", begin)
		}
	}
}

// stillwater announces the name on the board.
func (n *testNetwork) stillwater() (lines <-chan string, end func()) {
	return n.start(n.board, []string{helperEnv + "=stillwater"}, os.Args[0])
}

// avahi runs Linux's common responder in a namespace under a host name, with its own bus so that it can be queried.
func (n *testNetwork) avahi(ns, host string) {
	n.t.Helper()
	for _, tool := range []string{"avahi-daemon", "avahi-resolve", "dbus-daemon", "unshare", "nsenter"} {
		need.Tool(n.t, tool)
	}
	conf := filepath.Join(n.t.TempDir(), "avahi.conf")
	require.NoError(n.t, os.WriteFile(conf, fmt.Appendf(nil,
		"[server]\nhost-name=%s\nuse-ipv4=yes\nuse-ipv6=yes\nallow-interfaces=lan0\n", host), 0o644))
	lines, _ := n.start(ns, nil, "unshare", "--mount", "sh", "-c", `mount -t tmpfs tmpfs /run && mkdir -p /run/dbus &&
		{ dbus-daemon --system --nofork --nopidfile & } && until [ -S /run/dbus/system_bus_socket ]; do sleep 0.05; done &&
		echo "bus $$" && exec avahi-daemon --no-chroot --no-rlimits -f `+conf+` 2>&1`)
	n.run[ns] = strings.TrimPrefix(line(n.t, lines, "bus "), "bus ")
	line(n.t, lines, "Server startup complete")
}

// resolve queries a namespace's avahi for a name.
func (n *testNetwork) resolve(ns, version, name string) string {
	n.t.Helper()
	out, err := exec.Command("nsenter", "--target", n.run[ns], "--mount", "--net", "avahi-resolve", version,
		"--name", name).CombinedOutput()
	require.NoError(n.t, err, "%s", out)
	return strings.TrimSpace(string(out))
}

// A board whose network comes up late is found by its name, from another machine by another program, over IPv4 and
// IPv6; the responder that its own system runs on the same port keeps working.
func TestFoundByAnotherMachine(t *testing.T) {
	n := newTestNetwork(t)
	n.avahi(n.client, "other")
	lines, end := n.stillwater()
	n.avahi(n.board, "board")
	n.connect()
	assert.Equal(t, "found stillwater.local false [lan0] []", line(t, lines, "found"))
	assert.Equal(t, "stillwater.local\t10.77.0.1", n.resolve(n.client, "-4", "stillwater.local"))
	assert.Equal(t, "stillwater.local\tfd77::1", n.resolve(n.client, "-6", "StillWater.local"))
	assert.Equal(t, "board.local\t10.77.0.1", n.resolve(n.client, "-4", "board.local"))
	assert.Equal(t, "other.local\t10.77.0.2", n.resolve(n.board, "-4", "other.local"))
	end()
	assert.Equal(t, "ended <nil>", line(t, lines, "ended"))
}

// Another machine that has the name keeps it.
func TestNameTakenByAvahi(t *testing.T) {
	n := newTestNetwork(t)
	n.connect()
	n.avahi(n.client, "stillwater")
	lines, _ := n.stillwater()
	said := line(t, lines, "found")
	assert.Regexp(t, `^found stillwater-2.local false \[lan0\] \[{stillwater.local (10.77.0.2|fd77::2)}\]$`, said)
	assert.Equal(t, "stillwater-2.local\t10.77.0.1", n.resolve(n.client, "-4", "stillwater-2.local"))
	assert.Equal(t, "stillwater.local\t10.77.0.2", n.resolve(n.client, "-4", "stillwater.local"))
}

// Another machine that wants the name later finds it taken: avahi takes the next one.
func TestNameKeptFromAvahi(t *testing.T) {
	n := newTestNetwork(t)
	n.connect()
	lines, _ := n.stillwater()
	line(t, lines, "found stillwater.local")
	n.avahi(n.client, "stillwater")
	assert.Equal(t, "stillwater-2.local\t10.77.0.2", n.resolve(n.client, "-4", "stillwater-2.local"))
	assert.Equal(t, "stillwater.local\t10.77.0.1", n.resolve(n.client, "-4", "stillwater.local"))
}

// On a board whose host name is stillwater its own system's responder has the name.
func TestNameByTheBoardsOwnAvahi(t *testing.T) {
	n := newTestNetwork(t)
	n.connect()
	n.avahi(n.board, "stillwater")
	lines, _ := n.stillwater()
	assert.Equal(t, "found stillwater.local true [lan0] []", line(t, lines, "found"))
}

// This machine's interfaces can be listed, without its loopback.
func TestOwnLinks(t *testing.T) {
	links, own, err := localLinks(netip.IPv6Unspecified())
	require.NoError(t, err)
	assert.Contains(t, own, netip.MustParseAddr("127.0.0.1"))
	for _, l := range links {
		assert.NotEqual(t, "lo", l.name)
		assert.NotEmpty(t, l.addrs)
	}
}
