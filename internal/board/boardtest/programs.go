package boardtest

import (
	"time"

	"stillwater/internal/wire"
)

// Times of the suite's programs: long enough for a board on a slow machine, short enough for a quick suite.
const (
	delay   = 60 * time.Millisecond
	holdOff = 100 * time.Millisecond // longer than cross takes, on any bed
	rest    = 150 * time.Millisecond // after the moment
	pulse   = 5 * time.Millisecond
)

// lateness is how late a pulse may start: on a bed that is not exact, hardly limited.
func (h *host) lateness() uint32 {
	if h.bed.Exact() {
		return h.ticks(500 * time.Microsecond)
	}
	return h.ticks(5 * time.Second)
}

// single fires the flash some time after the clock edge.
func (h *host) single() wire.Program {
	p := wire.Program{
		Clock: wire.Source{Input: h.w.Clock, Falling: !h.w.BrokenHigh}, Nth: 1, Gate: wire.Source{Input: wire.NoInput},
		HoldOff: h.ticks(holdOff), Late: h.lateness(), Rest: h.ticks(rest), TableLen: 1, CueLen: 1,
	}
	p.Table[0].Delay = h.ticks(delay) + 4*h.id.Lead
	p.Cues[0] = wire.CueSpec{Output: h.w.Flash, Width: h.ticks(pulse)}
	return p
}

// gated fires shutter and flash after an interval from low to high. The delay has a kink in the middle.
func (h *host) gated(low, high time.Duration) wire.Program {
	p := h.single()
	p.Gate = wire.Source{Input: h.w.Gate, Falling: !h.w.BrokenHigh}
	p.GateMin, p.GateMax = h.ticks(low), h.ticks(high)
	base := p.Table[0].Delay
	p.TableLen = 3
	p.Table = [wire.MaxTable]wire.Point{
		{Interval: p.GateMin, Delay: base},
		{Interval: (p.GateMin + p.GateMax) / 2, Delay: 2 * base},
		{Interval: p.GateMax, Delay: base + base/3},
	}
	p.CueLen = 2
	p.Cues = [wire.MaxCues]wire.CueSpec{
		{Output: h.w.Shutter, Offset: -int32(base / 2), Width: base},
		{Output: h.w.Flash, Width: h.ticks(pulse)},
	}
	return p
}

// opened drives valve and shutter at Go.
func (h *host) opened() wire.Program {
	p := h.single()
	p.OpenLen = 2
	p.Opening = [wire.MaxCues]wire.CueSpec{
		{Output: h.w.Shutter, Width: h.ticks(400 * time.Millisecond)},
		{Output: h.w.Valve, Offset: int32(h.ticks(20 * time.Millisecond)), Width: h.ticks(20 * time.Millisecond)},
	}
	return p
}

// held keeps the shutter open for long after the clock edge.
func (h *host) held() wire.Program {
	p := h.single()
	p.CueLen = 2
	p.Cues[1] = wire.CueSpec{Output: h.w.Shutter, Offset: -int32(h.ticks(delay) / 2), Width: h.ticks(3 * time.Second)}
	return p
}

// expectedDelay is the delay that PROTOCOL.md specifies for an interval, independent of the boards' code.
func expectedDelay(p wire.Program, interval uint32) uint32 {
	i := 0
	for i+2 < int(p.TableLen) && interval > p.Table[i+1].Interval {
		i++
	}
	a, b := p.Table[i], p.Table[i+1]
	change := (int64(b.Delay) - int64(a.Delay)) * int64(interval-a.Interval) / int64(b.Interval-a.Interval)
	return uint32(int64(a.Delay) + change) // Go's division rounds toward zero, so toward a
}
