//go:build guest

package guest

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/board"
	"stillwater/internal/config"
	"stillwater/internal/control"
	"stillwater/internal/proctest"
	"stillwater/internal/shot"
)

// The lines of the stage: two chips, so that a plan's edges and pulses come from and go to more than one.
const (
	gateLine, beamLine, stopLine       = 2, 3, 5 // on the chip "sense"
	soundLine                          = 6       // on it too
	shutterLine, flashLine, lampLine   = 1, 4, 6 // on the chip "fire"
	beatLine                           = 7       // on it too
	flashSafe, shutterSafe, brokenBeam = true, false, false
)

// holdOff is that of stageConfig.
const holdOff = 10 * time.Millisecond

// stageConfig: beams are low while broken, the kill switch stops when its line is high, the flash is on when low. The
// limit for late is far beyond what an emulated machine needs; the hold-off beyond how long the test's bounces take.
const stageConfig = `
listen = "127.0.0.1:8737"

[board]
kind = "gpio"
late = "2 s"
hold_off = "10 ms"

[[board.input]]
name = "first beam"
role = "gate"
chip = "sense"
line = 2
active = "low"

[[board.input]]
name = "second beam"
role = "beam"
pin = "sense-3"
active = "low"

[[board.input]]
name = "stop"
role = "kill"
pin = "sense-5"
active = "high"

[[board.input]]
name = "ear"
role = "microphone"
pin = "sense-6"
active = "high"

[board.heartbeat]
pin = "fire-7"

[[board.output]]
name = "lamp"
kind = "lamp"
pin = "fire-6"
safe = "low"
longest_on = "10 s"

[[board.output]]
name = "shutter"
kind = "shutter"
pin = "fire-1"
safe = "low"
longest_on = "10 s"

[[board.output]]
name = "flash"
kind = "flash"
chip = "fire"
line = 4
safe = "high"
longest_on = "20 ms"
`

// daemonRig is a daemon with its chips and a phone that holds the controls.
type daemonRig struct {
	t       *testing.T
	inputs  *chip
	outputs *chip
	d       *daemon
	phone   *phone
}

func newDaemonRig(t *testing.T) *daemonRig {
	s := &daemonRig{t: t, inputs: newChip(t, "sense", 8), outputs: newChip(t, "fire", 8)}
	s.inputs.pull(gateLine, true)
	s.inputs.pull(beamLine, true)
	s.outputs.pull(flashLine, flashSafe)
	s.d = startDaemon(t, stageConfig)
	s.phone = s.d.pair()
	s.phone.ready()
	return s
}

// breakBeam breaks a beam and returns two readings of the kernel's clock, before and after.
func (s *daemonRig) breakBeam(line int) (before, after time.Duration) {
	s.t.Helper()
	before = time.Duration(monotonic(s.t))
	s.inputs.pull(line, brokenBeam)
	return before, time.Duration(monotonic(s.t))
}

// clearBeams lets light through both beams again, and waits for the hold-off to end: another break would be bounce.
func (s *daemonRig) clearBeams() {
	s.inputs.pull(gateLine, !brokenBeam)
	s.inputs.pull(beamLine, !brokenBeam)
	pass(s.t, holdOff)
}

// pass waits until the clock that stamps edges has gone on by d.
func pass(t *testing.T, d time.Duration) {
	t.Helper()
	begin := time.Duration(monotonic(t))
	proctest.Eventually(t, "the kernel's clock goes on", func() bool { return time.Duration(monotonic(t))-begin >= d })
}

// waitBeating waits until the board has kept its heartbeat up, in the kernel's record, for d from now: by then it has
// done what was due before.
func (s *daemonRig) waitBeating(d time.Duration) {
	s.t.Helper()
	begin := time.Duration(monotonic(s.t))
	proctest.Eventually(s.t, "the heartbeat goes on", func() bool {
		beats := s.outputs.of(readTrace(s.t), beatLine, "set")
		return len(beats) > 0 && beats[len(beats)-1].At >= begin+d
	})
}

// pulse is one pulse in the kernel's record.
type pulse struct {
	line    int
	on, off time.Duration
}

