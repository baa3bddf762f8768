package realtime

import (
	"errors"
	"io"
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"stillwater/internal/wire"
)

func TestTickWraps(t *testing.T) {
	c := &Clock{}
	assert.Equal(t, wire.Tick(0), c.Tick(99))
	assert.Equal(t, wire.Tick(1), c.Tick(100))
	const wrap = 100 << 32
	assert.Equal(t, wire.Tick(0xFFFFFFFF), c.Tick(wrap-1))
	assert.Equal(t, wire.Tick(0), c.Tick(wrap))
	assert.Equal(t, int32(2), c.Tick(wrap+100).Sub(c.Tick(wrap-100)))
}

// The closest pair of readings sets the offset, and the uncertainty it leaves covers the truth.
func TestClockOffset(t *testing.T) {
	const ahead = int64(123456789 * time.Second)
	for seed := range uint64(100) {
		synctest.Test(t, func(t *testing.T) {
			r := rand.New(rand.NewPCG(seed, 1))
			start, closest := time.Now(), time.Hour
			c, err := newClock(func() (int64, error) {
				before, after := time.Duration(r.IntN(1000)), time.Duration(r.IntN(1000)) // it takes its time
				closest = min(closest, before+after)
				time.Sleep(before)
				now := ahead + int64(time.Since(start))
				time.Sleep(after)
				return now, nil
			})
			require.NoError(t, err)
			assert.Equal(t, int64(closest/2+1), c.uncertainty, "seed %d", seed)
			assert.InDelta(t, 0, c.Ns()-ahead-int64(time.Since(start)), float64(c.uncertainty), "seed %d", seed)
		})
	}
	_, err := newClock(func() (int64, error) { return 0, io.ErrUnexpectedEOF })
	assert.ErrorIs(t, err, io.ErrUnexpectedEOF)
}

// Two measurements agree when their uncertainties overlap.
func TestDrift(t *testing.T) {
	for name, c := range map[string]struct {
		first, later offsetReading
		want         time.Duration
	}{
		"the same":                   {offsetReading{1000, 10}, offsetReading{1000, 20}, 0},
		"apart, within uncertainty":  {offsetReading{1000, 10}, offsetReading{1030, 20}, 0},
		"apart, beyond":              {offsetReading{1000, 10}, offsetReading{1031, 20}, 1},
		"behind, within uncertainty": {offsetReading{1000, 10}, offsetReading{970, 20}, 0},
		"behind, beyond":             {offsetReading{1000, 10}, offsetReading{900, 20}, -70},
		"by a second":                {offsetReading{0, 1}, offsetReading{1e9, 1}, 1e9 - 2},
		"one measured in a jam":      {offsetReading{1000, 10}, offsetReading{60_000, 100_000}, 0},
	} {
		assert.Equal(t, c.want, c.first.drift(c.later), name)
	}
}

func TestClockCheck(t *testing.T) {
	start, ahead := time.Now(), int64(0)
	broken := error(nil)
	c, err := newClock(func() (int64, error) { return ahead + int64(time.Since(start)), broken })
	require.NoError(t, err)
	require.NoError(t, c.Check())
	ahead = int64(time.Hour)
	assert.ErrorIs(t, c.Check(), ErrDrift)
	assert.ErrorContains(t, c.Check(), "measured anew when the board process starts again")
	broken = io.ErrUnexpectedEOF
	assert.ErrorIs(t, c.Check(), io.ErrUnexpectedEOF)
}

func TestSpinEndsAtItsTime(t *testing.T) {
	c := &Clock{base: time.Now(), offsetReading: offsetReading{offset: 100 << 32}} // about to be read just after a wrap
	target := c.Now().Add(3000)
	now := c.Spin(target)
	assert.False(t, now.Before(target))
}

func TestTicks(t *testing.T) {
	assert.Equal(t, uint32(10_000_000), Ticks(time.Second))
	assert.Equal(t, uint32(5), Ticks(500*time.Nanosecond))
	assert.Equal(t, uint32(1), Ticks(149*time.Nanosecond))
	assert.Equal(t, uint32(2), Ticks(150*time.Nanosecond))
}

// fakeStream reads and writes random parts.
type fakeStream struct {
	r      *rand.Rand
	in     []byte
	out    []byte
	closed bool
	broken error
}

func (p *fakeStream) read(b []byte) (int, bool, error) {
	if len(p.in) == 0 {
		return 0, !p.closed, p.broken
	}
	n := copy(b, p.in)
	p.in = p.in[n:]
	return n, false, nil
}

func (p *fakeStream) write(b []byte) (int, bool, error) {
	if p.broken != nil {
		return 0, false, p.broken
	}
	n := p.r.IntN(len(b) + 1)
	p.out = append(p.out, b[:n]...)
	return n, n < len(b), nil
}

// What is written arrives, in order and whole frames only, however the stream takes it and wherever the ring wraps.
func TestLinkProperty(t *testing.T) {
	for seed := range uint64(50) {
		r := rand.New(rand.NewPCG(seed, 2))
		p := &fakeStream{r: r}
		l := &Link{stream: p}
		var want []byte
		next := byte(0)
		for range 2000 {
			frame := make([]byte, 1+r.IntN(900))
			for i := range frame {
				frame[i] = next
				next++
			}
			n, err := l.Write(frame)
			if err != nil {
				require.Zero(t, n, "seed %d", seed)
				require.ErrorIs(t, l.Flush(), ErrLinkFull, "seed %d: a dropped frame is not kept quiet", seed)
				l.full = false
				next -= byte(len(frame))
				continue
			}
			require.Equal(t, len(frame), n, "seed %d", seed)
			want = append(want, frame...)
			if r.IntN(3) == 0 {
				require.NoError(t, l.Flush(), "seed %d", seed)
			}
		}
		for l.Pending() {
			require.NoError(t, l.Flush(), "seed %d", seed)
		}
		require.Equal(t, want, p.out, "seed %d", seed)
	}
}

func TestLinkRead(t *testing.T) {
	p := &fakeStream{in: []byte("abc")}
	l := &Link{stream: p}
	b := make([]byte, 2)
	n, err := l.Read(b)
	assert.Equal(t, "ab", string(b[:n]))
	assert.NoError(t, err)
	n, err = l.Read(b)
	assert.Equal(t, "c", string(b[:n]))
	assert.NoError(t, err)
	n, err = l.Read(b)
	assert.Zero(t, n)
	assert.NoError(t, err, "nothing there is no error")
	p.closed = true
	_, err = l.Read(b)
	assert.ErrorIs(t, err, io.EOF)
	p.broken = errors.New("reset")
	_, err = l.Read(b)
	assert.ErrorIs(t, err, p.broken)
	_, err = l.Write([]byte{1})
	assert.NoError(t, err, "writing only buffers")
	assert.ErrorIs(t, l.Flush(), p.broken)
}
