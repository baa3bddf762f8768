package scene

import (
	"math"
	"math/rand/v2"
	"time"

	"stillwater/internal/ballistics"
	"stillwater/internal/phys"
)

// mishaps are the chances of what may go wrong besides a clean pass of a beam, 0 to 1.
type mishaps struct {
	Satellite float64 // of a drop, that a small one follows it through the beam
	Spray     float64 // of a throw, that a droplet ahead of it breaks a beam: of each beam by itself
	Hole      float64 // of a sheet, that it has holes which leave a beam clear for a moment: of each beam by itself
	Missed    float64 // of a pass, that a beam does not see it: clear liquid, a beam off its sensor

	Sag        float64 // of a pass, that a beam has sagged and is late to say that it is broken
	Door       float64 // of a flight, that a door opens and lets light in
	LagOutlier float64 // of a release, that the camera hesitates
}

// usualMishaps are rates to practise with: common practice, no source. Drops of water nearly always leave a satellite
// (from memory), which not every beam sees.
func usualMishaps() mishaps {
	return mishaps{Satellite: 0.5, Spray: 0.1, Hole: 0.4, Missed: 0.02, Sag: 0.01, Door: 0.01, LagOutlier: 0.005}
}

// luck are the dice for the mishaps of the n-th thing of a flight at a sensor. They are of their own, so that the rest
// of a flight is the same with and without mishaps.
func (r *Room) luck(f *Flight, s Sensor, n int) dice {
	return dice{rand.New(rand.NewPCG(r.seed, 1<<48|uint64(s)<<40|uint64(n)<<32|uint64(f.Number)))}
}

func (d dice) happens(chance float64) bool { return d.Float64() < chance }

// missed draws whether a sensor does not see what passes.
func (r *Room) missed(f *Flight, luck dice, s Sensor) bool {
	if !luck.happens(r.spreads.Missed) {
		return false
	}
	f.Missed = append(f.Missed, s)
	return true
}

// A beam that has sagged is late by this much, as more of its light has to go: own choice, no source.
const (
	minSagLate = 300 * time.Microsecond
	maxSagLate = 1500 * time.Microsecond
)

// sagged draws how late a sagging sensor is, from dice of its own; mostly 0.
func (r *Room) sagged(f *Flight, s Sensor, n int) time.Duration {
	luck := r.luck(f, s, n|0x80)
	if !luck.happens(r.spreads.Sag) {
		return 0
	}
	f.Sagged = append(f.Sagged, s)
	return time.Duration(luck.between(float64(minSagLate), float64(maxSagLate)))
}

// The satellite's width, as a share of the drop's, and how high it rises at first, about what was seen of one drop of
// milk, 0.5 mm (I. Ivanov 2025; testdata/published/splash_published_2.csv). Own choice otherwise, no source.
const (
	minSatellite = 0.15
	maxSatellite = 0.35
	maxRise      = 1e-3 // m
)

// addDrop adds a drop's pass of the beam, the middle of whose slit is that far below the tip, and perhaps that of its
// satellite: what the neck leaves behind comes off half way between tip and drop, rises a little, and falls after it.
func (r *Room) addDrop(f *Flight, rng dice, n int, leaves leaving, start time.Duration, beam phys.Length,
	in passage) error {
	broken, err := leaves.fall(beam + in.place)
	if err != nil {
		return err
	}
	clear, err := leaves.fall(beam + leaves.diameter - in.place)
	if err != nil {
		return err
	}
	luck := r.luck(f, Beam, n)
	from, to := r.stamp(rng, start, broken.Time), r.stamp(rng, start, clear.Time)
	if r.missed(f, luck, Beam) {
		return nil
	}
	if !in.breaks {
		f.Missed = append(f.Missed, Beam)
		return nil
	}
	from += r.sagged(f, Beam, n)
	f.addPass(rng, Beam, from, to)
	if !luck.happens(r.spreads.Satellite) {
		return nil
	}
	size := leaves.diameter * phys.Length(luck.between(minSatellite, maxSatellite))
	rise := luck.between(0, maxRise)
	neck := (leaves.lowest - leaves.diameter) / 2
	way := max(beam-neck+phys.Length(rise), 0) // from rest, at its highest
	if broken, err = ballistics.Fall(size, way, 0); err != nil {
		return err
	}
	if clear, err = ballistics.Fall(size, way+size, 0); err != nil {
		return err
	}
	start += phys.Time(math.Sqrt(2 * rise / phys.Gravity)).Duration()
	f.addNextPass(luck, Beam, start+broken.Time.Duration(), start+clear.Time.Duration())
	return nil
}

// addNextPass adds a pass that may begin only when the one before has settled.
func (f *Flight) addNextPass(rng dice, s Sensor, from, to time.Duration) {
	if n := len(f.Edges); n > 0 && f.Edges[n-1].Sensor == s {
		from = max(from, f.Edges[n-1].At+maxBounceGap)
	}
	f.addPass(rng, s, from, max(to, from))
}

// Sheets, in metres along the path: own choice, no source.
const (
	minAhead, maxAhead = 0.02, 0.08 // of a droplet before the sheet
	droplet            = 2e-3       // its diameter, the median of them all
	dropletSpread      = 0.47       // SD of the diameter's logarithm
	minDroplet         = 1.5e-3     // what breaks a pointer's beam, of which the chance is said
	minHole, maxHole   = 3e-3, 10e-3
	maxHoles           = 3
)

// dropletAhead is the diameter of a droplet ahead of a sheet.
func (r *Room) dropletAhead(f *Flight, s Sensor) float64 {
	luck := r.luck(f, s, 0x40)
	for {
		if d := droplet * math.Exp(luck.normal(dropletSpread)); d >= minDroplet {
			return d
		}
	}
}

// addSheet adds the pass of a sheet: with a trailing edge as ragged as the leading one, in several breaks where it has
// holes, and perhaps with a droplet ahead.
func (r *Room) addSheet(f *Flight, rng dice, s Sensor, from, to time.Duration) {
	luck := r.luck(f, s, 0)
	if r.missed(f, luck, s) {
		return
	}
	along := func(metres float64) time.Duration { return phys.Time(metres / float64(f.Passing)).Duration() }
	if luck.happens(r.spreads.Spray) {
		ahead := from - along(luck.between(minAhead, maxAhead))
		// A beam is broken when half of its light is gone.
		if size := r.dropletAhead(f, s); size >= float64(f.Set.Throw.BeamHigh())/2 {
			f.addPass(rng, s, ahead, ahead+along(size))
			f.Sprayed = append(f.Sprayed, s)
		}
	}
	from += r.sagged(f, s, 0)
	to += along(luck.normal(float64(r.spreads.RaggedEdge)))
	if luck.happens(r.spreads.Hole) {
		holes := 1 + luck.IntN(maxHoles)
		part := (to - from) / time.Duration(holes+1)
		for range holes { // each in a part of its own, which is longer than a hole
			f.addNextPass(rng, s, from, from+part-along(luck.between(minHole, maxHole)))
			from += part
		}
	}
	f.addNextPass(rng, s, from, to)
}
