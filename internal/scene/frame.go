package scene

import (
	"math"
	"time"

	"stillwater/internal/phys"
	"stillwater/internal/shot"
)

// A throw that nobody has framed is shown at least so wide, and no wider than a usual lens has it from a usual place
// (50 mm from 1.7 m): common practice, no source.
const (
	minFrame    phys.Length = 0.62
	widestFrame phys.Length = 1.2
)

// ThrowFrame is how wide a piece of a throw is pictured: all of the camera's frame; or where nobody has framed it, as
// much as holds the sheet as long as it is on average by then, and 95 of 100 first throws by the error budget.
func ThrowFrame(set shot.Set) phys.Length {
	if set.Framed() {
		return set.Camera.Lens().Field(set.Camera.Sensor)
	}
	e, err := set.Estimate()
	if err != nil || !(e.Speed > 0) {
		return minFrame
	}
	b, err := shot.Errors(set, e, shot.DefaultSpread(), 100*time.Nanosecond)
	if err != nil {
		return minFrame
	}
	age := float64(handToGate+set.Throw.Gate)/float64(e.Speed) + float64(e.Delay-set.OwnTrim())
	long := handLong + (minStretches+maxStretches)/2*age
	spread := float64(b.Total.Mistiming) * float64(e.FocusSpeed)
	return min(max(phys.Length(long+4*spread), minFrame), widestFrame)
}

// inFrame is the share of a thrown sheet's parcels that a picture at a time has, upright by two thirds of its width.
func (f Flight) inFrame(at time.Duration) float64 {
	if len(f.parcels) == 0 {
		return 1
	}
	wide := float64(ThrowFrame(f.Set))
	s := f.middleAt(at)
	age := f.inFlight(at)
	sin, cos := math.Sincos(float64(f.Angle))
	in := 0
	for _, p := range f.parcels {
		a, b := p.along+p.vAlong*age, p.across+p.vAcross*age
		x, y := float64(s.At.X)+a*cos-b*sin, float64(s.At.Y)+a*sin+b*cos
		if math.Abs(x) <= wide/2 && math.Abs(y) <= wide/3 {
			in++
		}
	}
	return float64(in) / float64(len(f.parcels))
}