// pulses reads the kernel's record: each output switched on and off in turn, in the order they went on.
func (s *daemonRig) pulses() []pulse {
	s.t.Helper()
	var list []pulse
	records := readTrace(s.t)
	for line, safe := range map[int]bool{shutterLine: shutterSafe, flashLine: flashSafe, lampLine: false} {
		level := safe
		for _, r := range s.outputs.of(records, line, "set") {
			if r.High == level {
				continue // set again to what it was
			}
			level = r.High
			if level != safe {
				list = append(list, pulse{line: line, on: r.At})
			} else {
				list[len(list)-1].off = r.At
			}
		}
		require.Equal(s.t, safe, level, "line %d is left on", line)
	}
	slices.SortFunc(list, func(a, b pulse) int { return int(a.on - b.on) })
	return list
}

func (s *daemonRig) assertSafe() {
	s.t.Helper()
	assert.Equal(s.t, shutterSafe, s.outputs.value(shutterLine), "shutter")
	assert.Equal(s.t, flashSafe, s.outputs.value(flashLine), "flash")
	assert.False(s.t, s.outputs.value(lampLine), "lamp")
}

// compiled is the program that the phone's set makes on this stage.
func (s *daemonRig) compiled(set shot.Set) shot.Program {
	s.t.Helper()
	conf, err := config.Parse("stage", []byte(stageConfig))
	require.NoError(s.t, err)
	wire := control.ConfiguredWiring(conf.Board.Pins)
	bench, err := wire(board.Identity{Tick: 100 * time.Nanosecond, EdgeLead: time.Millisecond, TableLen: 32,
		Inputs: make([]board.InputInfo, 4), Outputs: make([]board.OutputInfo, 3)})
	require.NoError(s.t, err)
	p, _, err := shot.Compile(set, bench.Bench)
	require.NoError(s.t, err)
	return p
}

// tick is what the board counts in: the host rounds a program's times to it, each to the nearest.
const tick = 100 * time.Nanosecond

// interpolated is the delay that the board's table gives at a gate interval, to the tick: a board interpolates between
// points that are ticks, and rounds toward the first. Between points that are not, it would come out several ticks away
// where the table is steep.
func interpolated(p shot.Program, interval time.Duration) time.Duration {
	ticks := func(d time.Duration) int64 { return int64(d.Round(tick) / tick) }
	at, i := ticks(interval), 1
	for i < len(p.Table)-1 && at > ticks(p.Table[i].Interval) {
		i++
	}
	a, b := p.Table[i-1], p.Table[i]
	rise := (ticks(b.Delay) - ticks(a.Delay)) * (at - ticks(a.Interval)) / (ticks(b.Interval) - ticks(a.Interval))
	return time.Duration(ticks(a.Delay)+rise) * tick
}

func ns(ms float64) time.Duration { return time.Duration(math.Round(ms * 1e6)) }

// checkShot holds a shot of the record against the program it was made with and against the kernel's record: order and
// number of pulses, planned times as compiled, nothing before its time, and actual minus planned reported as it was.
// The clock edge was between before and after.
func (s *daemonRig) checkShot(got control.ShotView, p shot.Program, delay, before, after time.Duration) {
	t := s.t
	t.Helper()
	require.Equal(t, "done", got.Status)
	require.True(t, got.OK)
	assert.False(t, got.Simulated)
	assert.Equal(t, delay, ns(got.DelayMs), "the delay, to the tick")
	require.Len(t, got.Cues, len(p.Cues))

	pulses := s.pulses()
	require.Len(t, pulses, len(p.Cues), "one pulse each, and none of the lamp")
	assert.Equal(t, shutterLine, pulses[0].line, "the shutter opens first")
	if len(pulses) > 1 {
		assert.Equal(t, flashLine, pulses[1].line)
		assert.Less(t, pulses[1].off, pulses[0].off, "and closes last")
	}
	for i := range pulses {
		name := map[int]string{shutterLine: "shutter", flashLine: "flash"}[pulses[i].line]
		cue := p.Cues[slices.IndexFunc(p.Cues, func(c shot.Cue) bool { return c.Name == name })]
		said := got.Cues[slices.IndexFunc(got.Cues, func(c control.CueView) bool { return c.Name == name })]
		planned, actual := ns(said.PlannedMs), ns(said.ActualMs)
		assert.Equal(t, delay+cue.Offset.Round(tick), planned, "%s: planned as compiled, to the tick", name)
		assert.GreaterOrEqual(t, actual, planned, "%s: not before its time", name)
		assert.InDelta(t, float64(actual-planned), said.LateUs*1e3, 1, "%s: actual minus planned is reported", name)
		// The kernel's record has microseconds.
		const us = time.Microsecond
		assert.GreaterOrEqual(t, pulses[i].on+us, before+planned, "%s: the line itself not before its time", name)
		assert.LessOrEqual(t, pulses[i].on, after+actual+us, "%s: and changed by the time reported", name)
		assert.GreaterOrEqual(t, pulses[i].off-pulses[i].on, cue.Width-us, "%s: no shorter than compiled", name)
		t.Logf("FIGURE emulated: %s %s planned %.4f ms, %.1f us after plan", t.Name(), name, said.PlannedMs, said.LateUs)
	}
}

