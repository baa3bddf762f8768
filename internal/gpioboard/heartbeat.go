package gpioboard

import (
	"fmt"
	"log/slog"
	"time"

	"stillwater/internal/realtime"
	"stillwater/internal/service"
	"stillwater/internal/wire"
)

const (
	// halfPeriod is how long the heartbeat's line stays at a level: a square wave of 50 Hz. A half is never shorter.
	halfPeriod = 10 * time.Millisecond
	// clearOfCues is how long before a cue the heartbeat leaves the loop alone: ample for one call to the kernel.
	clearOfCues = 200 * time.Microsecond
	// maxHalfPeriod is how long a half may last before the hardware's guard may have cut the outputs off.
	maxHalfPeriod = 20 * time.Millisecond
	// notifiesPerTimeout is how often the service manager's watchdog is notified in the time it waits for once.
	notifiesPerTimeout = 3
	// maxNotifyInterval keeps the times between notifications far from where ticks wrap.
	maxNotifyInterval = time.Minute
)

// tickDuration is the length of one of the board's ticks.
const tickDuration = time.Second / realtime.TickHz

// ticker says when something periodic is due that must keep clear of cues. It has no clock.
type ticker struct {
	interval uint32 // ticks
	at       wire.Tick
	running  bool
}

// due reports whether it is due now; if so the next time is counted from now, so that two are never closer than
// interval. cue is when the loop has to do something, if cued: shortly before that, and until it is done, nothing is
// due.
func (t *ticker) due(now, cue wire.Tick, cued bool) bool {
	if t.running && now.Before(t.at) {
		return false
	}
	t.running = true
	if cued && cue.Sub(now) < int32(realtime.Ticks(clearOfCues)) {
		t.at = now
		if now.Before(cue) {
			t.at = cue
		}
		return false
	}
	t.at = now + wire.Tick(t.interval)
	return true
}

// heartbeat is what a healthy loop does beside its work, once in a pass: it drives the square wave that the hardware's
// guard needs, and notifies the service manager's watchdog. It allocates nothing but an error.
type heartbeat struct {
	line    outputs // nil: no wave
	level   uint8
	wave    ticker
	changed wire.Tick // with started: when the line last changed
	started bool
	late    int    // halves that were too long
	longest uint32 // of them, ticks
	manager *service.Manager
	notify  ticker // interval 0: no watchdog
}

func newHeartbeat(line OutputLines, manager *service.Manager) *heartbeat {
	h := &heartbeat{manager: manager, wave: ticker{interval: realtime.Ticks(halfPeriod)}}
	if line != nil { // and not a nil in an interface
		h.line = line
	}
	if timeout := manager.Watchdog(); timeout > 0 {
		h.notify.interval = realtime.Ticks(min(timeout/notifiesPerTimeout, maxNotifyInterval))
	}
	return h
}

// tick does what is due, and says when it wants the next pass. cue is when the board wants to be woken, if cued. sure
// says that the outputs are known to be as they were last driven: otherwise the wave stops, and the guard cuts them
// off.
func (h *heartbeat) tick(now, cue wire.Tick, cued, sure bool) (next wire.Tick, ok bool, err error) {
	switch {
	case h.line == nil:
	case !sure:
		h.wave.running, h.started = false, false
	case h.wave.due(now, cue, cued):
		h.measure(now)
		h.level ^= 1
		if err := h.line.Set(1, h.level); err != nil {
			return 0, false, fmt.Errorf("heartbeat: %w", err)
		}
	}
	if h.notify.interval > 0 && h.notify.due(now, cue, cued) {
		if err := h.manager.Alive(); err != nil { // it is busy: again soon
			h.notify.at = now + wire.Tick(h.notify.interval/10)
		}
	}
	return h.next()
}

// measure notes how long the half was that ends now.
func (h *heartbeat) measure(now wire.Tick) {
	half := uint32(now - h.changed)
	if h.started && half > realtime.Ticks(maxHalfPeriod) {
		h.late++
		h.longest = max(h.longest, half)
	}
	h.changed, h.started = now, true
}

// report logs it if the wave paused: what was to be switched in that time may not have been. It may take long, so it
// is for when nothing is armed.
func (h *heartbeat) report() {
	if h.late == 0 {
		return
	}
	slog.Warn("board: the heartbeat paused, and the guard it feeds may have cut the outputs off for that time: this "+
		"machine was too busy, see stillwater lateness", "times", h.late, "longest",
		time.Duration(h.longest)*tickDuration)
	h.late, h.longest = 0, 0
}

// next is the first of the times that are wanted.
func (h *heartbeat) next() (wire.Tick, bool, error) {
	wave, notify := h.line != nil && h.wave.running, h.notify.interval > 0
	if notify && (!wave || h.notify.at.Before(h.wave.at)) {
		return h.notify.at, true, nil
	}
	return h.wave.at, wave, nil
}
