package main

import (
	"encoding/json"
	"errors"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/board"
	"stillwater/internal/config"
	"stillwater/internal/gpiochip"
	"stillwater/internal/need"
	"stillwater/internal/realtime"
	"stillwater/internal/trigger"
	"stillwater/internal/wire"
)

// runLateness runs the program with arguments, and returns what it said as JSON. Whether the machine was good enough is
// not asked: that is no matter for a test.
func runLateness(t *testing.T, args ...string) map[string]any {
	home := t.TempDir()
	args = append([]string{"lateness", "--json", "--plan", "throw"}, args...)
	cmd := exec.CommandContext(t.Context(), os.Args[0], args...)
	cmd.Env = append(os.Environ(), runEnv+"=1", "HOME="+home, "XDG_STATE_HOME="+home, "XDG_CONFIG_HOME="+home)
	out, err := cmd.Output()
	if exit := new(exec.ExitError); errors.As(err, &exit) {
		require.Equal(t, 1, exit.ExitCode(), "%s", exit.Stderr)
		require.Contains(t, string(exit.Stderr), errLate.Error(), "the only reason to fail")
	} else {
		require.NoError(t, err)
	}
	var keys map[string]any
	require.NoError(t, json.Unmarshal(out, &keys), "%s", out)
	return keys
}

// The real command with the real board process, without pins.
func TestLatenessOfANullBoard(t *testing.T) {
	keys := runLateness(t, "--count", "100", "--priority", "5")
	assert.EqualValues(t, 100, keys["count"])
	assert.Equal(t, "none", keys["load"])
	assert.Contains(t, keys["kernel"], "Linux ")
	probed := realtime.Probe(realtime.Want{Priority: 5, CPU: config.AnyCPU})
	assert.Equal(t, probed.Granted(), keys["granted"], "the board process was granted what asking beforehand said")
	assert.Len(t, keys["missing"], len(probed.Missing()))
	for _, k := range []string{"p50_ns", "p99_ns", "max_ns"} {
		late, ok := keys[k].(float64)
		require.True(t, ok)
		assert.GreaterOrEqual(t, late, 100.0, "a tick at least, and never before its time")
	}
}

// The real peer and the real load.
func TestLatenessAgainstCyclictest(t *testing.T) {
	need.Tool(t, "cyclictest")
	need.Tool(t, "stress-ng")
	args := []string{"--count", "60", "--load"}
	granted := realtime.Probe(realtime.Want{Priority: config.DefaultPriority, CPU: config.AnyCPU}).Grants[0].OK
	if granted { // else cyclictest does not run, and stillwater says so
		args = append(args, "--peer", "--rounds", "2")
	}
	keys := runLateness(t, args...)
	assert.Contains(t, keys["load"], "stress-ng --cpu 0")
	peer, ok := keys["peer"].(map[string]any)
	require.Equal(t, granted, ok)
	if granted {
		assert.EqualValues(t, 60, peer["count"])
		assert.Positive(t, peer["ratio_p50"])
	}
}

// looped is a board whose flash is wired back to its beam: each switching is an edge, stamped when it happens.
type looped struct {
	*fakeLines
	wired bool
}

func (l looped) Set(mask, levels uint8) error {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &ts); err != nil {
		return err
	}
	changed := (l.lit()^levels)&mask&2 != 0
	edge := gpiochip.Event{Input: 0, High: levels&2 != 0, At: ts.Nano()}
	if l.wired && changed {
		l.put(0, gpiochip.Batch{Events: []gpiochip.Event{edge}})
	}
	return l.fakeLines.Set(mask, levels)
}

// loopedBench measures a real loop on looped lines.
func loopedBench(t *testing.T, wired bool) *latenessBench {
	fds, err := unix.Socketpair(unix.AF_UNIX, unix.SOCK_STREAM|unix.SOCK_CLOEXEC, 0)
	require.NoError(t, err)
	link, err := realtime.NewLink(fds[0])
	require.NoError(t, err)
	far := os.NewFile(uintptr(fds[1]), "far end")
	conn, err := net.FileConn(far)
	require.NoError(t, err)
	far.Close()
	state, err := trigger.New(boardConfig(testBoard(), 0))
	require.NoError(t, err)
	lines := looped{newFakeLines(t), wired}
	l, err := newLoop(t.Context(), state, lines, lines, link, 0)
	require.NoError(t, err)
	done := running(func() error { return l.run(t.Context()) })
	client, err := board.Dial(t.Context(), conn, board.Options{Timeout: 10 * time.Second})
	require.NoError(t, err)
	t.Cleanup(func() {
		client.Close()
		<-done
		l.waiter.Close()
		link.Close()
	})
	return &latenessBench{client: client, interval: time.Millisecond, output: 1, input: 0, progress: func(int) {}}
}

