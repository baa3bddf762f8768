//go:build guest

package guest

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"
	"time"
	"unsafe"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/board"
	"stillwater/internal/gpiochip"
	"stillwater/internal/proctest"
	"stillwater/internal/spawn"
)

// Where there are no registers that are known, mapped outputs are refused, with words, and are still the kernel's.
func TestMappedIsRefused(t *testing.T) {
	c := newChip(t, "plain", 2)
	out, err := gpiochip.OpenOutputs("guest",
		[]gpiochip.OutputRequest{{Line: c.line(0)}, {Line: c.line(1), ActiveLow: true}})
	require.NoError(t, err)
	defer out.Close()
	assert.ErrorContains(t, out.Map(gpiochip.FindHost()), `write drive = "kernel"`)
	assert.Equal(t, "the kernel: one call a chip", out.Drive())
	require.NoError(t, out.Set(0b11, 0b11))
	assert.True(t, c.value(0))
	assert.False(t, c.value(1))
	levels, err := out.Levels()
	require.NoError(t, err)
	assert.Equal(t, uint8(0b11), levels)
}

const simulatedConfig = `
journal = "/tmp/journal.db"

[board]
kind = "gpio"

[[board.input]]
name = "kill"
role = "kill"
pin = "checked-0"
active = "high"
bias = "pull-up"
debounce = "1 ms"

[[board.output]]
name = "flash"
kind = "flash"
chip = "checked"
line = 1
safe = "low"
longest_on = "10 ms"
`

// stillwater check finds a line that is held and by whom, and leaves the lines as free as it found them.
func TestCheckOfLines(t *testing.T) {
	c := newChip(t, "checked", 2)
	const path = "/tmp/checked.toml"
	require.NoError(t, os.WriteFile(path, []byte(simulatedConfig), 0o600))
	checked := answerOfCheck(t, path)
	assert.Zero(t, checked.Stops, "%v", checked.Findings)
	assert.False(t, c.line(0).Used)
	assert.False(t, c.line(1).Used)
	assert.False(t, c.line(1).Output, "an output is not touched")

	out, err := gpiochip.OpenOutputs("guest", []gpiochip.OutputRequest{{Line: c.line(1)}})
	require.NoError(t, err)
	checked = answerOfCheck(t, path)
	require.Equal(t, 1, checked.Stops, "%v", checked.Findings)
	assert.Equal(t, finding{"stop", `output "flash"`, c.name + " line 1 (checked-1) is held by guest"},
		checked.Findings[0])
	require.NoError(t, out.Close())

	in, err := gpiochip.OpenInputs("guest", []gpiochip.InputRequest{{Line: c.line(0)}})
	require.NoError(t, err)
	defer in.Close()
	checked = answerOfCheck(t, path)
	require.Equal(t, 1, checked.Stops, "a line that is held is not asked for: %v", checked.Findings)
	assert.Equal(t, finding{"stop", `input "kill"`, c.name + " line 0 (checked-0) is held by guest"},
		checked.Findings[0])
}

// The tests whose names begin with TestHeader run in a machine with the 40-pin header and its chip, and no others do.

// Lines of the header that the tests drive; the machine has nothing on them.
const headerShutter, headerFlash = 23, 24

func headerOutputs(t *testing.T) []gpiochip.OutputRequest {
	t.Helper()
	m := gpiochip.Inspect()
	require.NoError(t, m.Err)
	shutter, err := m.FindPin("GPIO23")
	require.NoError(t, err)
	require.Equal(t, headerShutter, shutter.Number)
	flash, err := m.FindPin("P1_18")
	require.NoError(t, err)
	require.Equal(t, headerFlash, flash.Number)
	return []gpiochip.OutputRequest{{Line: shutter}, {Line: flash, ActiveLow: true}}
}

// Outputs switched through the registers are seen by the kernel at the levels it would have set, from the first moment
// on, and are off after Close.
func TestHeaderMapped(t *testing.T) {
	outputs := headerOutputs(t)
	require.NoError(t, gpiochip.Mappable(gpiochip.FindHost(), []gpiochip.LineInfo{outputs[0].Line, outputs[1].Line}))

	out, err := gpiochip.OpenOutputs("guest", outputs)
	require.NoError(t, err)
	levels := func() uint8 {
		l, err := out.Levels()
		require.NoError(t, err)
		return l
	}
	assert.Zero(t, levels(), "off from the request on")
	require.NoError(t, out.Map(gpiochip.FindHost()))
	assert.Contains(t, out.Drive(), "the processor's registers")
	assert.Zero(t, levels(), "mapping changes no level")

	for _, step := range []struct{ mask, levels, want uint8 }{
		{0b11, 0b11, 0b11}, {0b01, 0b00, 0b10}, {0b11, 0b01, 0b01}, {0b10, 0b10, 0b11}, {0b00, 0b00, 0b11}, {0b11, 0, 0},
		{0b10, 0b10, 0b10},
	} {
		require.NoError(t, out.Set(step.mask, step.levels))
		assert.Equal(t, step.want, levels(), "%02b of %02b", step.levels, step.mask)
	}
	assert.Zero(t, testing.AllocsPerRun(100, func() { _ = out.Set(0b11, 0b11); _ = out.Set(0b11, 0) }))

	// Another descriptor of the same request, as the outputs' watchdog has one, sees them go off.
	require.NoError(t, out.Set(0b11, 0b11))
	kept, err := unix.Dup(out.Fds()[0])
	require.NoError(t, err)
	defer unix.Close(kept)
	assert.Equal(t, uint64(0b11), valuesOf(t, kept))
	require.NoError(t, out.Close())
	assert.Zero(t, valuesOf(t, kept))
}

