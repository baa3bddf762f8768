package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/firmware/flash"
	"stillwater/firmware/image"
	"stillwater/firmware/image/imagetest"
	"stillwater/internal/control"
	"stillwater/internal/need"
	"stillwater/internal/serialboard/serialboardtest"
)

// fakeTool puts a program named avrdude first on PATH. It records its arguments, then does what the script says.
func fakeTool(t *testing.T, script string) (calls func() []string) {
	t.Helper()
	dir := t.TempDir()
	notes := filepath.Join(dir, "calls")
	text := fmt.Sprintf("#!/bin/sh\necho \"$*\" >>%s\n%s\n", notes, script)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "avrdude"), []byte(text), 0o700))
	t.Setenv("PATH", dir+":/usr/bin:/bin")
	return func() []string {
		text, err := os.ReadFile(notes)
		if os.IsNotExist(err) {
			return nil
		}
		require.NoError(t, err)
		return strings.Split(strings.TrimSpace(string(text)), "\n")
	}
}

// runFlash runs the command and gives its exit status and what it said.
func runFlash(t *testing.T, args ...string) (status int, out, errs string) {
	t.Helper()
	var stdout, stderr bytes.Buffer
	m := &Main{Stdout: &stdout, Stderr: &stderr, Getenv: func(string) string { return "" }}
	status = m.Run(t.Context(), append([]string{"flash"}, args...))
	return status, stdout.String(), stderr.String()
}

func imageFile(t *testing.T, name string) string {
	path := filepath.Join(t.TempDir(), "image.hex")
	_, text := imagetest.Firmware(name, 3000)
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	return path
}

func TestFlashWritesAndAsksTheBoard(t *testing.T) {
	chip := serialboardtest.New(t)
	chip.BootDelay = 200 * time.Millisecond
	chip.Connect()
	calls := fakeTool(t, "echo 'Writing | #### | 100%' >&2")
	status, out, errs := runFlash(t, "--config", serialConfig(t, chip.Path), "--image", imageFile(t, "m328p 1.0"))
	require.Zero(t, status, errs)
	assert.Equal(t, fmt.Sprintf("Writing m328p 1.0, 3000 bytes, to %s\nDone: the board says that it runs m328p 1.0.\n",
		chip.Path), out)
	assert.Empty(t, errs, "no progress where nobody looks")
	require.Len(t, calls(), 1)
	assert.Regexp(t, "^-p m328p -c arduino -P "+chip.Path+" -b 115200 -D -U flash:w:.*/stillwater.hex:i$", calls()[0])
}

// Some editors put a byte-order mark before a text; avrdude would not take it.
func TestFlashTakesAByteOrderMark(t *testing.T) {
	path := imageFile(t, "m328p 1.0")
	plain, err := os.ReadFile(path)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, append([]byte("\ufeff"), plain...), 0o600))
	text, _, err := flash.ReadImage(path)
	require.NoError(t, err)
	assert.Equal(t, plain, text)
}

func TestFlashTriesTheOlderSpeed(t *testing.T) {
	chip := serialboardtest.New(t)
	chip.Connect()
	calls := fakeTool(t, `case "$*" in *57600*) exit 0;; esac
echo 'avrdude warning: stk500_getsync() attempt 10 of 10: not in sync: resp=0x00' >&2; exit 1`)
	status, _, errs := runFlash(t, "--port", chip.Path, "--image", imageFile(t, "m328p 1.0"))
	require.Zero(t, status, errs)
	require.Len(t, calls(), 2)
	assert.Contains(t, calls()[0], "-b 115200")
	assert.Contains(t, calls()[1], "-b 57600")
}

func TestFlashSaysWhatFailed(t *testing.T) {
	chip := serialboardtest.New(t)
	chip.Connect()
	file := imageFile(t, "m328p 1.0")
	sync := "echo 'avrdude: stk500_getsync(): not in sync: resp=0x00' >&2; exit 1"
	for name, c := range map[string]struct {
		script string
		args   []string
		calls  int
		says   []string
	}{
		"no bootloader": {sync, []string{"--image", file}, 2, []string{"no bootloader answered on " + chip.Path +
			" at 115200 or 57600 baud", "reset button", "--programmer", "not in sync: resp=0x00"}},
		"one speed": {sync, []string{"--image", file, "--baud", "19200"}, 1, []string{"at 19200 baud"}},
		"verify": {"echo 'verification error, first mismatch at byte 0x0080' >&2; exit 1", []string{"--image", file}, 1,
			[]string{"avrdude failed (exit status 1)", "run stillwater flash again", "first mismatch at byte 0x0080"}},
		"another answers": {"", []string{"--image", imageFile(t, "m328p 2.0")}, 1,
			[]string{"the board says that it runs m328p 1.0, not m328p 2.0"}},
		"damaged": {"", []string{"--image", "flash.go"}, 0, []string{"flash.go: line 1: it is not a record",
			"nothing was written"}},
		"a program": {"", []string{"--image", os.Args[0]}, 0, []string{"it is larger than any such file; name a"}},
		"a folder":  {"", []string{"--image", ".."}, 0, []string{`--image "..": it is a folder; name a`}},
		"a device":  {"", []string{"--image", "/dev/zero"}, 0, []string{"it is not a regular file; name a"}},
		"no file":   {"", []string{"--image", "/nowhere/image.hex"}, 0, []string{"/nowhere/image.hex"}},
		"no such port": {"", []string{"--image", file, "--port", "/dev/nowhere"}, 0,
			[]string{"/dev/nowhere: there is nothing"}},
		"no config": {"", []string{"--image", file, "--config", "/nowhere.toml"}, 0, []string{"/nowhere.toml"}},
	} {
		t.Run(name, func(t *testing.T) {
			calls := fakeTool(t, c.script)
			status, _, errs := runFlash(t, append([]string{"--port", chip.Path}, c.args...)...)
			assert.Equal(t, 1, status)
			assert.Len(t, calls(), c.calls)
			for _, words := range c.says {
				assert.Contains(t, errs, words)
			}
		})
	}
}

