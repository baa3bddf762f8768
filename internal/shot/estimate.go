package shot

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"stillwater/internal/ballistics"
	"stillwater/internal/phys"
	"stillwater/internal/splash"
)

// Estimate is the physical prediction of one shot. Times run from the clock edge: the beam, a throw's second beam,
// the sound at the microphone; of drops on command the beam, or Go where there is none.
type Estimate struct {
	Delay     phys.Time  // to the moment, Trim included
	Low, High phys.Time  // the band of Delay: see Estimate and EstimateAt
	Within    float64    // the probability that a first shot's moment is in the band; 0: the band is a range of throws
	Speed     phys.Speed // a drop at the surface, a throw at the second beam, sound in air

	Diameter      phys.Length // drop: of the drop
	BeamSpeed     phys.Speed  // drop: at the beam
	EdgeToSurface phys.Time   // drop: from the beam to the surface
	Extrapolated  bool        // drop, of a collision the first: outside the range whose phase times were measured
	Bubble        bool        // drop, likewise: the crown may close into a bubble

	Interval   phys.Time   // throw: between the beams
	FocusSpeed phys.Speed  // throw: at the focus spot
	FocusAngle phys.Angle  // throw: of the path there, above level
	Rise       phys.Length // throw: of the path there, above the second beam

	Travel                phys.Time // sound: from the source to the microphone
	TravelLow, TravelHigh phys.Time // sound: the band of Travel

	Drops DropsPath // drops on command: all of them

	Summary string // one sentence for people
}

// defaultTick is the resolution assumed without a board: 0.1 us, that of the Linux board.
const defaultTick = 100 * time.Nanosecond

// Estimate predicts the shot that the set describes. Of ten first shots eight have their moment between Low and High,
// by the error budget with the default spread; but a throw has the middle of the accepted speeds, and Low and High are
// the delays of the fastest and the slowest.
//
// Errors: *FieldError, or *Refusal for a throw that never reaches the focus spot.
func (s Set) Estimate() (Estimate, error) {
	if err := s.Validate(); err != nil {
		return Estimate{}, err
	}
	switch s.Kind {
	case Throw:
		return s.estimateThrow()
	case Sound:
		e, err := s.estimateSound(DefaultSpread())
		if err != nil {
			return Estimate{}, err
		}
		return s.withBand(e)
	case Drops:
		e, err := s.estimateDrops()
		if err != nil {
			return Estimate{}, err
		}
		return s.withBand(e)
	default:
		e, err := s.estimateDrop()
		if err != nil {
			return Estimate{}, err
		}
		return s.withBand(e)
	}
}

// normalTenth is what a normal distribution exceeds with a probability of 0.1, in standard deviations: 80 % lie within.
const normalTenth = 1.2816

// withBand gives an estimate the band of a first shot: that of the splash, which is not symmetrical, joined with the
// rest of the budget; or that of the whole budget, where the estimate has none.
func (s Set) withBand(e Estimate) (Estimate, error) {
	b, err := Errors(s, e, DefaultSpread(), defaultTick)
	if err != nil {
		return Estimate{}, err
	}
	total, published := float64(b.Total.Mistiming), float64(b.term(termSplash).Mistiming)
	if e.Low == e.High {
		published = 0
	}
	rest := normalTenth * math.Sqrt(max(total*total-published*published, 0))
	e.Low = e.Delay - phys.Time(math.Hypot(float64(e.Delay-e.Low), rest))
	e.High = e.Delay + phys.Time(math.Hypot(float64(e.High-e.Delay), rest))
	if e.Delay > 0 {
		e.Low = max(e.Low, 0) // nothing gets to the moment before its edge
	}
	e.Within = splash.Probability
	return e, nil
}

// EstimateAt is Estimate for a throw with a given gate interval, within the accepted speeds or not. Low and High are
// then the band of this throw.
//
// Errors: *FieldError, with the Field "interval" if that is impossible, or *Refusal for a throw that never reaches the
// focus spot.
func (s Set) EstimateAt(interval phys.Time) (Estimate, error) {
	if err := s.Validate(); err != nil {
		return Estimate{}, err
	}
	e, err := s.estimateInterval(interval)
	if err != nil {
		return Estimate{}, err
	}
	return s.withBand(e)
}

// ThrowSpeed is how fast a throw that took interval through the gate was at the second beam; false for another kind, or
// an interval that is no throw's.
func (s Set) ThrowSpeed(interval phys.Time) (phys.Speed, bool) {
	if s.Kind != Throw || !(interval > 0) {
		return 0, false
	}
	v, err := s.Throw.speed(interval)
	return v, err == nil
}

func (s Set) estimateDrop() (Estimate, error) {
	d, err := s.dropPath()
	if err != nil {
		return Estimate{}, err
	}
	e := Estimate{Speed: d.surface.Speed, Diameter: d.diameter, BeamSpeed: d.beamSpeed, EdgeToSurface: d.surface.Time,
		Extrapolated: d.phase.Extrapolated, Bubble: d.phase.Bubble}
	e.Delay = d.moment() + s.OwnTrim()
	e.Low, e.High = d.surface.Time+d.phase.Low+s.OwnTrim(), d.surface.Time+d.phase.High+s.OwnTrim()
	e.Summary = fmt.Sprintf("A drop of %s passes the beam at %.2f m/s and reaches the surface %s later at %.2f m/s; "+
		"the moment (%s) is %s after the beam.", inMm(d.diameter), d.beamSpeed, inMs(d.surface.Time), d.surface.Speed,
		spaced(string(s.Drop.Phase)), inMs(e.Delay))
	return e, nil
}

