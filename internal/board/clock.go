package board

import "time"

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
