package scene

import (
	"math/rand/v2"

	"stillwater/internal/beam"
	"stillwater/internal/phys"
)

// passage is where something breaks a beam, beyond the middle of its slit, and mirrored where it leaves the beam clear.
type passage struct {
	place  phys.Length
	breaks bool // it takes enough of the light
}

// wayBetween is where between a beam's heads things pass, for the evening: in the middle half, as package beam has it.
func wayBetween(seed uint64) float64 {
	return dice{rand.New(rand.NewPCG(seed, 1<<49))}.between(beam.Quarter, 1-beam.Quarter)
}

// wants draws the part of its light that a beam misses when it reads as broken, from dice of its own.
func (r *Room) wants(f *Flight, s Sensor, n int) float64 {
	return r.luck(f, s, n|0xc0).between(r.spreads.Broken.Least, r.spreads.Broken.Most)
}

// dropIn is where the n-th drop breaks its beam.
func (r *Room) dropIn(f *Flight, n int, diameter phys.Length) passage {
	place, breaks := f.Set.Beam.DropAt(diameter, r.wants(f, Beam, n), r.way)
	return passage{place, breaks}
}

// frontIn is where a thrown front breaks a beam, and how long that and the end's are from it.
func (r *Room) frontIn(f *Flight, s Sensor) phys.Time {
	return phys.Time(f.Set.Beam.SheetAt(r.wants(f, s, 0), r.way)) / phys.Time(f.Passing)
}
