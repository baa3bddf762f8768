package scene

import (
	"math/rand/v2"
	"time"

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

// veiled reports whether so much light came in while the shutter was open that it veils the picture. One held open by
// hand is open all the time.
func (r *Room) veiled(f Flight, at time.Duration) bool {
	lasts := func(o opening) time.Duration {
		if o.to == 0 {
			o.to = f.Ends
		}
		return min(o.to, f.door.to) - max(o.from, f.door.from)
	}
	if f.Set.Light.Shutter == shot.ByHand {
		return lasts(opening{f.Released, f.Ends}) >= veilAfter
	}
	for _, o := range r.camera.openings {
		if at >= o.from && (o.to == 0 || at < o.to) {
			return lasts(o) >= veilAfter
		}
	}
	return false
}
