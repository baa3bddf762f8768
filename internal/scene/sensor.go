package scene

import (
	"time"

	"stillwater/internal/phys"
)

const (
	// chatterGap is the longest time between two edges of one bounce. Hold-offs are much longer.
	chatterGap = 120 * time.Microsecond
	// mostChatter is how many times a contact or comparator opens and closes again before it settles.
	mostChatter = 3
)

// pass adds the edges of a sensor that becomes active at from and inactive at to, with bounce at both ends.
func (f *Flight) pass(rng dice, s Sensor, from, to time.Duration) {
	from = f.settle(rng, s, true, from)
	f.settle(rng, s, false, max(to, from+chatterGap))
}

// settle adds a change of level with its bounce and returns when it is over.
func (f *Flight) settle(rng dice, s Sensor, active bool, at time.Duration) time.Duration {
	f.Edges = append(f.Edges, Edge{s, active, at})
	for range rng.IntN(mostChatter + 1) {
		at += rng.gap()
		f.Edges = append(f.Edges, Edge{s, !active, at})
		at += rng.gap()
		f.Edges = append(f.Edges, Edge{s, active, at})
	}
	return at
}

func (d dice) gap() time.Duration {
	return time.Duration(d.between(0.1, 1) * float64(chatterGap))
}

// stamp is t after the start of f, with a beam's jitter.
func (r *Room) stamp(rng dice, start time.Duration, t phys.Time) time.Duration {
	return start + (t + phys.Time(rng.normal(float64(r.spreads.BeamJitter)))).Duration()
}

// leadIn is how long a person needs from deciding to letting go.
func (d dice) leadIn() time.Duration {
	return time.Duration(d.between(200, 500) * float64(time.Millisecond))
}

// valveOpens is how long a drop needs from the valve's opening to falling off: 8 ms, 0.3 ms of scatter. Common
// practice, no source.
func (d dice) valveOpens() time.Duration {
	return 8*time.Millisecond + time.Duration(d.normal(0.3e6))
}
