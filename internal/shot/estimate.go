package shot

import (
	"stillwater/internal/phys"
)

// Estimate is what the physics say of one shot. Times run from the clock's edge: the beam, a throw's second beam, the
// sound at the microphone.
type Estimate struct {
	Delay     phys.Time  // to the moment, Trim included
	Low, High phys.Time  // drop: the phase's published band; throw and sound: see the functions
	Speed     phys.Speed // at the clock's edge: drop at the beam, throw at the second beam; sound: of sound

	Diameter      phys.Length // drop: of the drop
	ImpactSpeed   phys.Speed  // drop: at the surface
	EdgeToSurface phys.Time   // drop: from the beam to the surface
	Extrapolated  bool        // drop: smaller than the drops the phase times were measured on

	Interval   phys.Time   // throw: between the beams
	FocusSpeed phys.Speed  // throw: at the focus spot
	FocusAngle phys.Angle  // throw: of the path there, above level
	Rise       phys.Length // throw: of the path there, above the second beam

	Travel phys.Time // sound: from the source to the microphone

	Summary string // one sentence for people
}

// Estimate works out the shot the set describes. For a throw it is the middle of the accepted speeds, and Low and High
// are the delays of the fastest and the slowest; for a sound Low and High are those of the sources' spread.
//
// Errors: *FieldError, or *Refusal for a throw that never gets there.
func (s Set) Estimate() (Estimate, error) { return Estimate{}, nil }

// EstimateAt is Estimate for a throw whose gate interval is known. Low and High are then one standard deviation of the
// error budget with the default spread.
func (s Set) EstimateAt(interval phys.Time) (Estimate, error) { return Estimate{}, nil }
