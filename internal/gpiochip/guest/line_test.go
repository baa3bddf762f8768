//go:build guest

package guest

import (
	"os"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/gpiochip"
)

// What package gpiochip says of the kernel, checked on one.

func openInputs(t *testing.T, inputs ...gpiochip.InputRequest) *gpiochip.Inputs {
	t.Helper()
	in, err := gpiochip.OpenInputs("guest", inputs)
	require.NoError(t, err)
	t.Cleanup(func() { assert.NoError(t, in.Close()) })
	return in
}

// waitRead waits for edges on a chip of in and reads them.
func waitRead(t *testing.T, in *gpiochip.Inputs, chip int, b *gpiochip.Batch) {
	t.Helper()
	poll := []unix.PollFd{{Fd: int32(in.Fd(chip)), Events: unix.POLLIN}}
	n, err := unix.Poll(poll, 60_000)
	require.NoError(t, err)
	require.Equal(t, 1, n, "no edge came")
	require.NoError(t, in.Read(chip, b))
}

func monotonic(t *testing.T) int64 {
	var ts unix.Timespec
	require.NoError(t, unix.ClockGettime(unix.CLOCK_MONOTONIC, &ts))
	return ts.Nano()
}

// Each edge comes once, with the direction it had and the kernel's stamp of when it was.
func TestEdgesAndStamps(t *testing.T) {
	c := newChip(t, "edges", 4)
	in := openInputs(t, gpiochip.InputRequest{Line: c.line(2)}, gpiochip.InputRequest{Line: c.line(1)})
	b := gpiochip.NewBatch()
	require.NoError(t, in.Read(0, &b), "reading without an edge waiting does not wait")
	require.Empty(t, b.Events)
	for i := range 200 {
		input, high := uint8(i/2%2), i%2 == 0
		before := monotonic(t)
		c.pull([]int{2, 1}[input], high)
		waitRead(t, in, 0, &b)
		after := monotonic(t)
		require.Len(t, b.Events, 1)
		e := b.Events[0]
		require.Equal(t, input, e.Input)
		require.Equal(t, high, e.High)
		require.LessOrEqual(t, before, e.At)
		require.LessOrEqual(t, e.At, after)
		require.False(t, b.Gap)
		levels, err := in.Levels()
		require.NoError(t, err)
		require.Equal(t, high, levels>>input&1 == 1)
	}
}

// The queue holds 1024 edges a chip; when its reader stalls for longer the kernel drops the oldest, and the batch says
// how many there were.
func TestStalledReader(t *testing.T) {
	c := newChip(t, "stall", 2)
	in := openInputs(t, gpiochip.InputRequest{Line: c.line(0)}, gpiochip.InputRequest{Line: c.line(1)})
	b := gpiochip.NewBatch()
	toggle := func(line, n int) {
		for i := range n {
			c.pull(line, i%2 == 0)
		}
	}
	toggle(0, 1000)
	waitRead(t, in, 0, &b)
	assert.Len(t, b.Events, 1000, "a stall of 1000 edges loses none")
	assert.False(t, b.Gap)
	for i := 1; i < len(b.Events); i++ {
		require.Less(t, b.Events[i-1].At, b.Events[i].At)
		require.NotEqual(t, b.Events[i-1].High, b.Events[i].High)
	}

	toggle(1, 2) // these are the oldest
	toggle(0, 1100)
	waitRead(t, in, 0, &b)
	assert.Len(t, b.Events, 1024)
	assert.True(t, b.Gap)
	assert.Equal(t, uint32(76), b.Lost[0], "the line that speaks says how many of its own were lost")
	assert.Equal(t, uint32(2), b.Lost[1], "the silent line gets what else the chip lost")

	toggle(1, 2)
	waitRead(t, in, 0, &b)
	assert.Len(t, b.Events, 2)
	assert.Zero(t, b.Lost, "and nothing is counted twice")
}

