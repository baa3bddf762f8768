package scene

import (
	"math/rand/v2"
	"time"

	"stillwater/internal/phys"
	"stillwater/internal/shot"
)

// Output is what an output of the board does in the room.
type Output uint8

const (
	Shutter Output = iota
	Focus          // wakes the camera; nothing to see
	Flash
	Valve // lets a drop go: the caller does, with Release
)

const (
	// FlashDelay is from the flash output to the peak of the light. A bench for this room names it.
	FlashDelay = 60 * time.Microsecond
	// ledExposure is how long the camera keeps its shutter open when the flash follows its sync contact.
	ledExposure = 16 * time.Millisecond
	// closeLag is from letting the release go to a closed shutter when it is held open.
	closeLag = 8 * time.Millisecond
	// syncLong is how long the sync contact stays closed.
	syncLong = 5 * time.Millisecond
	// shortestLag keeps a drawn lag possible.
	shortestLag = time.Millisecond
	// charged is the part of the set's recycle time after which this flash fires again: people measure with a margin.
	charged = 0.9
	// remembered is how many openings and flashes are kept.
	remembered = 64
)

// camera is the camera and the flash: what the outputs made them do.
type camera struct {
	light    shot.LightSet
	lagScale float64 // this camera's mean lag over what the set says
	rng      dice

	held     bool // the release
	openings []opening
	flashes  []flash
}

// opening is one time the shutter was open; to is zero while it still is.
type opening struct{ from, to time.Duration }

// flash is one command to fire; lit is false when the flash was not charged yet.
type flash struct {
	at  time.Duration
	lit bool
}

func newCamera(seed uint64, lagScale float64) camera {
	return camera{
		light:    shot.DefaultSet().Light,
		lagScale: lagScale,
		rng:      dice{rand.New(rand.NewPCG(seed, 1<<32))},
	}
}

// Drive tells the room that an output went on or off. It returns the edges that follow of it, in order of time: those
// of the camera's sync contact, which may lie ahead.
func (r *Room) Drive(o Output, on bool, at time.Duration) []Edge {
	switch {
	case o == Shutter && on:
		// Before anything is let go only a shutter that is to be held open is pressed, whatever the set before said.
		return r.camera.press(at, r.camera.light.Expose == shot.LagLed && at <= r.over)
	case o == Shutter:
		r.camera.letGo(at)
	case o == Flash && on:
		r.camera.fire(at + FlashDelay)
	}
	return nil
}

// Lag is this camera's mean lag with the set it works with now: what a person would measure.
func (r *Room) Lag() time.Duration { return r.camera.meanLag() }

func (c *camera) meanLag() time.Duration {
	return (c.light.Lag * phys.Time(c.lagScale)).Duration()
}

// press opens the shutter after the lag, which closes the sync contact; a lag-led flash fires by it.
func (c *camera) press(at time.Duration, led bool) []Edge {
	if c.held {
		return nil
	}
	c.held = true
	scatter := phys.Time(c.rng.normal(float64(c.light.LagScatter))).Duration()
	from := at + max(c.meanLag()+scatter, shortestLag)
	if n := len(c.openings); n > 0 && (c.openings[n-1].to == 0 || c.openings[n-1].to > from) {
		return nil // still busy with the picture before
	}
	o := opening{from: from}
	if led {
		o.to = from + ledExposure
		c.fire(from)
	}
	c.openings = latest(append(c.openings, o))
	return []Edge{{Sync, true, from}, {Sync, false, from + syncLong}}
}

// letGo closes a shutter that is held open; one that times itself goes on.
func (c *camera) letGo(at time.Duration) {
	c.held = false
	if n := len(c.openings); n > 0 && c.openings[n-1].to == 0 {
		c.openings[n-1].to = max(at+closeLag, c.openings[n-1].from)
	}
}

func (c *camera) fire(at time.Duration) {
	ready := time.Duration(charged * float64(c.light.Recycle.Duration()))
	lit := true
	for i := len(c.flashes) - 1; i >= 0; i-- {
		if c.flashes[i].lit {
			lit = at-c.flashes[i].at >= ready
			break
		}
	}
	c.flashes = latest(append(c.flashes, flash{at, lit}))
}

// open says whether the shutter was open at a time.
func (c *camera) open(at time.Duration) bool {
	for _, o := range c.openings {
		if at >= o.from && (o.to == 0 || at < o.to) {
			return true
		}
	}
	return false
}

func latest[T any](list []T) []T { return list[max(len(list)-remembered, 0):] }
