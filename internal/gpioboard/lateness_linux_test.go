package gpioboard

import (
	"math/rand/v2"
	"net"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"

	"stillwater/internal/board"
	"stillwater/internal/gpiochip"
	"stillwater/internal/lateness/bench"
	"stillwater/internal/realtime"
	"stillwater/internal/trigger"
)

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
func loopedBench(t *testing.T, wired bool) *bench.Bench {
	fds, err := unix.Socketpair(unix.AF_UNIX, unix.SOCK_STREAM|unix.SOCK_CLOEXEC, 0)
	require.NoError(t, err)
	link, err := realtime.NewLink(fds[0])
	require.NoError(t, err)
	far := os.NewFile(uintptr(fds[1]), "far end")
	conn, err := net.FileConn(far)
	require.NoError(t, err)
	far.Close()
	state, err := trigger.New(triggerConfig(testBoard(), 0))
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
	return &bench.Bench{Client: client, Interval: time.Millisecond, Output: 1, Input: 0, Progress: func(int) {}}
}

// measured measures looped lines. A loop that gets no processor for long disarms, as it must, and is measured again.
func measured(t *testing.T, wired bool, count int) (pulses []bench.Pulse, err error) {
	for try := 0; try == 0 || try < 50 && err != nil && !strings.Contains(err.Error(), "no edge came in"); try++ {
		pulses, err = loopedBench(t, wired).Measure(t.Context(), count, rand.New(rand.NewPCG(1, 2)))
	}
	return pulses, err
}

// A looped line gives three times for each pulse: planned, after switching, and the edge's stamp between them.
func TestLatenessOfALoop(t *testing.T) {
	pulses, err := measured(t, true, 4)
	require.NoError(t, err)
	require.Len(t, pulses, 4)
	for _, p := range pulses {
		assert.True(t, p.Looped)
		assert.GreaterOrEqual(t, p.Software, 100*time.Nanosecond, "what is less than a tick counts as one")
		assert.GreaterOrEqual(t, p.Stamped, time.Duration(0), "not before its time")
		assert.Less(t, p.Stamped, p.Software, "the edge comes of the switching, which is over when the software looks")
	}
}

// A wire that is not there is said, not waited for.
func TestLatenessWithoutTheWire(t *testing.T) {
	_, err := measured(t, false, 2)
	assert.ErrorContains(t, err, `output "flash" switched and no edge came in at input "beam": wire the output's pin`)
}
