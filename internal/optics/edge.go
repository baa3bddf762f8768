package optics

import (
	"math"

	"stillwater/internal/phys"
)

// A clear drop, or a column, or the rolled rim of a sheet, is round in section. Seen from far away, the light that
// leaves it at offset b from its middle (0 to 1, as a part of its radius) entered it from behind at an angle to the
// line of sight. By Snell's law it is bent twice alike, by 2 (asin b - asin b/n) in all. What stands at that angle
// behind is what that part of the liquid shows: the middle shows the background, the edge what is beside it.

// Deviation is the angle, from straight behind, from which the offset b of a round liquid takes its light. It is on the
// other side: the left edge looks to the right.
func Deviation(index, b float64) phys.Angle {
	return phys.Angle(2 * (math.Asin(b) - math.Asin(b/index)))
}

// WidestDeviation is the deviation at the very edge: 2 acos(1/n).
func WidestDeviation(index float64) phys.Angle { return phys.Angle(2 * math.Acos(1/index)) }

// OffsetAt is the offset whose light comes from that angle: the inverse of Deviation. From the widest angle on it is 1.
func OffsetAt(index float64, angle phys.Angle) float64 {
	if angle >= WidestDeviation(index) {
		return 1
	}
	// sin i = n sin(i - a/2) solved for tan i.
	sin, cos := math.Sincos(float64(angle) / 2)
	return math.Sin(math.Atan2(index*sin, index*cos-1))
}

// RimShown is the offset up to which panels are made wide enough. Beyond it Fresnel's law lets less than half of the
// light through and the outside reflects instead.
const RimShown = 0.99

// Black is where black panels stand beside a background, alike on both sides. From the spot they span From to To, away
// from straight behind.
type Black struct{ From, To phys.Angle }

// BlackFor is where black has to be for the outer part of a round liquid's radius to be dark: rim 0.1 is the outer
// tenth.
func BlackFor(index, rim float64) Black {
	return Black{Deviation(index, 1-rim), Deviation(index, max(RimShown, 1-rim))}
}

// GapBehind is the distance between the inner edges of panels that hang as far behind the spot as the background: what
// is bright may be that wide.
func (b Black) GapBehind(distance phys.Length) phys.Length {
	return 2 * distance * phys.Length(math.Tan(float64(b.From)))
}

// WidthBeside is how wide each has to be when it stands along the line of sight, aside from it: from behind the spot
// forward.
func (b Black) WidthBeside(aside phys.Length) phys.Length {
	return aside * phys.Length(1/math.Tan(float64(b.From))-1/math.Tan(float64(b.To)))
}

// HalfAngle is the angle from straight behind to the edge of something centred behind the spot.
func HalfAngle(width, distance phys.Length) phys.Angle {
	return phys.Angle(math.Atan2(float64(width/2), float64(distance)))
}

// DarkRim is the part of the radius, from the edge in, that sees past a bright background to what is beside it.
func DarkRim(index float64, background phys.Angle) float64 { return 1 - OffsetAt(index, background) }