// A drop: the beam's edge, the delay, shutter and flash; with a bounce, which does not fire again; three times over.
func TestDaemonDrop(t *testing.T) {
	s := newDaemonRig(t)
	s.phone.set("kind", "drop", "drop.height", "40 cm", "drop.beam", "5 cm", "light.recycle", "400 ms")
	p := s.compiled(s.phone.last.Set)
	require.Len(t, p.Table, 1)
	s.phone.arm(3)
	for n := 1; n <= 3; n++ {
		startTrace(t)
		before, after := s.breakBeam(beamLine)
		for i := range 8 { // the beam's edge bounces
			s.inputs.pull(beamLine, i%2 == 0)
		}
		got := s.phone.untilShots(n)
		assert.Equal(t, n, got.Number)
		assert.Nil(t, got.IntervalMs)
		if n < 3 {
			s.phone.until("armed for the next", func(c control.Snapshot) bool {
				return c.State == control.Armed && c.ArmedLeft == 3-n
			})
		}
		s.checkShot(got, p, p.Table[0].Delay.Round(tick), before, after)
		s.clearBeams()
	}
	end := s.phone.untilState(control.Safe)
	assert.Zero(t, end.ArmedLeft, "after the shots asked for it disarms by itself")
	startTrace(t)
	s.breakBeam(beamLine)
	s.waitBeating(time.Second)
	assert.Empty(t, s.pulses(), "disarmed, nothing fires")
	s.assertSafe()
}

// A throw: the gate's interval decides the delay; an interval outside the accepted range fires nothing.
func TestDaemonThrow(t *testing.T) {
	s := newDaemonRig(t)
	s.phone.set("kind", "throw", "light.recycle", "400 ms", "light.lag", "20 ms", "throw.gate", "10 cm",
		"throw.to_focus", "80 cm", "throw.speed_low", "3 m/s") // so far that the shutter opens after the edge
	p := s.compiled(s.phone.last.Set)
	require.NotNil(t, p.Gate)
	s.phone.arm(1)

	startTrace(t)
	notice := func(what, words string, between time.Duration) {
		t.Helper()
		s.breakBeam(gateLine)
		pass(t, between)
		s.breakBeam(beamLine)
		s.phone.until(what, func(c control.Snapshot) bool { return strings.Contains(c.Notice, words) })
		s.clearBeams()
	}
	notice("a throw that is too fast", "faster than", 0)
	notice("a throw that is too slow", "slower than", p.GateMax*3/2)
	s.breakBeam(beamLine)
	s.phone.until("no gate", func(c control.Snapshot) bool { return strings.Contains(c.Notice, "first beam") })
	s.waitBeating(time.Second)
	assert.Empty(t, s.pulses(), "a rejected interval does not fire")
	assert.Equal(t, control.Armed, s.phone.last.State)
	s.clearBeams()

	startTrace(t)
	s.breakBeam(gateLine)
	pass(t, (p.GateMin+p.GateMax)/2)
	before, after := s.breakBeam(beamLine)
	got := s.phone.untilShots(1)
	require.NotNil(t, got.IntervalMs)
	interval := ns(*got.IntervalMs)
	assert.GreaterOrEqual(t, interval, (p.GateMin+p.GateMax)/2-time.Millisecond)
	s.checkShot(got, p, interpolated(p, interval), before, after)
	t.Logf("FIGURE emulated: interval %.4f ms, delay %.4f ms", *got.IntervalMs, got.DelayMs)
	s.phone.untilState(control.Safe)
	s.assertSafe()
}