// Taking an output shows in the kernel's record as one value and one direction, both off: no pulse at the start.
func TestRequestDoesNotGlitch(t *testing.T) {
	for _, activeLow := range []bool{false, true} {
		c := newChip(t, "glitch", 4)
		c.pull(1, activeLow)
		startTrace(t)
		out, err := gpiochip.OpenOutputs("guest", []gpiochip.OutputRequest{{Line: c.line(1), ActiveLow: activeLow}})
		require.NoError(t, err)
		assert.Equal(t, activeLow, c.value(1), "off is the pull's level here")
		levels := c.of(readTrace(t), 1, "set", "out")
		require.NotEmpty(t, levels)
		for _, r := range levels {
			if r.What == "set" {
				assert.Equal(t, activeLow, r.High, "active low %v: %+v", activeLow, levels)
			}
		}
		require.NoError(t, out.Close())
		c.remove()
	}
}

// Several outputs of one moment switch in the order of one call; on is low where it says so; closing switches off
// before the lines are let go.
func TestOutputs(t *testing.T) {
	c := newChip(t, "outputs", 8)
	other := newChip(t, "more", 2)
	c.pull(6, true)
	out, err := gpiochip.OpenOutputs("guest", []gpiochip.OutputRequest{
		{Line: c.line(5)}, {Line: other.line(1)}, {Line: c.line(6), ActiveLow: true},
	})
	require.NoError(t, err)
	lines := func() [3]bool { return [3]bool{c.value(5), other.value(1), c.value(6)} }
	assert.Equal(t, [3]bool{false, false, true}, lines(), "off")
	require.NoError(t, out.Set(0b111, 0b111))
	assert.Equal(t, [3]bool{true, true, false}, lines(), "all on")
	require.NoError(t, out.Set(0b010, 0))
	assert.Equal(t, [3]bool{true, false, false}, lines(), "the mask protects the others")

	startTrace(t)
	require.NoError(t, out.Close())
	records := readTrace(t)
	require.NotEmpty(t, c.of(records, 5, "set"))
	require.NotEmpty(t, c.of(records, 6, "set"))
	assert.False(t, c.of(records, 5, "set")[0].High)
	assert.True(t, c.of(records, 6, "set")[0].High)
	assert.Equal(t, [3]bool{false, false, true}, lines(), "after closing")
}

func TestNothingAllocatesAtThePins(t *testing.T) {
	c := newChip(t, "allocs", 4)
	in := openInputs(t, gpiochip.InputRequest{Line: c.line(0)})
	out, err := gpiochip.OpenOutputs("guest", []gpiochip.OutputRequest{{Line: c.line(1)}})
	require.NoError(t, err)
	defer out.Close()
	pull, err := os.OpenFile(c.attribute(0, "pull"), os.O_WRONLY, 0)
	require.NoError(t, err)
	defer pull.Close()
	words := [2][]byte{[]byte("pull-up"), []byte("pull-down")}
	b := gpiochip.NewBatch()
	i := 0
	allocs := testing.AllocsPerRun(100, func() {
		_, _ = unix.Pwrite(int(pull.Fd()), words[i%2], 0)
		i++
		_ = out.Set(1, uint8(i%2))
		_ = in.Read(0, &b)
		_, _ = in.Levels()
	})
	assert.Zero(t, allocs)
	assert.NotEmpty(t, b.Events)
}

