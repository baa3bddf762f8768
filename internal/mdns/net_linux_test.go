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

// patience is how long anything may take before it counts as not coming. It is no limit on how fast things are.
const patience = 30 * time.Second

// house is two machines on one cable: network namespaces, joined by a pair of virtual interfaces.
type house struct {
	t             *testing.T
	board, client string            // names of namespaces
	run           map[string]string // process whose mounts have the avahi of a namespace
}

func newHouse(t *testing.T) *house {
	t.Parallel()
	if os.Geteuid() != 0 {
		need.Missing(t, "network namespaces need root")
	}
	need.Tool(t, "ip")
	id := fmt.Sprintf("%d-%d", os.Getpid(), time.Now().UnixNano()%1e6)
	h := &house{t, "board-" + id, "client-" + id, map[string]string{}}
	for _, ns := range []string{h.board, h.client} {
		if out, err := exec.Command("ip", "netns", "add", ns).CombinedOutput(); err != nil {
			need.Missing(t, "no network namespaces: "+string(out))
		}
		t.Cleanup(func() { exec.Command("ip", "netns", "del", ns).Run() })
	}
	h.ip("-n", h.board, "link", "add", "lan0", "type", "veth", "peer", "name", "lan0", "netns", h.client)
	for i, ns := range []string{h.board, h.client} {
		h.ip("-n", ns, "addr", "add", fmt.Sprintf("10.77.0.%d/24", i+1), "dev", "lan0")
		h.ip("-n", ns, "addr", "add", fmt.Sprintf("fd77::%d/64", i+1), "dev", "lan0", "nodad")
		h.ip("-n", ns, "link", "set", "lo", "up")
	}
	h.ip("-n", h.client, "link", "set", "lan0", "up")
	return h
}

func (h *house) ip(args ...string) {
	h.t.Helper()
	out, err := exec.Command("ip", args...).CombinedOutput()
	require.NoError(h.t, err, "ip %v: %s", args, out)
}

func (h *house) plugIn() { h.ip("-n", h.board, "link", "set", "lan0", "up") }

// start runs a program in a namespace until the test ends or its standard input is closed; its lines come out.
func (h *house) start(ns string, env []string, args ...string) (lines <-chan string, end func()) {
	h.t.Helper()
	cmd := exec.Command("ip", append([]string{"netns", "exec", ns}, args...)...)
	cmd.Env = append(os.Environ(), env...)
	cmd.SysProcAttr = &unix.SysProcAttr{Setpgid: true, Pdeathsig: unix.SIGKILL}
	stdin, err := cmd.StdinPipe()
	require.NoError(h.t, err)
	stdout, err := cmd.StdoutPipe()
	require.NoError(h.t, err)
	require.NoError(h.t, cmd.Start())
	out := make(chan string, 100)
	go func() {
		defer close(out)
		for s := bufio.NewScanner(stdout); s.Scan(); {
			out <- s.Text()
		}
	}()
	h.t.Cleanup(func() {
		stdin.Close()
		unix.Kill(-cmd.Process.Pid, unix.SIGKILL)
		cmd.Wait()
	})
	return out, func() { stdin.Close() }
}

// line waits for a line that begins so.
func line(t *testing.T, lines <-chan string, begin string) string {
	t.Helper()
	for end := time.After(patience); ; {
		select {
		case line, ok := <-lines:
			if strings.HasPrefix(line, begin) {
				return line
			}
			require.True(t, ok, "it ended before it said %q", begin)
			t.Log(line)
		case <-end:
			t.Fatalf("it did not say %q", begin)
		}
	}
}

// stillwater announces the name on the board.
func (h *house) stillwater() (lines <-chan string, end func()) {
	return h.start(h.board, []string{helperEnv + "=stillwater"}, os.Args[0])
}