// A sound: the microphone's edge, the delay that was asked for, shutter and flash. What rings on is not another shot.
func TestDaemonSound(t *testing.T) {
	s := newDaemonRig(t)
	s.phone.set("kind", "sound", "light.recycle", "400 ms", "sound.after", "150 ms")
	p := s.compiled(s.phone.last.Set)
	require.Len(t, p.Table, 1)
	require.Len(t, p.Cues, 2)
	s.phone.arm(1)
	startTrace(t)
	s.breakBeam(beamLine) // means nothing to a sound
	before := time.Duration(monotonic(t))
	s.inputs.pull(soundLine, true)
	after := time.Duration(monotonic(t))
	for i := range 6 {
		s.inputs.pull(soundLine, i%2 == 1)
	}
	got := s.phone.untilShots(1)
	assert.Nil(t, got.IntervalMs)
	s.checkShot(got, p, p.Table[0].Delay.Round(tick), before, after)
	s.phone.untilState(control.Safe)
	s.assertSafe()
}

// Lag-led: the shutter alone, as much earlier as the camera lags; the camera fires the flash.
func TestDaemonLagLed(t *testing.T) {
	s := newDaemonRig(t)
	s.phone.set("kind", "drop", "drop.height", "60 cm", "drop.beam", "5 cm")
	s.phone.set("light.expose", "lag-led", "light.lag", "60 ms")
	p := s.compiled(s.phone.last.Set)
	require.Len(t, p.Cues, 1)
	require.Equal(t, -60*time.Millisecond, p.Cues[0].Offset)
	s.phone.arm(1)
	startTrace(t)
	before, after := s.breakBeam(beamLine)
	s.checkShot(s.phone.untilShots(1), p, p.Table[0].Delay.Round(tick), before, after)
	s.phone.untilState(control.Safe)
	s.assertNoFlash()
	s.assertSafe()
}

// flashAfter is how long after the shutter the flash of midShot fires.
const flashAfter = 2 * time.Second

// midShot arms and breaks the beam, and returns once the shutter is open. The flash is the camera's lag away: far
// enough that even a daemon being stopped has long done so by then.
func (s *daemonRig) midShot() {
	s.t.Helper()
	s.phone.set("kind", "drop", "trim.drop", "2 s", "light.lag", "2 s", "light.recycle", "400 ms")
	s.phone.arm(2)
	startTrace(s.t)
	s.breakBeam(beamLine)
	s.d.eventually("the shutter opens", func() bool { return s.outputs.value(shutterLine) != shutterSafe })
}

func (s *daemonRig) assertNoFlash() {
	s.t.Helper()
	for _, p := range s.pulses() {
		assert.NotEqual(s.t, flashLine, p.line, "the flash fired")
	}
}

// Disarming in the middle of a shot closes the shutter; the flash does not fire; the record says so.
func TestDaemonDisarm(t *testing.T) {
	s := newDaemonRig(t)
	s.midShot()
	s.phone.do(control.Command{Type: "disarm"})
	s.assertSafe()
	s.phone.untilState(control.Safe)
	got := s.phone.untilShots(1)
	assert.Equal(t, "disarmed", got.Status)
	assert.False(t, got.OK)
	s.waitBeating(flashAfter)
	s.assertNoFlash()
	s.assertSafe()
}

