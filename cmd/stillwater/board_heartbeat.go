package main

import (
	"fmt"
	"log/slog"
	"time"

	"stillwater/internal/realtime"
	"stillwater/internal/service"
	"stillwater/internal/wire"
)

const (
	// halfWave is how long the heartbeat stays at a level: a square wave of 50 Hz. A half is never shorter.
	halfWave = 10 * time.Millisecond
	// keepClear is how long before anything is due the heart leaves the loop alone: ample for one call to the kernel.
	keepClear = 200 * time.Microsecond
	// longestHalf is how long a half may last before the hardware's guard may have cut the outputs off.
	longestHalf = 20 * time.Millisecond
	// livesPerPeriod is how many signs of life the service manager gets in the time it waits for one.
	livesPerPeriod = 3
	// longestSilence keeps the times between signs of life far from where ticks wrap.
	longestSilence = time.Minute
)

// tick is one of the board's.
const tick = time.Second / realtime.TickHz

// rhythm says when something is to be done again and again that must keep clear of what is due. It has no clock.
type rhythm struct {
	every uint32 // ticks
	at    wire.Tick
	going bool
}

// due says whether it is to be done now; if so the next time is counted from now, so that it is never done sooner than
// every. cue is when the loop has to do something, if it is cued: shortly before that, and until it is done, nothing is
// due.
func (r *rhythm) due(now, cue wire.Tick, cued bool) bool {
	if r.going && now.Before(r.at) {
		return false
	}
	r.going = true
	if cued && cue.Sub(now) < int32(realtime.Ticks(keepClear)) {
		r.at = now
		if now.Before(cue) {
			r.at = cue
		}
		return false
	}
	r.at = now + wire.Tick(r.every)
	return true
}

// heart is what a healthy loop does beside its work, once in a pass: it makes the wave that the hardware's guard wants,
// and tells the service manager that it lives. It allocates nothing but an error.
type heart struct {
	line    switches // nil: no wave
	high    uint8
	wave    rhythm
	beaten  wire.Tick // with ever: when the line last changed
	ever    bool
	pauses  int    // halves that were too long
	longest uint32 // of them, ticks
	manager *service.Manager
	life    rhythm // every 0: nobody waits for it
}

func newHeart(line heldOutputs, manager *service.Manager) *heart {
	h := &heart{manager: manager, wave: rhythm{every: realtime.Ticks(halfWave)}}
	if line != nil { // and not a nil in an interface
		h.line = line
	}
	if period := manager.Watchdog(); period > 0 {
		h.life.every = realtime.Ticks(min(period/livesPerPeriod, longestSilence))
	}
	return h
}

// beat does what is due, and says when it wants the next pass. sure says that the outputs are as they were last driven:
// in doubt there is no wave, and the guard cuts them off.
func (h *heart) beat(now, cue wire.Tick, cued, sure bool) (next wire.Tick, ok bool, err error) {
	switch {
	case h.line == nil:
	case !sure:
		h.wave.going, h.ever = false, false
	case h.wave.due(now, cue, cued):
		h.measure(now)
		h.high ^= 1
		if err := h.line.Set(1, h.high); err != nil {
			return 0, false, fmt.Errorf("heartbeat: %w", err)
		}
	}
	if h.life.every > 0 && h.life.due(now, cue, cued) {
		if err := h.manager.Alive(); err != nil { // it is busy: soon again
			h.life.at = now + wire.Tick(h.life.every/10)
		}
	}
	return h.next()
}

// measure looks how long the half that ends now was.
func (h *heart) measure(now wire.Tick) {
	half := uint32(now - h.beaten)
	if h.ever && half > realtime.Ticks(longestHalf) {
		h.pauses++
		h.longest = max(h.longest, half)
	}
	h.beaten, h.ever = now, true
}

// rest says in the log if the wave paused: what was to be switched in that time may not have been.
func (h *heart) rest() {
	if h.pauses == 0 {
		return
	}
	slog.Warn("board: the heartbeat paused, and the guard it feeds may have cut the outputs off for that time: this "+
		"machine was too busy, see stillwater lateness", "times", h.pauses, "longest", time.Duration(h.longest)*tick)
	h.pauses, h.longest = 0, 0
}

// next is the first of the times that are wanted.
func (h *heart) next() (wire.Tick, bool, error) {
	wave, life := h.line != nil && h.wave.going, h.life.every > 0
	if life && (!wave || h.life.at.Before(h.wave.at)) {
		return h.life.at, true, nil
	}
	return h.wave.at, wave, nil
}
