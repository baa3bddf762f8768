package scene

import (
	"time"

	"stillwater/internal/phys"
)

const (
	// maxBounceGap is the longest time between two bounce edges. Hold-offs are much longer. Own choice, no source.
	maxBounceGap = 120 * time.Microsecond
	// maxBounces is how often a contact or comparator bounces before it settles: own choice, no source.
	maxBounces = 3
)

// addPass adds the edges of a sensor that is active between two times, with bounce at both.
func (f *Flight) addPass(rng dice, s Sensor, from, to time.Duration) {
	from = f.addEdge(rng, s, true, from)
	f.addEdge(rng, s, false, max(to, from+maxBounceGap))
}

// addEdge adds a change of level with its bounce and returns when that ends.
func (f *Flight) addEdge(rng dice, s Sensor, active bool, at time.Duration) time.Duration {
	f.Edges = append(f.Edges, Edge{s, active, at})
	for range rng.IntN(maxBounces + 1) {
		at += rng.bounceGap()
		f.Edges = append(f.Edges, Edge{s, !active, at})
		at += rng.bounceGap()
		f.Edges = append(f.Edges, Edge{s, active, at})
	}
	return at
}

func (d dice) bounceGap() time.Duration {
	return time.Duration(d.between(0.1, 1) * float64(maxBounceGap))
}

// stamp is start + t, with a beam's jitter.
func (r *Room) stamp(rng dice, start time.Duration, t phys.Time) time.Duration {
	return start + (t + phys.Time(rng.normal(float64(r.spreads.BeamJitter)))).Duration()
}

// handDelay is a person's reaction time: common practice, no source.
func (d dice) handDelay() time.Duration {
	return time.Duration(d.between(200, 500) * float64(time.Millisecond))
}

// valveDelay is the time from the valve's opening to the drop's detachment: 8 ms, with 0.3 ms of scatter. Common
// practice, no source.
func (d dice) valveDelay() time.Duration {
	return 8*time.Millisecond + time.Duration(d.normal(0.3e6))
}