// A looped line gives three times for each pulse: planned, after switching, and the edge's stamp between them.
func TestLatenessOfALoop(t *testing.T) {
	b := loopedBench(t, true)
	pulses, err := b.measure(t.Context(), 4, rand.New(rand.NewPCG(1, 2)))
	require.NoError(t, err)
	require.Len(t, pulses, 4)
	assert.Equal(t, 100*time.Nanosecond, b.late(board.CueReport{}), "what is less than a tick counts as one")
	for _, p := range pulses {
		assert.True(t, p.looped)
		assert.GreaterOrEqual(t, p.stamped, time.Duration(0), "not before its time")
		assert.Less(t, p.stamped, p.software, "the edge comes of the switching, which is over when the software looks")
	}
}

// A wire that is not there is said, not waited for.
func TestLatenessWithoutTheWire(t *testing.T) {
	b := loopedBench(t, false)
	_, err := b.measure(t.Context(), 2, rand.New(rand.NewPCG(1, 2)))
	assert.ErrorContains(t, err, `output "flash" switched and no edge came in at input "beam": wire the output's pin`)
}

// What shines is not flashed more than three times a second.
func TestLatenessIsNoStrobe(t *testing.T) {
	assert.Less(t, time.Second/restOf(wire.OutputFlash), time.Duration(3))
	assert.Less(t, time.Second/restOf(wire.OutputLamp), time.Duration(3))
}

// A board that is armed allocates nothing from one shot to the next, and so collects no garbage.
func TestBoardShotsAllocateNothing(t *testing.T) {
	const shots = 2000
	v := newVirtual(t)
	l := v.stormLoop()
	p := aimed(20*ms, ms)
	p.HoldOff, p.Rest = 0, 0
	v.tell(v.now+ms, load(p, shots+2)...)
	v.ping(v.now+2*ms, v.now+(shots+50)*50*ms)
	v.storms = []storm{{input: 0, next: v.now + 50*ms, every: 25 * ms, until: v.now + (shots+40)*50*ms}}
	v.changes = make([]change, 0, 2*shots+10)
	for l.board.State().Left() != shots {
		require.NoError(t, l.step())
	}
	var before, after runtime.MemStats
	runtime.GC() // one that another test began is not this one's
	runtime.ReadMemStats(&before)
	for l.board.State().Left() > 0 {
		if err := l.step(); err != nil {
			t.Fatal(err)
		}
		v.frames = v.frames[:0]
	}
	runtime.ReadMemStats(&after)
	assert.Equal(t, before.NumGC, after.NumGC, "collections")
	assert.Less(t, after.Mallocs-before.Mallocs, uint64(shots/100), "the test's own, by far not one a shot")
	on := 0
	for _, c := range v.changes {
		on += int(c.on >> 1)
	}
	assert.Equal(t, shots+2, on, "and all fired")
}

// BenchmarkEdgeToDrive is the work from an edge to the switching of its output, without the waiting between: what a
// board has to have the lead for.
func BenchmarkEdgeToDrive(b *testing.B) {
	v := newVirtual(b)
	l := v.stormLoop()
	p := aimed(20*ms, 1000*ms)
	p.HoldOff, p.Rest = 0, 0
	for _, m := range load(p, 1<<16-1) {
		l.board.Bytes(l.clock.Now(), wire.AppendFrame(nil, m.Frame(1)))
	}
	b.ReportAllocs()
	for b.Loop() {
		now := l.clock.Now()
		l.board.Edge(now, 0, true, now)
		l.board.Wake(now + wire.Tick(20*ms/100))
		v.now += 20 * ms
		v.changes = v.changes[:0]
		l.board.Wake(l.clock.Now() + wire.Tick(ms/100))
		v.now += 2 * ms
		_ = l.link.Flush()
		v.hear()
		v.frames = v.frames[:0]
		if l.board.State().Left() < 2 {
			l.board.Bytes(l.clock.Now(), wire.AppendFrame(nil, wire.Arm{Shots: 1<<16 - 1}.Frame(1)))
		}
	}
}
