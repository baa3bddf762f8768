package scene

import "math"

// handDrift is how a person who throws changes in an evening: own choice, no source. That practice makes more even, by
// much at first and ever less, is common knowledge of motor learning.
type handDrift struct {
	WarmUp float64 // by how much more the first throws vary, as a fraction
	Tires  float64 // by how much slower the last are thrown, as a fraction
}

// Throws after which most of it has happened.
const (
	warmThrows = 8.0
	tireThrows = 60.0
)

// uneven is by what factor a throw varies more than the even ones.
func (h handDrift) uneven(throws int) float64 {
	return 1 + h.WarmUp*math.Exp(-float64(throws)/warmThrows)
}

// strength is by what factor a throw is as fast as the first.
func (h handDrift) strength(throws int) float64 {
	return 1 - h.Tires*(1-math.Exp(-float64(throws)/tireThrows))
}
