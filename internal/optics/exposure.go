package optics

import (
	"math"

	"stillwater/internal/phys"
)

// EV is the exposure value of an f-number and a time: log2(N²/t), ISO 2720.
func EV(n FNumber, t phys.Time) Stops {
	return Stops(math.Log2(float64(n) * float64(n) / float64(t)))
}

// SpeedStops is by how much a speed exceeds ISO 100.
func SpeedStops(i ISO) Stops { return Stops(math.Log2(float64(i) / 100)) }

// ContinuousExposure is the exposure by light metered as ev at ISO 100, at aperture n, while the shutter is open.
func ContinuousExposure(ev Stops, n FNumber, i ISO, open phys.Time) Stops {
	return ev + SpeedStops(i) - EV(n, open)
}

// BlackFrame is a frame taken with the flash off and all other lights as they will be.
type BlackFrame struct {
	Open      phys.Time
	Brightest Level // of what the frame shows
}

// BlackLevel is the level under which a frame counts as black: the first twentieth of the histogram. Common practice,
// no source.
const BlackLevel Level = 0.05

// Exposure is the exposure by ambient light of a frame that is open for another time. The brightest area is taken for
// white, as nothing in the frame is known to be.
func (b BlackFrame) Exposure(open phys.Time) Stops {
	seen := max(b.Brightest, BlackLevel)
	return seen.Stops() + Stops(math.Log2(float64(open/b.Open)))
}

// FrameLevel is the histogram level of the brightest area of a frame exposed for frame, where ambient light exposes by
// at during open: the inverse of BlackFrame.Exposure. Above white it is white.
func FrameLevel(at Stops, open, frame phys.Time) Level {
	return LevelAt(at + Stops(math.Log2(float64(frame/open))))
}

// MinBlackExposure is the shortest exposure whose black frame proves that ambient light exposes by no more than at
// during open.
func MinBlackExposure(at Stops, open phys.Time) phys.Time {
	return open * phys.Time(math.Exp2(float64(BlackLevel.Stops()-at)))
}

// LongestOpening is the time for which the shutter may be open with the room's light margin stops below the flash. The
// light exposes by at in the time open, the flash by flash.
func LongestOpening(at Stops, open phys.Time, flash, margin Stops) phys.Time {
	return open * phys.Time(math.Exp2(float64(flash-margin-at)))
}

// MinMargin is how far the room is to be below the flash for a picture made in the dark. Common practice, no source: at
// 5 stops what moves leaves a ghost of 3 % of the flash's light.
const MinMargin Stops = 5

// Unit is one flash unit, or several alike at the same distance.
type Unit struct {
	Guide    phys.Length // guide number in metres at ISO 100, at full power
	Power    Fraction
	Distance phys.Length // from flash to subject
	Loss     Stops       // in umbrella, diffuser or bounce
	Count    int
}

// FNumber is the one at which the unit exposes a subject at its distance correctly. The guide number is f-number times
// distance (ISO 1230); it grows with the root of speed and of power, and of the number of units.
func (u Unit) FNumber(i ISO) FNumber {
	light := float64(i) / 100 * float64(u.Power) * float64(u.Count) * math.Exp2(-float64(u.Loss))
	return FNumber(float64(u.Guide) / float64(u.Distance) * math.Sqrt(light))
}

// AddFNumbers is the f-number for several flashes at once, each given by its own: light adds, and goes with the square.
func AddFNumbers(each ...FNumber) FNumber {
	sum := 0.0
	for _, n := range each {
		sum += float64(n) * float64(n)
	}
	return FNumber(math.Sqrt(sum))
}

// FlashExposure is the exposure at aperture n by a flash that is correct at aperture right.
func FlashExposure(right, n FNumber) Stops { return Stops(2 * math.Log2(float64(right/n))) }

// MakeUp is what gives a subject a number of stops more light, each alone.
type MakeUp struct {
	Distance phys.Length // of the flash
	Speed    ISO
	Units    int
	Aperture FNumber
}

// MakeUpFor is what makes up for light that a unit lacks.
func MakeUpFor(lacks Stops, u Unit, i ISO, n FNumber) MakeUp {
	factor := math.Exp2(float64(lacks))
	return MakeUp{
		Distance: u.Distance / phys.Length(math.Sqrt(factor)),
		Speed:    i * ISO(factor),
		Units:    int(math.Ceil(float64(u.Count)*factor - 1e-9)),
		Aperture: n / FNumber(math.Sqrt(factor)),
	}
}