// Chips are found by path, name and label, lines by number and name; what is not there is said with what is.
func TestFinding(t *testing.T) {
	c := newChip(t, "find", 3)
	newChip(t, "find2", 3)
	for _, name := range []string{c.path, c.name, "find"} {
		l, err := gpiochip.Inspect().FindLine(name, 2)
		require.NoError(t, err, name)
		assert.Equal(t, c.name+" line 2 (find-2)", l.String())
	}
	l, err := gpiochip.Inspect().FindPin("find2-1")
	require.NoError(t, err)
	assert.Equal(t, "find2", l.Chip.Label)
	assert.Equal(t, 1, l.Number)

	// A second device node is the same chip, and is not listed as another.
	link := "/dev/gpiochip77"
	require.NoError(t, os.Symlink(c.path, link))
	defer os.Remove(link)
	l, err = gpiochip.Inspect().FindLine(link, 2)
	require.NoError(t, err)
	assert.Equal(t, c.path, l.Chip.Path)
	_, err = gpiochip.Inspect().FindPin("find-2")
	require.NoError(t, err, "still one line of that name")
	require.NoError(t, os.Remove(link))
	var stat unix.Stat_t
	require.NoError(t, unix.Stat(c.path, &stat))
	require.NoError(t, unix.Mknod(link, unix.S_IFCHR|0o600, int(stat.Rdev)))
	_, err = gpiochip.Inspect().FindPin("find-2")
	require.NoError(t, err, "still one line of that name")

	_, err = gpiochip.Inspect().FindLine("find", 3)
	assert.ErrorContains(t, err, "line 3: does not exist; "+c.path+" (find) has lines 0 to 2")
	_, err = gpiochip.Inspect().FindLine("lost", 0)
	assert.ErrorContains(t, err, "chip lost: is not here; chips here: ")
	assert.ErrorContains(t, err, c.path+" (find, 3 lines)")
	_, err = gpiochip.Inspect().FindPin("GPIO99")
	assert.ErrorContains(t, err, "pin GPIO99: no line is called that; give chip and line instead of pin")
	_, err = gpiochip.Inspect().FindLine("/dev/null", 0)
	assert.ErrorContains(t, err, "chip /dev/null: is not here")
}

func TestRefusals(t *testing.T) {
	c := newChip(t, "busy", 3)
	in := openInputs(t, gpiochip.InputRequest{Line: c.line(1)})
	_, err := gpiochip.OpenOutputs("guest", []gpiochip.OutputRequest{{Line: c.line(0)}, {Line: c.line(1)}})
	assert.ErrorIs(t, err, unix.EBUSY)
	assert.ErrorContains(t, err, c.name+` line 1 (busy-1): is in use by "guest"`)
	assert.False(t, c.line(0).Used, "all lines or none")
	_, err = in.Levels()
	assert.NoError(t, err, "the holder is not disturbed")

	_, err = gpiochip.OpenOutputs("guest", []gpiochip.OutputRequest{{Line: c.line(0)}, {Line: c.line(0)}})
	assert.ErrorContains(t, err, "is given twice")

	require.NoError(t, os.Chmod(c.path, 0o600))
	asUnprivileged(t, func() {
		_, err = gpiochip.Inspect().FindPin("busy-0")
		assert.ErrorIs(t, err, unix.EACCES)
		assert.ErrorContains(t, err, "no group may open it: install Stillwater's package")
	})
}

// asUnprivileged runs f on a thread without root's rights.
func asUnprivileged(t *testing.T, f func()) {
	t.Helper()
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	_, err := unix.SetfsuidRetUid(65534)
	require.NoError(t, err)
	defer unix.SetfsuidRetUid(0)
	f()
}

// Bias reaches the line, and a line with the kernel's debounce says nothing about a bounce.
func TestBiasAndDebounce(t *testing.T) {
	c := newChip(t, "bias", 4)
	in := openInputs(t,
		gpiochip.InputRequest{Line: c.line(0), Bias: gpiochip.PullUp},
		gpiochip.InputRequest{Line: c.line(1), Bias: gpiochip.PullDown},
		gpiochip.InputRequest{Line: c.line(2), Debounce: 20 * time.Millisecond},
		gpiochip.InputRequest{Line: c.line(3), Bias: gpiochip.NoBias},
	)
	levels, err := in.Levels()
	require.NoError(t, err)
	assert.Equal(t, uint8(0b0001), levels)
	for i := range 6 {
		c.pull(2, i%2 == 0) // up, down, up, down, up, down: back where it was
	}
	c.pull(2, true)
	b := gpiochip.NewBatch()
	waitRead(t, in, 0, &b)
	require.Len(t, b.Events, 1, "one edge of seven")
	assert.True(t, b.Events[0].High)
}
