//go:build guest

package guest

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/board"
	"stillwater/internal/control"
	"stillwater/internal/proctest"
)

// What becomes of an output that is on when the board process is killed.

// boardRig is two chips and a board process with its host, the shutter's line on, and a heartbeat.
type boardRig struct {
	t               *testing.T
	inputs, outputs *chip
	path            string
	board           *boardProcess
	client          *board.Client
}

func newBoardRig(t *testing.T) *boardRig {
	s := &boardRig{t: t, inputs: newChip(t, "sense", 8), outputs: newChip(t, "fire", 8),
		path: filepath.Join(t.TempDir(), "stillwater.toml")}
	s.inputs.pull(gateLine, true)
	s.inputs.pull(beamLine, true)
	s.outputs.pull(flashLine, flashSafe)
	require.NoError(t, os.WriteFile(s.path, []byte(stageConfig), 0o644))
	s.start()
	return s
}

func (s *boardRig) start() {
	s.t.Helper()
	s.board = startBoard(s.t, s.path, "")
	client, err := board.Dial(s.t.Context(), s.board.link, board.Options{})
	require.NoError(s.t, err, "%s", s.board.out)
	s.client = client
	s.t.Cleanup(func() { client.Close() })
}

// switchOn switches the shutter's output on, for so long that it goes off by something else, and waits until it is.
func (s *boardRig) switchOn() {
	s.t.Helper()
	require.NoError(s.t, s.client.Pulse(s.t.Context(), 1, 9*time.Second))
	proctest.Eventually(s.t, "it is on", func() bool { return s.outputs.value(shutterLine) })
}

// beatsAfter counts changes of the heartbeat's line after a time.
func (s *boardRig) beatsAfter(records []record, at time.Duration) (n int) {
	for _, r := range s.outputs.of(records, beatLine, "set") {
		if r.At > at {
			n++
		}
	}
	return n
}

// A board that is killed while an output is on: its watchdog switches off, and the heartbeat does not change any more.
// Both as the kernel recorded it.
func TestKilledBoard(t *testing.T) {
	s := newBoardRig(t)
	s.switchOn()
	startTrace(t)
	proctest.Eventually(t, "it beats", func() bool { return len(s.outputs.of(readTrace(t), beatLine, "set")) >= 8 })
	gone := s.board.kill()
	records := readTrace(t)
	assert.False(t, s.outputs.value(shutterLine))
	assert.Equal(t, flashSafe, s.outputs.value(flashLine))
	off := s.outputs.of(records, shutterLine, "set")
	require.NotEmpty(t, off)
	assert.False(t, off[0].High)
	assert.Zero(t, s.beatsAfter(records, gone), "no heartbeat after the process has gone")
	t.Logf("FIGURE emulated: killed with an output on, its watchdog had it off %.1f ms later",
		float64(off[0].At-s.board.shot)/float64(time.Millisecond))

	s.start()
	assert.NoError(t, s.client.Disarm(t.Context()), "the next board has the lines at once")
}

// When the watchdog is killed at the same stroke the kernel lets the lines go, and what a line does then is its
// driver's affair: gpio-sim gives it back to its pull, others keep driving it. The heartbeat has stopped, which is what
// the hardware's guard looks at. The next board drives its outputs off before it touches anything else.
func TestKilledWithItsWatchdog(t *testing.T) {
	s := newBoardRig(t)
	s.outputs.pull(shutterLine, true) // as if something outside held the line up
	s.switchOn()
	watchdogs := proctest.Children(t, s.board.pid)
	require.Len(t, watchdogs, 1)
	for _, signal := range []unix.Signal{unix.SIGSTOP, unix.SIGKILL} {
		for _, pid := range []int{watchdogs[0], s.board.pid} {
			require.NoError(t, unix.Kill(pid, signal))
		}
	}
	<-s.board.done
	startTrace(t)
	proctest.Eventually(t, "its watchdog is gone too", func() bool { return proctest.Ended(watchdogs[0]) })
	assert.True(t, s.outputs.value(shutterLine), "nobody drove it off")
	proctest.Eventually(t, "the kernel lets the lines go", func() bool { return !s.outputs.line(shutterLine).Used })
	assert.Empty(t, s.outputs.of(readTrace(t), beatLine, "set"))

	startTrace(t)
	s.start()
	assert.False(t, s.outputs.value(shutterLine), "against the pull")
	records := readTrace(t)
	first := slices.IndexFunc(records, func(r record) bool { return r.Line == s.outputs.base+shutterLine })
	require.GreaterOrEqual(t, first, 0)
	beat := slices.IndexFunc(records, func(r record) bool { return r.Line == s.outputs.base+beatLine })
	input := slices.IndexFunc(records, func(r record) bool {
		return r.What == "in" && r.Line >= s.inputs.base && r.Line < s.inputs.base+8
	})
	require.GreaterOrEqual(t, input, 0)
	assert.Less(t, first, input, "outputs before inputs")
	assert.Less(t, first, beat, "and before any heartbeat")
	for _, r := range s.outputs.of(records, shutterLine, "set") {
		assert.False(t, r.High, "never on")
	}
}