// The kill switch works without any phone, stays in force while pressed, and is cleared by a disarm after that.
func TestDaemonKill(t *testing.T) {
	s := newDaemonRig(t)
	s.midShot()
	s.inputs.pull(stopLine, true)
	end := s.phone.untilState(control.Fault)
	assert.Contains(t, end.Reason, "kill")
	s.assertSafe()
	assert.Equal(t, "stopped by the kill switch", s.phone.untilShots(1).Status)
	s.waitBeating(flashAfter)
	s.assertNoFlash()
	assert.NotNil(t, s.phone.ask(control.Command{Type: "arm", Shots: 1}), "no arming with the kill switch pressed")
	s.inputs.pull(stopLine, false)
	s.phone.until("the switch is released", func(c control.Snapshot) bool { return !c.Inputs[2].Active })
	s.phone.do(control.Command{Type: "disarm"})
	s.phone.untilState(control.Safe)
	s.clearBeams()
	s.phone.arm(1)
	s.phone.do(control.Command{Type: "disarm"})
	s.assertSafe()
}

// A board process that is killed is seen and reported, the daemon is disarmed, the kernel lets the lines go, and a new
// process serves a new arming.
func TestDaemonBoardKilled(t *testing.T) {
	s := newDaemonRig(t)
	pid := s.d.boardPid()
	s.midShot()
	require.NoError(t, unix.Kill(pid, unix.SIGKILL))
	gone := s.phone.until("the board's end", func(c control.Snapshot) bool { return !c.Board.Connected })
	assert.Equal(t, control.Fault, gone.State)
	assert.Contains(t, gone.Reason, "stillwater board was killed by signal 9 (SIGKILL)")
	assert.Zero(t, gone.ArmedLeft)
	assert.Zero(t, gone.ArmedEnds)
	assert.NotNil(t, s.phone.ask(control.Command{Type: "arm", Shots: 1}), "no arming without a board")
	s.clearBeams()

	back := s.phone.until("the board's return", func(c control.Snapshot) bool { return c.Board.Connected })
	assert.Equal(t, control.Safe, back.State)
	assert.Contains(t, back.Reason, "the board was disconnected and is back; disarmed")
	assert.NotEqual(t, pid, s.d.boardPid())
	s.assertSafe()
	shots := s.phone.last.ShotCount
	startTrace(t)
	s.breakBeam(beamLine)
	s.waitBeating(flashAfter)
	assert.Empty(t, s.pulses(), "it came back disarmed")
	s.clearBeams()

	s.phone.set("light.lag", "60 ms", "trim.drop", "0 s")
	s.phone.arm(1)
	p := s.compiled(s.phone.last.Set)
	startTrace(t)
	before, after := s.breakBeam(beamLine)
	got := s.phone.until("a shot", func(c control.Snapshot) bool {
		return c.ShotCount > shots && c.Shots[0].OK && c.State == control.Safe
	}).Shots[0]
	s.checkShot(got, p, p.Table[0].Delay.Round(tick), before, after)
}

// However the daemon goes, in the middle of a shot, no output stays on and no board process is left.
func TestDaemonGoes(t *testing.T) {
	for _, signal := range []unix.Signal{unix.SIGTERM, unix.SIGKILL} {
		t.Run(signal.String(), func(t *testing.T) {
			s := newDaemonRig(t)
			pid := s.d.boardPid()
			s.midShot()
			watchdogs := proctest.Children(t, pid)
			require.Len(t, watchdogs, 1)
			s.d.stop(signal)
			s.d.eventually("board and watchdog end", func() bool { return proctest.Ended(pid) && proctest.Ended(watchdogs[0]) })
			s.assertSafe()
			s.assertNoFlash()
			pulses := s.pulses()
			require.Len(t, pulses, 1)
			assert.Equal(t, shutterLine, pulses[0].line)
		})
	}
}

// A daemon started with a wrong configuration says where it is wrong.
func TestDaemonWrongLine(t *testing.T) {
	newChip(t, "sense", 8)
	d := startDaemon(t, stageConfig)
	p := d.pair()
	s := p.until("the fault", func(c control.Snapshot) bool { return c.Board.Problem != "" })
	assert.False(t, s.Board.Connected)
	d.eventually("the board says why", func() bool {
		return strings.Contains(d.out.String(), `output "lamp": pin fire-6: no line is called that`)
	})
}
