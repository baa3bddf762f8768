package scene

import (
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"stillwater/internal/optics"
	"stillwater/internal/phys"
	"stillwater/internal/shot"
)

// span is from when to when something lasts.
type span struct{ from, to time.Duration }

// Doors: own choice, no source.
const (
	minDoorOpen, maxDoorOpen = 500 * time.Millisecond, 4 * time.Second
	doorBefore               = 2 * time.Second // it may have been opened so long before the release
	veilAfter                = 200 * time.Millisecond
)

// openDoor draws whether somebody opens a door during a flight, and lets light in.
func (r *Room) openDoor(f *Flight) {
	luck := dice{rand.New(rand.NewPCG(r.seed, 1<<49|uint64(f.Number)))}
	if !luck.happens(r.spreads.Door) {
		return
	}
	from := f.Released + time.Duration(luck.between(-1, 0.3)*float64(doorBefore))
	f.door = span{from, from + time.Duration(luck.between(float64(minDoorOpen), float64(maxDoorOpen)))}
}

// doorOpen is for how long a door let light in while the shutter was open, for the picture of a flash at a time, or
// without one in the flight's.
func (r *Room) doorOpen(f Flight, at time.Duration) time.Duration {
	overlap := func(o opening) time.Duration {
		if o.to == 0 {
			o.to = f.Ends
		}
		return max(min(o.to, f.door.to)-max(o.from, f.door.from), 0)
	}
	if byHand(f.Set) {
		return overlap(opening{f.Released, f.Ends})
	}
	for _, o := range slices.Backward(r.camera.openings) {
		during := o.from <= f.Ends && (o.to == 0 || o.to > f.Released)
		if at >= o.from && (o.to == 0 || at < o.to) || during && !r.camera.open(at) {
			return overlap(o)
		}
	}
	return 0
}

// doorEV is a door's light at the focus spot, of 20 lx: own choice, no source. At f/16 and ISO 400 it is 5 stops below
// white after veilAfter.
const doorEV optics.Stops = 3

// roomLight is what the set's room exposes by, and a door that was open for so long, together.
func roomLight(set shot.Set, door time.Duration) optics.Stops {
	setup := set.Optics()
	light := setup.Light(set.OpenTime())
	if door <= 0 {
		return light.Room
	}
	through := optics.ContinuousExposure(doorEV, light.Lens.WorkingFNumber(), setup.Camera.Speed, phys.Seconds(door))
	return optics.Stops(math.Log2(math.Exp2(float64(light.Room)) + math.Exp2(float64(through))))
}