// A board process that hangs or is stopped has no heartbeat; the outputs are then the guard's. One that goes on has
// ended what was on for too long.
func TestStoppedBoard(t *testing.T) {
	s := newBoardRig(t)
	require.NoError(t, unix.Kill(s.board.pid, unix.SIGSTOP))
	proctest.Eventually(t, "its threads are stopped", func() bool { return proctest.Stopped(t, s.board.pid) })
	startTrace(t)
	pass(t, 300*time.Millisecond) // thirty halves of the wave
	assert.Empty(t, s.outputs.of(readTrace(t), beatLine, "set"))
	require.NoError(t, unix.Kill(s.board.pid, unix.SIGCONT))
	proctest.Eventually(t, "it beats again", func() bool { return len(s.outputs.of(readTrace(t), beatLine, "set")) > 0 })
}

// Page and board are two services, started in either order; either is killed and started again while the other lives.
// Each time the shots go on, and nothing is on or armed that should not be.
func TestTwoServices(t *testing.T) {
	for _, boardFirst := range []bool{true, false} {
		t.Run(map[bool]string{true: "board first", false: "page first"}[boardFirst], func(t *testing.T) {
			testTwoServices(t, boardFirst)
		})
	}
}

func testTwoServices(t *testing.T, boardFirst bool) {
	s := &daemonRig{t: t, inputs: newChip(t, "sense", 8), outputs: newChip(t, "fire", 8)}
	s.inputs.pull(gateLine, true)
	s.inputs.pull(beamLine, true)
	s.outputs.pull(flashLine, flashSafe)
	socket := filepath.Join(t.TempDir(), "board.sock")
	conf := strings.Replace(stageConfig, "[board]\n", "[board]\nsocket = \""+socket+"\"\n", 1)
	path := filepath.Join(t.TempDir(), "board.toml")
	require.NoError(t, os.WriteFile(path, []byte(conf), 0o644))
	var service *boardProcess
	if boardFirst {
		service = startService(t, path, socket)
		s.d = startDaemon(t, conf)
	} else {
		s.d = startDaemon(t, conf)
		p := s.d.pair()
		p.until("what is missing", func(c control.Snapshot) bool {
			return !c.Board.Connected && strings.Contains(c.Board.Problem, "there is no board socket "+socket)
		})
		service = startService(t, path, socket)
	}
	s.phone = s.d.pair()
	s.phone.ready()
	s.phone.set("kind", "drop", "drop.height", "40 cm", "drop.beam", "5 cm", "light.recycle", "400 ms")
	p := s.compiled(s.phone.last.Set)
	fire := func() {
		t.Helper()
		shots := s.phone.last.ShotCount
		s.phone.arm(1)
		startTrace(t)
		before, after := s.breakBeam(beamLine)
		got := s.phone.until("a shot", func(c control.Snapshot) bool {
			return c.ShotCount > shots && c.State == control.Safe
		}).Shots[0]
		s.checkShot(got, p, p.Table[0].Delay.Round(tick), before, after)
		s.clearBeams()
	}
	fire()

	s.phone.arm(1)
	service.kill()
	s.phone.until("the board's end", func(c control.Snapshot) bool {
		return !c.Board.Connected && strings.Contains(c.Board.Problem, "its log says why: journalctl -u stillwater-board")
	})
	s.assertSafe()
	service = startService(t, path, socket)
	s.phone.until("the board's return", func(c control.Snapshot) bool {
		return c.Board.Connected && c.State == control.Safe
	})
	fire()

	s.phone.arm(1)
	s.d.stop(unix.SIGKILL)
	proctest.Eventually(t, "the board misses its host", func() bool {
		return strings.Contains(service.out.String(), "the host is gone")
	})
	require.False(t, proctest.Ended(service.pid), "the board stays")
	s.assertSafe()
	s.d = startDaemon(t, conf)
	s.phone = s.d.pair()
	s.phone.ready()
	assert.Equal(t, control.Safe, s.phone.last.State)
	s.phone.set("kind", "drop", "drop.height", "40 cm", "drop.beam", "5 cm", "light.recycle", "400 ms")
	fire()
	s.assertSafe()
}
