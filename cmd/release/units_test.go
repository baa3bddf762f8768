package main

import (
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/need"
	"stillwater/internal/page"
)

func embedded(t *testing.T, name string) string {
	t.Helper()
	text, err := fs.ReadFile(files, "files/"+name)
	require.NoError(t, err)
	return string(text)
}

// The exposure that systemd computes, from 0 (none) to 10.
func TestUnitsAreSandboxed(t *testing.T) {
	tool := need.Tool(t, "systemd-analyze")
	for unit, most := range map[string]float64{"stillwater.service": 2.5, "stillwater-board.service": 4} {
		path, err := filepath.Abs("files/" + unit)
		require.NoError(t, err)
		// The threshold is in tenths; above it the status is not 0.
		threshold := strconv.Itoa(int(most * 10))
		out, err := exec.CommandContext(t.Context(), tool, "security", "--no-pager", "--offline=true",
			"--threshold="+threshold, path).CombinedOutput()
		assert.NoError(t, err, "%s: %s", unit, out)
		_, figure, found := strings.Cut(string(out), "Overall exposure level for "+unit+": ")
		require.True(t, found, "%s", out)
		var exposure float64
		_, err = fmt.Sscan(figure, &exposure)
		require.NoError(t, err, figure)
		assert.LessOrEqual(t, exposure, most)
		t.Logf("%s: %.1f", unit, exposure)
	}
}

// A unit that lost its sandbox must be found, or the check above proves nothing.
func TestAnOpenUnitIsFound(t *testing.T) {
	tool := need.Tool(t, "systemd-analyze")
	path := filepath.Join(t.TempDir(), "open.service")
	require.NoError(t, os.WriteFile(path, []byte("[Service]\nExecStart=/bin/true\n"), 0o644))
	assert.Error(t, exec.CommandContext(t.Context(), tool, "security", "--no-pager", "--offline=true", "--threshold=40",
		path).Run())
}

func TestUnitsAreWellFormed(t *testing.T) {
	tool := need.Tool(t, "systemd-analyze")
	dir := t.TempDir()
	var paths []string
	for _, unit := range []string{"stillwater.service", "stillwater-board.socket", "stillwater-board.service"} {
		path := filepath.Join(dir, unit)
		// The program is not installed here: any other will do.
		text := strings.ReplaceAll(embedded(t, unit), "/usr/bin/stillwater", "/bin/sh")
		require.NoError(t, os.WriteFile(path, []byte(text), 0o644))
		paths = append(paths, path)
	}
	args := append([]string{"verify", "--man=no"}, paths...)
	out, err := exec.CommandContext(t.Context(), tool, args...).CombinedOutput()
	require.NoError(t, err, "%s", out)
	for line := range strings.Lines(string(out)) {
		assert.NotContains(t, line, "stillwater", "systemd-analyze verify")
	}
}

// settings parses a unit: the values of each key, in order.
func settings(text string) map[string][]string {
	found := map[string][]string{}
	for line := range strings.Lines(text) {
		if key, value, ok := strings.Cut(strings.TrimSpace(line), "="); ok && !strings.HasPrefix(key, "#") {
			found[key] = append(found[key], value)
		}
	}
	return found
}

// What the two units need, whatever the exposure: no device for the page, no network for the board, and all that timing
// needs.
func TestWhoMayDoWhat(t *testing.T) {
	page, board := settings(embedded(t, "stillwater.service")), settings(embedded(t, "stillwater-board.service"))
	assert.Equal(t, []string{"yes"}, page["PrivateDevices"])
	assert.Equal(t, []string{"closed"}, page["DevicePolicy"])
	assert.Empty(t, page["DeviceAllow"])
	assert.Equal(t, []string{"strict"}, page["ProtectSystem"], "all but what is named is read-only")
	for _, more := range []string{"ReadWritePaths", "BindPaths", "ConfigurationDirectory"} {
		assert.NotContains(t, page, more, "who has the network changes no configuration")
	}
	assert.Equal(t, []string{""}, page["AmbientCapabilities"])
	assert.Equal(t, []string{""}, page["CapabilityBoundingSet"])
	for _, limit := range []string{"MemoryMax", "TasksMax", "LimitNOFILE"} {
		assert.NotContains(t, board, limit, "a full page must not cost the board anything")
	}
	assert.NotEqual(t, page["User"], board["User"], "the page could kill and trace a board of its own user")

	assert.Equal(t, []string{"yes"}, board["PrivateNetwork"])
	assert.Equal(t, []string{"AF_UNIX"}, board["RestrictAddressFamilies"])
	assert.Equal(t, []string{"notify"}, board["Type"])
	assert.Equal(t, []string{"always"}, board["Restart"])
	assert.Equal(t, []string{"0"}, board["StartLimitIntervalSec"])
	assert.NotEmpty(t, board["WatchdogSec"])
	assert.Equal(t, []string{"99"}, board["LimitRTPRIO"])
	assert.Equal(t, []string{"infinity"}, board["LimitMEMLOCK"])
	assert.Contains(t, board["DeviceAllow"], "char-gpiochip rw")
	// A watchdog process switches the outputs off after the board was killed: it must not be killed with it.
	assert.NotContains(t, board, "KillMode", "control-group is the default, and asks before it kills")

	socket := settings(embedded(t, "stillwater-board.socket"))
	assert.Equal(t, []string{"/run/stillwater/board.sock"}, socket["ListenStream"])
	assert.Equal(t, page["User"], socket["SocketUser"])
	assert.Equal(t, []string{"0600"}, socket["SocketMode"])
}