// avahi runs the common responder of Linux on a machine, under a host name, with a bus of its own so that it can be
// asked.
func (h *house) avahi(ns, host string) {
	h.t.Helper()
	for _, tool := range []string{"avahi-daemon", "avahi-resolve", "dbus-daemon", "unshare", "nsenter"} {
		need.Tool(h.t, tool)
	}
	conf := filepath.Join(h.t.TempDir(), "avahi.conf")
	require.NoError(h.t, os.WriteFile(conf, fmt.Appendf(nil,
		"[server]\nhost-name=%s\nuse-ipv4=yes\nuse-ipv6=yes\nallow-interfaces=lan0\n", host), 0o644))
	lines, _ := h.start(ns, nil, "unshare", "--mount", "sh", "-c", `mount -t tmpfs tmpfs /run && mkdir -p /run/dbus &&
		{ dbus-daemon --system --nofork --nopidfile & } && until [ -S /run/dbus/system_bus_socket ]; do sleep 0.05; done &&
		echo "bus $$" && exec avahi-daemon --no-chroot --no-rlimits -f `+conf+` 2>&1`)
	h.run[ns] = strings.TrimPrefix(line(h.t, lines, "bus "), "bus ")
	line(h.t, lines, "Server startup complete")
}

// resolve asks the avahi of a machine for a name.
func (h *house) resolve(ns, version, name string) string {
	h.t.Helper()
	out, err := exec.Command("nsenter", "--target", h.run[ns], "--mount", "--net", "avahi-resolve", version,
		"--name", name).CombinedOutput()
	require.NoError(h.t, err, "%s", out)
	return strings.TrimSpace(string(out))
}

// A board whose network comes up late is found by its name, from another machine and by another's program, over both
// versions of IP; the responder that its own system runs on the same port goes on as before.
func TestFoundByAnotherMachine(t *testing.T) {
	h := newHouse(t)
	h.avahi(h.client, "other")
	lines, end := h.stillwater()
	h.avahi(h.board, "board")
	h.plugIn()
	assert.Equal(t, "found stillwater.local false [lan0] []", line(t, lines, "found"))
	assert.Equal(t, "stillwater.local\t10.77.0.1", h.resolve(h.client, "-4", "stillwater.local"))
	assert.Equal(t, "stillwater.local\tfd77::1", h.resolve(h.client, "-6", "StillWater.local"))
	assert.Equal(t, "board.local\t10.77.0.1", h.resolve(h.client, "-4", "board.local"))
	assert.Equal(t, "other.local\t10.77.0.2", h.resolve(h.board, "-4", "other.local"))
	end()
	assert.Equal(t, "ended <nil>", line(t, lines, "ended"))
}

// Another machine that has the name keeps it.
func TestNameTakenByAvahi(t *testing.T) {
	h := newHouse(t)
	h.plugIn()
	h.avahi(h.client, "stillwater")
	lines, _ := h.stillwater()
	said := line(t, lines, "found")
	assert.Regexp(t, `^found stillwater-2.local false \[lan0\] \[{stillwater.local (10.77.0.2|fd77::2)}\]$`, said)
	assert.Equal(t, "stillwater-2.local\t10.77.0.1", h.resolve(h.client, "-4", "stillwater-2.local"))
	assert.Equal(t, "stillwater.local\t10.77.0.2", h.resolve(h.client, "-4", "stillwater.local"))
}

// Another machine that wants the name later hears that it is taken: it is avahi that takes the next one.
func TestNameKeptFromAvahi(t *testing.T) {
	h := newHouse(t)
	h.plugIn()
	lines, _ := h.stillwater()
	line(t, lines, "found stillwater.local")
	h.avahi(h.client, "stillwater")
	assert.Equal(t, "stillwater-2.local\t10.77.0.2", h.resolve(h.client, "-4", "stillwater-2.local"))
	assert.Equal(t, "stillwater.local\t10.77.0.1", h.resolve(h.client, "-4", "stillwater.local"))
}

// A board that is called stillwater anyway has the name by its own system's responder.
func TestNameByTheBoardsOwnAvahi(t *testing.T) {
	h := newHouse(t)
	h.plugIn()
	h.avahi(h.board, "stillwater")
	lines, _ := h.stillwater()
	assert.Equal(t, "found stillwater.local true [lan0] []", line(t, lines, "found"))
}

// The interfaces of this machine, as they are, can be listed; its loopback is no network to speak on.
func TestOwnLinks(t *testing.T) {
	links, own, err := ownLinks(netip.IPv6Unspecified())
	require.NoError(t, err)
	assert.Contains(t, own, netip.MustParseAddr("127.0.0.1"))
	for _, l := range links {
		assert.NotEqual(t, "lo", l.name)
		assert.NotEmpty(t, l.addrs)
	}
}
