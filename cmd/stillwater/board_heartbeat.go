package main

import (
	"fmt"
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
	// livesPerPeriod is how many signs of life the service manager gets in the time it waits for one.
	livesPerPeriod = 3
	// longestSilence keeps the times between signs of life far from where ticks wrap.
	longestSilence = time.Minute
)

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
		h.wave.going = false
	case h.wave.due(now, cue, cued):
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

// next is the first of the times that are wanted.
func (h *heart) next() (wire.Tick, bool, error) {
	wave, life := h.line != nil && h.wave.going, h.life.every > 0
	if life && (!wave || h.life.at.Before(h.wave.at)) {
		return h.life.at, true, nil
	}
	return h.wave.at, wave, nil
}
