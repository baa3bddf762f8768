// Package realtime is a board process's time: ticks of the kernel's monotonic clock, a sleep that ends at an absolute
// time or when a descriptor is ready, a short spin for the rest, and a link to the host that never blocks. Nothing
// allocates after construction.
package realtime

import (
	"errors"
	"fmt"
	"time"

	"stillwater/internal/wire"
)

// TickHz is the rate of the ticks: 0.1 us each.
const TickHz = 10_000_000

// tickNs is a tick in nanoseconds.
const tickNs = int64(time.Second) / TickHz

// ErrUnsupported means that a board process needs another system.
var ErrUnsupported = errors.New("a board process needs Linux")

// Clock reads the kernel's monotonic time in ticks. Reading that clock by system call can take microseconds where
// time.Since takes tens of nanoseconds, so the offset between the two is measured once; both run at the same rate,
// being the same clock. Check verifies that.
type Clock struct {
	base time.Time
	mono func() (int64, error)
	offsetReading
}

// offsetReading is a measurement of the offset between the monotonic clock and the time since base.
type offsetReading struct {
	offset      int64 // CLOCK_MONOTONIC at base, nanoseconds
	uncertainty int64 // bound of the error, nanoseconds
}

// ErrDrift means that the two clocks drifted apart.
var ErrDrift = errors.New("the monotonic clock and the program's own have drifted apart")

// Readings a measurement: the first one needs to be the more exact.
const (
	initialReadings = 64
	checkReadings   = 16
)

// newClock measures the offset.
func newClock(mono func() (int64, error)) (*Clock, error) {
	c := &Clock{base: time.Now(), mono: mono}
	var err error
	c.offsetReading, err = c.measure(initialReadings)
	return c, err
}

// measure measures the offset: mono is read between two readings of time.Since, several times, and the closest pair
// counts.
func (c *Clock) measure(times int) (offsetReading, error) {
	s := offsetReading{uncertainty: 1<<63 - 1}
	for range times {
		before := time.Since(c.base)
		ns, err := c.mono()
		after := time.Since(c.base)
		if err != nil {
			return offsetReading{}, err
		}
		if uncertainty := int64(after-before)/2 + 1; uncertainty < s.uncertainty {
			s = offsetReading{offset: ns - int64(before+after)/2, uncertainty: uncertainty}
		}
	}
	return s, nil
}

// drift is how far apart two measurements are beyond their uncertainty: 0 if they agree.
func (s offsetReading) drift(later offsetReading) time.Duration {
	apart := later.offset - s.offset
	uncertainty := s.uncertainty + later.uncertainty
	switch {
	case apart > uncertainty:
		return time.Duration(apart - uncertainty)
	case apart < -uncertainty:
		return time.Duration(apart + uncertainty)
	}
	return 0
}

// Check measures the offset again: it returns ErrDrift if it has changed by more than the uncertainty of both
// measurements. It takes some ten microseconds, so not while armed.
func (c *Clock) Check() error {
	later, err := c.measure(checkReadings)
	if err != nil {
		return err
	}
	if d := c.drift(later); d != 0 {
		return fmt.Errorf("%w by %v more than the %v they can be read to: times of edges cannot be trusted; "+
			"it is measured anew when the board process starts again", ErrDrift, d,
			time.Duration(c.uncertainty+later.uncertainty))
	}
	return nil
}

// Ns is the monotonic time now, in nanoseconds.
func (c *Clock) Ns() int64 { return c.offset + int64(time.Since(c.base)) }

// Now is the board time now.
func (c *Clock) Now() wire.Tick { return c.Tick(c.Ns()) }

// Tick is the board time of a monotonic time in nanoseconds, such as the kernel's stamp of an edge.
func (c *Clock) Tick(ns int64) wire.Tick { return wire.Tick(uint64(ns) / uint64(tickNs)) }

// Until is the time left to t, negative when t is past.
func (c *Clock) Until(t wire.Tick) time.Duration {
	return time.Duration(int64(t.Sub(c.Now())) * tickNs)
}

// Spin busy-waits until t and returns the time then.
func (c *Clock) Spin(t wire.Tick) wire.Tick {
	for {
		if now := c.Now(); !now.Before(t) {
			return now
		}
	}
}

// Ticks is a duration in ticks, rounded to the nearest.
func Ticks(d time.Duration) uint32 { return uint32((int64(d) + tickNs/2) / tickNs) }
