package scene

import (
	"math"
	"math/rand/v2"
	"time"

	"stillwater/internal/phys"
	"stillwater/internal/shot"
)

// Output is the effect of an output of the board in the room.
type Output uint8

const (
	Shutter Output = iota
	Focus          // wakes the camera; no effect here
	Flash
	Valve // releases a drop: the caller does so with Drip
)

const (
	// FlashDelay is the time from the flash output to the peak of the light. This and all below: own choice, no source.
	FlashDelay = 60 * time.Microsecond
	// ledExposure is the camera's exposure time when its sync contact fires the flash.
	ledExposure = 16 * time.Millisecond
	// closeLag is the time from the end of the release to a closed shutter.
	closeLag = 8 * time.Millisecond
	// syncDuration is how long the sync contact stays closed.
	syncDuration = 5 * time.Millisecond
	// minLag keeps a random lag possible.
	minLag = time.Millisecond
	// minHesitates and maxHesitates are by how much the rare outlier of a camera's lag is longer.
	minHesitates, maxHesitates = 20 * time.Millisecond, 120 * time.Millisecond
	// rechargeFraction is the fraction of the set's recycle time in which this flash recharges: people add a margin.
	rechargeFraction = 0.9
	// maxKept is how many openings and flashes are recorded.
	maxKept = 64
)

// camera is the camera and the flash, and what they did.
type camera struct {
	light     shot.LightSet
	lagFactor float64 // this camera's mean lag relative to the set's
	outlier   float64 // how often it hesitates
	rng, luck dice

	shutterHeld bool // by its release
	openings    []opening
	flashes     []flash
}

// opening is one time the shutter was open; to is zero while it still is.
type opening struct{ from, to time.Duration }

// flash is one command to fire; fired is false if the flash was not charged.
type flash struct {
	at     time.Duration
	fired  bool
	charge float64 // of its light when full, 0 to 1
}

// chargeTimes is how many of its time constants a capacitor takes in the flash's recycle time: what is left to full is
// then a part in 55, which no picture shows. Own choice.
const chargeTimes = 4

func newCamera(seed uint64, lagScale, outlier float64) camera {
	return camera{
		light:     shot.DefaultSet().Light,
		lagFactor: lagScale,
		outlier:   outlier,
		rng:       dice{rand.New(rand.NewPCG(seed, 1<<32))},
		luck:      dice{rand.New(rand.NewPCG(seed, 1<<35))},
	}
}

// Drive handles a change of an output. It returns the edges of the camera's sync contact that follow, in order of time,
// which may lie in the future.
func (r *Room) Drive(o Output, on bool, at time.Duration) []Edge {
	switch {
	case o == Shutter && on:
		// Before a release only a shutter that is held open is triggered, whatever the previous set was.
		return r.camera.openShutter(at, r.camera.light.Expose == shot.LagLed && at <= r.lastEnd)
	case o == Shutter:
		r.camera.closeShutter(at)
	case o == Flash && on:
		r.camera.fire(at + FlashDelay)
	}
	return nil
}

// Lag is this camera's mean lag with the current set, as a person would measure it.
func (r *Room) Lag() time.Duration { return r.camera.meanLag() }

func (c *camera) meanLag() time.Duration {
	return (c.light.Lag * phys.Time(c.lagFactor)).Duration()
}

// openShutter opens the shutter after the lag and closes the sync contact, which fires a lag-led flash.
func (c *camera) openShutter(at time.Duration, led bool) []Edge {
	if c.shutterHeld {
		return nil
	}
	c.shutterHeld = true
	scatter := phys.Time(c.rng.normal(float64(c.light.LagScatter))).Duration()
	from := at + max(c.meanLag()+scatter, minLag)
	hesitates := time.Duration(c.luck.between(float64(minHesitates), float64(maxHesitates)))
	if c.luck.happens(c.outlier) {
		from += hesitates
	}
	if n := len(c.openings); n > 0 && (c.openings[n-1].to == 0 || c.openings[n-1].to > from) {
		return nil // still busy with the previous picture
	}
	o := opening{from: from}
	if led {
		o.to = from + ledExposure
		c.fire(from)
	}
	c.openings = keepLatest(append(c.openings, o))
	return []Edge{{Sync, true, from}, {Sync, false, from + syncDuration}}
}

// start closes a shutter that is held open; one that times itself goes on.
func (c *camera) closeShutter(at time.Duration) {
	c.shutterHeld = false
	if n := len(c.openings); n > 0 && c.openings[n-1].to == 0 {
		c.openings[n-1].to = max(at+closeLag, c.openings[n-1].from)
	}
}

func (c *camera) fire(at time.Duration) {
	ready := time.Duration(rechargeFraction * float64(c.light.Recycle.Duration()))
	lit, charge := true, 1.0
	for i := len(c.flashes) - 1; i >= 0; i-- {
		if c.flashes[i].fired {
			since := at - c.flashes[i].at
			lit = since >= ready
			if recycle := c.light.Recycle.Duration(); recycle > 0 {
				charge = 1 - math.Exp(-chargeTimes*since.Seconds()/recycle.Seconds())
			}
			break
		}
	}
	c.flashes = keepLatest(append(c.flashes, flash{at, lit, charge}))
}

// chargeAt is how much of its light a flash at a time had.
func (c *camera) chargeAt(at time.Duration) float64 {
	for _, f := range c.flashes {
		if f.at == at {
			return f.charge
		}
	}
	return 0
}

// open reports whether the shutter was open at a time.
func (c *camera) open(at time.Duration) bool {
	for _, o := range c.openings {
		if at >= o.from && (o.to == 0 || at < o.to) {
			return true
		}
	}
	return false
}

func keepLatest[T any](list []T) []T { return list[max(len(list)-maxKept, 0):] }
