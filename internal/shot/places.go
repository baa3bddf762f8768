package shot

import (
	"fmt"
	"math"
	"time"

	"stillwater/internal/phys"
)

// InPlace is how near the focus spot the liquid is to be for a picture that is sharp and framed: own choice.
const InPlace = 15 * mm

// goodShare is the share of throws in place from which a set is good: 95 of 100, and two for what no budget knows, as
// droplets ahead. Own choice.
const goodShare = 0.97

// guardHeight is how high a beam's light has to be for droplets ahead of a sheet not to break it: half of it has to be
// dark, and hardly one is 6 mm across. Own choice, no source.
const guardHeight = 12 * mm

// InPlaceShare is the share of throws, on average like e, that pass within InPlace of the focus spot as seen from the
// side, once the trim is right: by angle and speed as they leave the hand, and along the path by the rest of the error
// budget.
//
// Errors: *FieldError or *Refusal, as Estimate.
func InPlaceShare(set Set, e Estimate, spread Spread, tick time.Duration) (float64, error) {
	b, err := Errors(set, e, spread, tick)
	if err != nil {
		return 0, err
	}
	return advisor{set, e, spread, tick, b}.inPlace(), nil
}

func (a advisor) inPlace() float64 {
	scatter, err := a.set.Throw.scatter(a.e, a.spread)
	if err != nil {
		return 0
	}
	return scatter.shareWithin(InPlace, a.budget.besidesAngle(true))
}

// BetterPlaces is a set of which enough throws, as fast as the one that e describes, are in place, with the beams as
// near as now as possible: first farther apart, then nearer the focus spot; and the share of them. What stands too near
// for the camera's lag has its shutter open beforehand. Where no places do, it has the best of those that were tried.
// The same set and share if that is good already. A beam's light is as high as keeps droplets from being timed.
func BetterPlaces(set Set, e Estimate, spread Spread, tick time.Duration) (Set, float64, error) {
	share, err := InPlaceShare(set, e, spread, tick)
	set.Throw.BeamHeight = max(set.Throw.BeamHigh(), guardHeight)
	if err != nil || share >= goodShare {
		return set, share, err
	}
	best := set
	near := shorter(set.Throw.ToFocus)
	for i, focus := range near {
		if i < len(near)-1 && !canBeInPlace(set, e, spread, focus) {
			continue
		}
		for _, gate := range []phys.Length{10 * cm, 20 * cm, 30 * cm, 40 * cm} {
			if gate < set.Throw.Gate {
				continue
			}
			next := set
			next.Throw.Gate, next.Throw.ToFocus = gate, focus
			interval, err := next.Throw.interval(e.Speed)
			if err != nil {
				continue
			}
			at, err := next.estimateInterval(interval)
			if err != nil {
				continue
			}
			next.openInTime()
			s, err := InPlaceShare(next, at, spread, tick)
			if err == nil && s > share {
				best, share = next, s
			}
			if share >= goodShare {
				return best, share, nil
			}
		}
	}
	return best, share, nil
}

// canBeInPlace reports whether enough throws pass near enough beside the focus spot, whatever the timing. It is quick.
func canBeInPlace(set Set, e Estimate, spread Spread, focus phys.Length) bool {
	set.Throw.ToFocus = focus
	scatter, err := set.Throw.scatter(e, spread)
	return err == nil && math.Erf(float64(InPlace/scatter.besidePath())/math.Sqrt2) >= goodShare
}

// shorter are distances to the focus spot up to the one there is, the longest first. Nearer than 8 cm the sensors
// themselves are in the frame: own choice.
func shorter(focus phys.Length) (list []phys.Length) {
	list = []phys.Length{focus}
	for _, d := range []phys.Length{60 * cm, 40 * cm, 30 * cm, 20 * cm, 15 * cm, 12 * cm, 10 * cm, 8 * cm} {
		if d < focus {
			list = append(list, d)
		}
	}
	return list
}

// openInTime has the flash fire in the dark, and the shutter opened beforehand where the camera is slower than the
// throw. Kinds that leave it time still have it opened after the edge.
func (s *Set) openInTime() {
	s.Light.Expose = FlashInDark
	auto := *s
	if auto.Light.Shutter = ByEdgeOrGo; s.Light.Shutter == ByEdge && auto.ShutterBy() != ByEdge {
		*s = auto
	}
}

// Places is what BetterPlaces makes of the set that e describes, and what is gained by it in words; "" if its beams are
// where they belong.
//
// Errors: as Errors.
func Places(set Set, e Estimate, spread Spread, tick time.Duration) (better Set, says string, err error) {
	b, err := Errors(set, e, spread, tick)
	if err != nil || set.Kind != Throw {
		return set, "", err
	}
	better, says = advisor{set, e, spread, tick, b}.placed()
	return better, says, nil
}

// betterPlaces says where the beams would have to be for throws to be in place.
func (a advisor) betterPlaces() string {
	_, says := a.placed()
	return says
}

func (a advisor) placed() (set Set, says string) {
	now := a.inPlace()
	set, share, err := BetterPlaces(a.set, a.e, a.spread, a.tick)
	if err != nil || set.Throw.Gate == a.set.Throw.Gate && set.Throw.ToFocus == a.set.Throw.ToFocus {
		return a.set, ""
	}
	how := ""
	if set.Light.Expose != a.set.Light.Expose || set.Light.Shutter != a.set.Light.Shutter {
		how = " and the flash firing in the dark, the shutter opened beforehand,"
	}
	return set, fmt.Sprintf("With %v between the beams, the second %v before the focus spot,%s about %.0f of 100 throws "+
		"would be within %s of it, once trimmed; with this set about %.0f. Beams so near may show in the frame.",
		set.Throw.Gate, set.Throw.ToFocus, how, share*100, inWholeMm(InPlace), now*100)
}

// droplets says that a droplet ahead of the sheet may be timed in its place.
func (a advisor) droplets() string {
	if a.set.Throw.BeamHigh() >= guardHeight {
		return ""
	}
	return fmt.Sprintf("A droplet ahead of the sheet breaks a beam whose light is only %s high, and is timed in its "+
		"place. Light %s high across the path, as behind a slit, is not broken before half of it is dark.",
		inMm(a.set.Throw.BeamHigh()), inWholeMm(guardHeight))
}