func TestFlashIsCalledRight(t *testing.T) {
	for _, args := range [][]string{{"image.hex"}, {"--baud", "-1"}, {"--speed", "9"}} {
		status, _, errs := runFlash(t, args...)
		assert.Equal(t, 2, status, "%v: %s", args, errs)
	}
	status, out, _ := runFlash(t, "-h")
	assert.Zero(t, status)
	for _, words := range []string{"--port PORT", "--image FILE", "--programmer", "--dry-run", "Disconnect flashes"} {
		assert.Contains(t, out, words)
	}
}

func TestFlashWithoutTheTool(t *testing.T) {
	t.Setenv("PATH", t.TempDir())
	status, _, errs := runFlash(t, "--image", imageFile(t, "m328p 1.0"), "--port", "/dev/null")
	assert.Equal(t, 1, status)
	assert.Contains(t, errs, "avrdude, which is not installed: sudo apt install avrdude")
}

func TestFlashDryRunDoesNothing(t *testing.T) {
	calls := fakeTool(t, "")
	file := imageFile(t, "m328p 1.0")
	status, out, errs := runFlash(t, "--dry-run", "--image", file, "--port", "/dev/serial/by-id/my board")
	require.Zero(t, status, errs)
	assert.Empty(t, calls())
	lines := strings.Split(strings.TrimSpace(out), "\n")
	require.Len(t, lines, 2)
	assert.Contains(t, lines[0], "avrdude -p m328p -c arduino -P '/dev/serial/by-id/my board' -b 115200 -D -U flash:w:"+
		file)

	status, out, errs = runFlash(t, "--dry-run", "--image", file, "--programmer", "avrisp2", "--port", "usb")
	require.Zero(t, status, errs)
	assert.Contains(t, out, "avrdude -p m328p -c avrisp2 -P usb -U flash:w:", "with a programmer the chip is erased first")
}

// The daemon has the port for itself, and what is armed must not be reset under it.
func TestFlashLeavesARunningDaemonAlone(t *testing.T) {
	chip := serialboardtest.New(t)
	chip.Connect()
	h := startSerial(t, chip).pair()
	h.ready()
	h.arm(9)
	calls := fakeTool(t, "")
	status, _, errs := runFlash(t, "--port", chip.Path, "--image", imageFile(t, "m328p 1.0"))
	assert.Equal(t, 1, status)
	assert.Contains(t, errs, chip.Path+": it is in use")
	assert.Contains(t, errs, "sudo systemctl stop stillwater")
	assert.Empty(t, calls())
	h.must(control.Command{Type: "disarm"})
	h.until("disarmed", inState(control.Safe))
	assert.True(t, h.last.Board.Connected)
}

// Progress is for whoever looks.
func TestFlashShowsProgressOnATerminal(t *testing.T) {
	chip := serialboardtest.New(t)
	chip.Connect()
	fakeTool(t, "echo 'Writing | #### | 100%' >&2")
	outside, screen := need.Terminal(t)
	var out bytes.Buffer
	m := &Main{Stdout: &out, Stderr: screen, Getenv: func(string) string { return "" }}
	require.Zero(t, m.Run(t.Context(), []string{"flash", "--port", chip.Path, "--image", imageFile(t, "m328p 1.0")}))
	shown := make([]byte, 200)
	n, err := outside.Read(shown)
	require.NoError(t, err)
	assert.Contains(t, string(shown[:n]), "Writing | #### | 100%")
}

// A build without the firmware says so, and what to do.
func TestFlashWithoutAnImage(t *testing.T) {
	text, from, err := flash.ReadImage("")
	if err == nil {
		_, err := image.Parse(text)
		require.NoError(t, err, "%s was built with what it is to write", from)
		return
	}
	assert.ErrorContains(t, err, "this program was built without the firmware")
	assert.ErrorContains(t, err, "--image firmware/image/built/stillwater.hex")
}
