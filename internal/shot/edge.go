package shot

import (
	"math"
	"slices"
	"time"

	"stillwater/internal/outliers"
	"stillwater/internal/phys"
)

// Passage is what the two beams saw of one throw: when its front broke each, and when its end left each clear.
type Passage struct {
	GateBroken, GateClear time.Duration
	BeamBroken, BeamClear time.Duration
}

// MinPassages is how many throws it takes to tell how ragged an edge is: five give its standard deviation within two
// fifths of it.
const MinPassages = 5

// Raggedness is how ragged the edges of a sheet are at a beam, by throws of it.
type Raggedness struct {
	SD     phys.Length
	Spray  int     // throws that are far from the others and left out: a droplet ahead broke a beam
	Within float64 // how well SD is known, a standard deviation of it as a fraction
}

// outlierCost is by how much worse a standard deviation of few values is known as some are left out for outliers: 1.2
// for five (tested), less for more.
const outlierCost = 1.2

// RaggedEdge measures the edges of a thrown sheet; false if the throws are too few.
//
// The gate's interval alone cannot tell a ragged edge from an uneven hand. So each throw is compared with itself: its
// front and its end take the same time from beam to beam, but for their edges, one at each beam. Those are taken to be
// alike at front and end, so that the difference of the two intervals has twice an edge's standard deviation. What all
// throws have in common, as gravity between front and end, falls out.
func (s Set) RaggedEdge(throws []Passage) (Raggedness, bool) {
	if len(throws) < MinPassages {
		return Raggedness{}, false
	}
	off := make([]float64, len(throws))
	for i, t := range throws {
		front, end := (t.BeamBroken - t.GateBroken).Seconds(), (t.BeamClear - t.GateClear).Seconds()
		off[i] = (front - end) * 2 * float64(s.Throw.Gate) / (front + end)
	}
	spray := outliers.Of(off, 0)
	for _, i := range slices.Backward(spray) {
		off = slices.Delete(off, i, i+1)
	}
	mean, squares := 0., 0.
	for _, x := range off {
		mean += x / float64(len(off))
	}
	for _, x := range off {
		squares += (x - mean) * (x - mean)
	}
	freedom := float64(len(off) - 1)
	return Raggedness{SD: phys.Length(math.Sqrt(squares/freedom) / 2), Spray: len(spray),
		Within: outlierCost / math.Sqrt(2*freedom)}, true
}