func (s Set) estimateThrow() (Estimate, error) {
	mid, err := s.Throw.interval((s.Throw.SpeedLow + s.Throw.SpeedHigh) / 2)
	if err != nil {
		return Estimate{}, s.speedError(err, (s.Throw.SpeedLow+s.Throw.SpeedHigh)/2)
	}
	e, err := s.estimateInterval(mid)
	if err != nil {
		return Estimate{}, err
	}
	fast, err := s.Throw.flight(s.Throw.SpeedHigh)
	if err != nil {
		return Estimate{}, s.speedError(err, s.Throw.SpeedHigh)
	}
	slow, err := s.Throw.flight(s.Throw.SpeedLow)
	if err != nil {
		return Estimate{}, s.speedError(err, s.Throw.SpeedLow)
	}
	factor, err := s.trimFactor()
	e.Low, e.High = fast.Time*phys.Time(factor), slow.Time*phys.Time(factor)
	return e, err
}

// estimateInterval is the estimate of one throw, without a band.
func (s Set) estimateInterval(interval phys.Time) (Estimate, error) {
	if !(interval > 0) {
		return Estimate{}, &FieldError{Field: "interval", Why: fmt.Sprintf("%v is not a time between two beams", interval),
			Remedy: "use more than 0 ms, like 25 ms"}
	}
	v, err := s.Throw.speed(interval)
	if stopped := new(ballistics.IntervalTooLongError); errors.As(err, &stopped) || err == nil && v < minFlightSpeed {
		return Estimate{}, s.Throw.intervalTooLong(interval)
	} else if err != nil {
		return Estimate{}, asField(err, "interval")
	}
	p, err := s.Throw.flight(v)
	if err != nil {
		return Estimate{}, s.speedError(err, v)
	}
	factor, err := s.trimFactor()
	if err != nil {
		return Estimate{}, err
	}
	e := Estimate{Delay: p.Time * phys.Time(factor), Speed: v, Interval: interval, FocusSpeed: p.Speed,
		FocusAngle: p.Angle, Rise: p.Rise}
	e.Low, e.High = e.Delay, e.Delay
	e.Summary = fmt.Sprintf("A throw that takes %s through the gate passes the second beam at %.2f m/s and the focus "+
		"spot %s later at %.2f m/s, %v %s the second beam.", inMs(interval), v, inMs(e.Delay), p.Speed,
		phys.Round(max(p.Rise, -p.Rise), 2), aboveOrBelow(p.Rise))
	return e, nil
}

func (s Set) estimateSound(spread Spread) (Estimate, error) {
	n := s.Sound
	travel, err := ballistics.SoundDelay(n.Distance, n.Temperature)
	if err != nil {
		return Estimate{}, asField(err, "sound.distance")
	}
	v, err := ballistics.SpeedOfSound(n.Temperature)
	if err != nil {
		return Estimate{}, asField(err, "sound.temperature")
	}
	// Speed varies with the root of the absolute temperature.
	off := math.Hypot(float64(spread.Distance)/float64(v),
		float64(travel)*float64(spread.Temperature)/(2*n.Temperature.Kelvin()))
	either := phys.Time(normalTenth * off)
	delay := n.After + s.OwnTrim() - travel
	e := Estimate{Delay: delay, Low: delay, High: delay, Speed: v,
		Travel: travel, TravelLow: max(travel-either, 0), TravelHigh: travel + either}
	e.Summary = fmt.Sprintf("The sound takes %s to reach the microphone, %.1f m/s in air of %v", inMs(travel), v,
		n.Temperature)
	if e.Delay >= 0 {
		e.Summary += fmt.Sprintf("; the board waits %s more", inMs(e.Delay))
	}
	e.Summary += "."
	return e, nil
}

// speedError converts a ballistics error for a throw at v.
func (s Set) speedError(err error, v phys.Speed) error {
	if short := new(ballistics.FallsShortError); errors.As(err, &short) {
		return &Refusal{Field: "throw.speed_low",
			Why: fmt.Sprintf("a throw at %.2f m/s lands on the floor %v from the second beam, %v short of the focus spot",
				v, phys.RoundDown(short.Reach, 3), phys.RoundUp(short.Short, 2)),
			Remedy: s.Throw.advice(v) + ", or move the beams nearer the focus spot"}
	}
	if slowest := new(tooSlowError); errors.As(err, &slowest) {
		return &Refusal{Field: "throw.speed_low", Why: slowest.Error(), Remedy: fmt.Sprintf(
			"accept only throws faster than %.2f m/s", slowest.slowest)}
	}
	return asField(err, "throw.speed_low")
}

func spaced(name string) string { return strings.ReplaceAll(name, "-", " ") }

func aboveOrBelow(rise phys.Length) string {
	if rise < 0 {
		return "below"
	}
	return "above"
}
