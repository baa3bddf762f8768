package realtime

import (
	"context"
	"io"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/sys/unix"
)

func socketPair(t *testing.T) (*Link, int) {
	fds, err := unix.Socketpair(unix.AF_UNIX, unix.SOCK_STREAM|unix.SOCK_CLOEXEC, 0)
	require.NoError(t, err)
	l, err := NewLink(fds[0])
	require.NoError(t, err)
	t.Cleanup(func() { unix.Close(fds[0]) })
	return l, fds[1]
}

// The clock is the kernel's: a reading of CLOCK_MONOTONIC lies between two of ours, within the stated uncertainty.
func TestClockIsTheKernels(t *testing.T) {
	c, err := NewClock()
	require.NoError(t, err)
	for range 1000 {
		var ts unix.Timespec
		before := c.Ns()
		require.NoError(t, unix.ClockGettime(unix.CLOCK_MONOTONIC, &ts))
		after := c.Ns()
		require.LessOrEqual(t, before-c.uncertainty, ts.Nano())
		require.GreaterOrEqual(t, after+c.uncertainty, ts.Nano())
	}
	t.Logf("offset known to %v", time.Duration(c.uncertainty))
}

func TestWaiterEndsInTime(t *testing.T) {
	c, err := NewClock()
	require.NoError(t, err)
	_, far := socketPair(t)
	defer unix.Close(far)
	w, err := NewWaiter(t.Context(), far)
	require.NoError(t, err)
	until := c.Ns() + int64(3*time.Millisecond)
	up, err := w.Sleep(until, false)
	require.NoError(t, err)
	assert.True(t, up)
	assert.GreaterOrEqual(t, c.Ns()+c.uncertainty, until, "it slept until then")
	assert.False(t, w.Ready(0))
	_, err = w.Sleep(1, false)
	require.NoError(t, err, "a time long past does not wait")
	_, err = w.Sleep(-5, false)
	require.NoError(t, err, "nor one before the clock began")
	require.NoError(t, w.Close())
}

func TestWaiterSeesTheLink(t *testing.T) {
	l, far := socketPair(t)
	w, err := NewWaiter(t.Context(), l.Fd())
	require.NoError(t, err)
	defer w.Close()
	_, err = w.Poll()
	require.NoError(t, err)
	assert.False(t, w.Ready(0))
	_, err = unix.Write(far, []byte("hello"))
	require.NoError(t, err)
	_, err = w.Sleep(0, false)
	require.NoError(t, err)
	assert.True(t, w.Ready(0))
	b := make([]byte, 64)
	n, err := l.Read(b)
	require.NoError(t, err)
	assert.Equal(t, "hello", string(b[:n]))

	_, err = l.Write([]byte("back"))
	require.NoError(t, err)
	_, err = w.Sleep(0, l.Pending())
	require.NoError(t, err, "room to write ends the sleep")
	assert.False(t, w.Ready(0), "and is not mistaken for something to read")
	require.NoError(t, l.Flush())
	n, err = unix.Read(far, b)
	require.NoError(t, err)
	assert.Equal(t, "back", string(b[:n]))

	unix.Close(far)
	_, err = w.Sleep(0, false)
	require.NoError(t, err)
	assert.True(t, w.Ready(0), "a host that is gone is seen")
	_, err = l.Read(b)
	assert.ErrorIs(t, err, io.EOF)
	_, err = l.Write([]byte("anyone?"))
	require.NoError(t, err)
	assert.ErrorIs(t, l.Flush(), io.EOF, "and the process lives on to say so")
}

func TestWaiterEndsWithItsContext(t *testing.T) {
	_, far := socketPair(t)
	defer unix.Close(far)
	ctx, cancel := context.WithCancel(t.Context())
	w, err := NewWaiter(ctx, far)
	require.NoError(t, err)
	time.AfterFunc(time.Millisecond, cancel)
	_, err = w.Sleep(0, false)
	require.NoError(t, err)
	assert.Error(t, ctx.Err())
	_, err = w.Sleep(0, false)
	require.NoError(t, err, "no sleep lasts any more")
	require.NoError(t, w.Close())
}

func TestNewLinkWantsASocket(t *testing.T) {
	fd, err := unix.Open("/dev/null", unix.O_RDWR|unix.O_CLOEXEC, 0)
	require.NoError(t, err)
	defer unix.Close(fd)
	_, err = NewLink(fd)
	assert.ErrorIs(t, err, unix.ENOTSOCK)
}

func TestNothingAllocates(t *testing.T) {
	l, far := socketPair(t)
	defer unix.Close(far)
	c, err := NewClock()
	require.NoError(t, err)
	w, err := NewWaiter(t.Context(), l.Fd())
	require.NoError(t, err)
	defer w.Close()
	b := make([]byte, 64)
	allocs := testing.AllocsPerRun(200, func() {
		_, _ = l.Write(b[:8])
		_, _ = w.Sleep(c.Ns()+1000, l.Pending())
		_ = l.Flush()
		_, _ = l.Read(b)
		_, _ = w.Poll()
		c.Spin(c.Now().Add(10))
		_ = w.Ready(0)
		_, _ = unix.Read(far, b)
	})
	assert.Zero(t, allocs)
}

// A thread that yields has the least share of a processor; the others keep theirs.
func TestYield(t *testing.T) {
	const least = 1 // as the kernel counts it, 20 less the nice value
	share := func() int {
		of, err := unix.Getpriority(unix.PRIO_PROCESS, unix.Gettid())
		assert.NoError(t, err)
		return of
	}
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	before, yielded := share(), make(chan int)
	go func() {
		runtime.LockOSThread() // and never unlocked
		Yield()
		yielded <- share()
	}()
	assert.Equal(t, least, <-yielded)
	assert.Equal(t, before, share())
}