// valuesOf reads the two lines of a request.
func valuesOf(t *testing.T, request int) uint64 {
	t.Helper()
	v := unix.GPIOV2LineValues{Mask: 0b11}
	_, _, errno := unix.Syscall(unix.SYS_IOCTL, uintptr(request), unix.GPIO_V2_LINE_GET_VALUES_IOCTL,
		uintptr(unsafe.Pointer(&v)))
	require.Zero(t, errno)
	return v.Bits
}

const headerConfig = `
listen = "127.0.0.1:8737"
journal = "/tmp/journal.db"

[board]
kind = "gpio"
drive = "mapped"

[board.heartbeat]
pin = "GPIO22"

[[board.input]]
name = "kill"
role = "kill"
pin = "GPIO5"
active = "high"
bias = "pull-up"
debounce = "1 ms"

[[board.output]]
name = "flash"
kind = "flash"
pin = "P1_18"
safe = "low"
longest_on = "10 ms"
`

// The board process drives its outputs through the registers, says so, and the kernel sees the pulse.
func TestHeaderBoard(t *testing.T) {
	const path, width = "/tmp/board.toml", 300 * time.Millisecond
	require.NoError(t, os.WriteFile(path, []byte(strings.Replace(headerConfig, "10 ms", "1 s", 1)), 0o600))
	var log proctest.Log
	p, err := spawn.Start(spawn.Command{Path: program, Args: []string{"board", "--config", path}, Stderr: &log})
	require.NoError(t, err)
	client, err := board.Dial(t.Context(), p, board.Options{})
	require.NoError(t, err, log.String())
	defer client.Close()
	proctest.Eventually(t, "the log says how outputs are driven", func() bool { // it is forwarded beside the link
		return strings.Contains(log.String(), "outputs are driven by the processor's registers")
	})
	assert.False(t, kernelSees(t, headerFlash))

	pulsed := make(chan error, 1)
	go func() { pulsed <- client.Pulse(t.Context(), 0, width) }()
	proctest.Eventually(t, "the flash is on", func() bool { return kernelSees(t, headerFlash) })
	proctest.Eventually(t, "the flash is off again", func() bool { return !kernelSees(t, headerFlash) })
	assert.NoError(t, <-pulsed)
}

// kernelSees is the level of one of the header's lines in the kernel's own list.
func kernelSees(t *testing.T, line int) bool {
	t.Helper()
	list, err := os.ReadFile("/sys/kernel/debug/gpio")
	require.NoError(t, err)
	found := regexp.MustCompile(fmt.Sprintf(`\(GPIO%d +\|stillwater *\) out (hi|lo)`, line)).FindSubmatch(list)
	require.NotNil(t, found, "%s", list)
	return string(found[1]) == "hi"
}

// The installed program sees this machine's header, and finds nothing that stops the configuration.
func TestHeaderPinsAndCheck(t *testing.T) {
	const path = "/tmp/header.toml"
	require.NoError(t, os.WriteFile(path, []byte(headerConfig), 0o600))
	var pins struct {
		Header bool
		Pins   []struct {
			Position, Name, Chip, Use string
			Line                      int
		}
	}
	answer(t, &pins, "pins", "--json", "--config", path)
	assert.True(t, pins.Header)
	require.Len(t, pins.Pins, 40)
	assert.Equal(t, "heartbeat", pins.Pins[14].Use)
	assert.Equal(t, `output "flash"`, pins.Pins[17].Use)
	assert.Equal(t, headerFlash, pins.Pins[17].Line)
	assert.Equal(t, "GPIO24", pins.Pins[17].Name)

	checked := answerOfCheck(t, path)
	assert.Zero(t, checked.Stops, "%v", checked.Findings)
}

// finding and checked are what stillwater check says.
type (
	finding struct{ Severity, Where, What string }
	checked struct {
		Findings []finding
		Stops    int
	}
)

func answerOfCheck(t *testing.T, config string) (c checked) {
	t.Helper()
	answer(t, &c, "check", "--json", "--config", config)
	return c
}

// answer runs the program and reads its JSON. Whatever the exit status, it has to be an answer.
func answer(t *testing.T, into any, args ...string) {
	t.Helper()
	cmd := exec.Command(program, args...)
	var complaints bytes.Buffer
	cmd.Stderr = &complaints
	out, err := cmd.Output()
	if !errors.As(err, new(*exec.ExitError)) {
		require.NoError(t, err)
	}
	require.NoError(t, json.Unmarshal(out, into), "%s%s", out, complaints.String())
}
