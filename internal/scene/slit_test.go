package scene

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"

	"stillwater/internal/beam"
	"stillwater/internal/phys"
)

// slitAt is the mean and standard deviation of where a room's beam breaks, over the parts of its light that it wants.
func slitAt(r *Room, at func(part float64) phys.Length) beam.Place {
	const parts = 200
	var places []float64
	for i := range parts {
		share := r.spreads.Broken
		places = append(places, float64(at(share.Least+(share.Most-share.Least)*(float64(i)+0.5)/parts)))
	}
	mean, sd := meanSD(places)
	return beam.Place{Mean: phys.Length(mean), SD: phys.Length(sd)}
}

// A room's beams scatter, and are early, with their slit: by what package beam says and no more.
func TestTheRoomsBeamsHaveSlits(t *testing.T) {
	const n = 1500
	s := calmSpreads()
	s.DropEdge, s.BeamPlace, s.BeamJitter, s.DropDiameter, s.RaggedEdge = 0, 0, 0, 0, 0
	last := 0.
	for _, high := range []phys.Length{0.5e-3, 2e-3, 8e-3} {
		drop, throw := dropSet(), throwSet()
		drop.Beam.High, throw.Beam.High = high, high
		drop.Drop.Diameter = 4e-3
		room := newWith(7, s)
		var places []float64
		for _, f := range release(t, room, drop, n) {
			leaves, err := leaveNozzle(drop.Drop, f.Diameter)
			assert.NoError(t, err)
			middle, err := leaves.fall(drop.Drop.Beam)
			assert.NoError(t, err)
			surface, err := leaves.fall(drop.Drop.Height)
			assert.NoError(t, err)
			late := surface.Time - middle.Time - phys.Seconds(f.Contact-first(t, f, Beam))
			places = append(places, float64(late)*float64(middle.Speed))
		}
		in := slitAt(room, func(part float64) phys.Length {
			place, breaks := drop.Beam.DropAt(4e-3, part, room.way)
			assert.True(t, breaks)
			return place
		})
		mean, sd := meanSD(places)
		t.Logf("slit %.1f mm: a drop breaks it at %.3f mm, SD %.3f mm; by the model %.3f and %.3f mm", 1e3*high, 1e3*mean,
			1e3*sd, 1e3*in.Mean, 1e3*in.SD)
		assert.InEpsilon(t, float64(in.SD), sd, 4/math.Sqrt(2*n)+0.05, "speed changes within the slit")
		assert.InDelta(t, float64(in.Mean), mean, 4*sd/math.Sqrt(n)+0.01*float64(high))
		assert.Greater(t, sd, 2*last)
		last = sd

		room = newWith(7, s)
		var fronts []float64
		for _, f := range release(t, room, throw, n) {
			fronts = append(fronts, (first(t, f, Beam)-f.Contact).Seconds()*float64(f.Passing))
		}
		in = slitAt(room, func(part float64) phys.Length { return throw.Beam.SheetAt(part, room.way) })
		mean, sd = meanSD(fronts)
		assert.InEpsilon(t, float64(in.SD), sd, 4/math.Sqrt(2*n)+0.01, "a front")
		assert.InDelta(t, float64(in.Mean), mean, 4*sd/math.Sqrt(n), "a front")
	}
}

// A drop that takes too little of the light passes unseen.
func TestSmallDropsPassWideSlits(t *testing.T) {
	set := dropSet()
	set.Drop.Diameter, set.Beam = 1.5e-3, beam.Slit{High: 8e-3, Wide: 8e-3}
	for _, f := range release(t, calm(3), set, 20) {
		assert.True(t, slices.Contains(f.Missed, Beam))
		assert.Empty(t, f.Edges)
	}
}