// The page's share of the machine has an end, beyond what it needs itself.
func TestThePagesShareOfTheMachine(t *testing.T) {
	unit := settings(embedded(t, "stillwater.service"))
	number := func(key, unitOfIt string) int {
		require.Len(t, unit[key], 1, key)
		digits, ok := strings.CutSuffix(unit[key][0], unitOfIt)
		n, err := strconv.Atoi(digits)
		require.True(t, ok && err == nil, "%s=%s", key, unit[key][0])
		return n
	}
	assert.GreaterOrEqual(t, number("LimitNOFILE", ""), 2*page.MaxOpen)
	memory := number("MemoryMax", "M")
	assert.GreaterOrEqual(t, memory, 64, "twice what fifty phones need")
	assert.LessOrEqual(t, memory, 256, "half of the smallest board")
	tasks := number("TasksMax", "")
	assert.GreaterOrEqual(t, tasks, 64)
	assert.LessOrEqual(t, tasks, 512)
	var soft string
	for _, variable := range unit["Environment"] {
		if text, ok := strings.CutPrefix(variable, "GOMEMLIMIT="); ok {
			soft = text
		}
	}
	digits, ok := strings.CutSuffix(soft, "MiB")
	limit, err := strconv.Atoi(digits)
	require.True(t, ok && err == nil, "GOMEMLIMIT=%s", soft)
	assert.Less(t, limit, memory, "the collector works harder before the kernel ends the page")
	assert.Greater(t, limit, memory/2)
}

// The camera's drop-in opens USB for the page, by the group of libgphoto2's own rules, and nothing else.
func TestTheCamerasDropIn(t *testing.T) {
	assert.Equal(t, map[string][]string{"DeviceAllow": {"char-usb_device rw"}, "BindPaths": {"-/dev/bus/usb"},
		"SupplementaryGroups": {"plugdev"}}, settings(embedded(t, "camera.conf")))
}

// allowedCalls are the system calls that pass a unit's filter.
func allowedCalls(t *testing.T, unit string) map[string]bool {
	t.Helper()
	tool := need.Tool(t, "systemd-analyze")
	allowed := map[string]bool{}
	var expand func(set string, allow bool)
	expand = func(set string, allow bool) {
		out, err := exec.CommandContext(t.Context(), tool, "syscall-filter", "--no-pager", set).Output()
		require.NoError(t, err, set)
		for line := range strings.Lines(string(out)) {
			switch name := strings.TrimSpace(line); {
			case name == set || name == "" || strings.HasPrefix(name, "#"):
			case strings.HasPrefix(name, "@"):
				expand(name, allow)
			default:
				allowed[name] = allow
			}
		}
	}
	for _, line := range settings(embedded(t, unit))["SystemCallFilter"] {
		names, denied := strings.CutPrefix(line, "~")
		for _, name := range strings.Fields(names) {
			if strings.HasPrefix(name, "@") {
				expand(name, !denied)
			} else {
				allowed[name] = !denied
			}
		}
	}
	expand("@default", true)
	return allowed
}

// The page's thread for pictures may yield; what raises its share of the machine may not pass.
func TestThePagesFilterLetsItYield(t *testing.T) {
	allowed := allowedCalls(t, "stillwater.service")
	assert.True(t, allowed["setpriority"])
	for _, call := range []string{"sched_setattr", "sched_setscheduler", "setrlimit", "mount", "ptrace", "clock_settime"} {
		assert.False(t, allowed[call], call)
	}
}

// The system calls that timing needs pass the board's filter.
func TestTheBoardsFilterLetsRealTimeThrough(t *testing.T) {
	allowed := allowedCalls(t, "stillwater-board.service")
	for _, call := range []string{"sched_setattr", "sched_setscheduler", "sched_setaffinity", "mlockall", "prctl", "ioctl",
		"ppoll", "clock_nanosleep", "timerfd_settime", "execve", "clone", "read", "write"} {
		assert.True(t, allowed[call], call)
	}
	for _, call := range []string{"mount", "ptrace", "reboot", "init_module", "setuid", "chown", "clock_settime", "bpf"} {
		assert.False(t, allowed[call], call)
	}
}

func TestUdevRulesNameTheBoardsDevices(t *testing.T) {
	rules := strings.ReplaceAll(embedded(t, "10-stillwater.rules"), "\\\n", "")
	for _, want := range []string{
		`SUBSYSTEM=="gpio", KERNEL=="gpiochip[0-9]*", GROUP="stillwater-board", MODE="0660"`,
		`KERNEL=="cpu_dma_latency", GROUP="stillwater-board", MODE="0660"`,
		`KERNEL=="ttyUSB[0-9]*|ttyACM[0-9]*", GROUP="dialout", MODE="0660"`,
	} {
		assert.Contains(t, rules, want)
	}
}
