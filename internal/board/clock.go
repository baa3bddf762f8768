package board

import (
	"time"

	"stillwater/internal/wire"
)

// clock widens the board's 32-bit ticks to a count that does not wrap. It holds as long as it hears a fresh tick at
// least each half wrap (214 s at 10 MHz, and the link counts as gone after one silent second).
type clock struct {
	hz     uint32
	heard  bool
	newest wire.Tick
	wide   int64 // newest, widened, in ticks
}

// hear takes a tick read off the board's clock just now. An older one than the newest changes nothing.
func (c *clock) hear(t wire.Tick) {
	if !c.heard {
		c.heard, c.newest, c.wide = true, t, int64(t)
		return
	}
	if d := t.Sub(c.newest); d > 0 {
		c.newest, c.wide = t, c.wide+int64(d)
	}
}

// at widens a tick less than half a wrap from the newest heard.
func (c *clock) at(t wire.Tick) time.Duration {
	if !c.heard {
		return ticksToTime(int64(t), c.hz)
	}
	return ticksToTime(c.wide+int64(t.Sub(c.newest)), c.hz)
}

// now is the newest tick heard, widened.
func (c *clock) now() time.Duration { return ticksToTime(c.wide, c.hz) }

// ticksToTime is n ticks as time, to the nearest nanosecond; no product in it overflows in years of ticks.
func ticksToTime(n int64, hz uint32) time.Duration {
	if n < 0 {
		return -ticksToTime(-n, hz)
	}
	h := int64(hz)
	whole, rest := n/h, n%h
	return time.Duration(whole)*time.Second + time.Duration((rest*int64(time.Second)+h/2)/h)
}

// timeToTicks is d in ticks, to the nearest tick.
func timeToTicks(d time.Duration, hz uint32) int64 {
	if d < 0 {
		return -timeToTicks(-d, hz)
	}
	whole, rest := int64(d/time.Second), int64(d%time.Second)
	return whole*int64(hz) + (rest*int64(hz)+int64(time.Second)/2)/int64(time.Second)
}
