// Package head works out the heads of a light beam: what slit, tube and distance change. Lengths are in millimetres,
// times in seconds, angles in degrees. Light is taken as rays from an evenly bright lens, which no real emitter is: own
// estimate, not measured.
package head

import (
	"fmt"
	"math"
	"strings"

	"stillwater/internal/beam"
	"stillwater/internal/phys"
)

// Pair is an emitter's head and a receiver's head, alike: a black tube with the part at its end and a slit at its
// mouth.
type Pair struct {
	Bore, Wall float64 // of the tube
	Length     float64 // from the part to the slit
	Slit, Wide float64 // the slit, along the fall and across it
	Apart      float64 // from slit to slit
	Lens       float64 // diameter of the emitter's lens
	Diode      float64 // side of the receiver's square chip
	HalfAngle  float64 // of the emitter: there it has half of its light
}

// Usual is the pair that is drawn: a 5 mm emitter and a photodiode of 7 mm2.
func Usual() Pair {
	return Pair{Bore: 6, Wall: 1, Length: 20, Slit: 2, Wide: 5, Apart: 100, Lens: 5, Diode: 2.65, HalfAngle: 10}
}

// Crossing is the time that an edge takes through the slit at a speed in m/s.
func (p Pair) Crossing(speed float64) float64 { return p.Slit / 1000 / speed }

const mm = 1e-3

func (p Pair) slit() beam.Slit {
	return beam.Slit{High: phys.Length(p.Slit * mm), Wide: phys.Length(p.Wide * mm)}
}

// Place is the standard deviation of where in the slit a drop breaks the beam, at the boards' share of its light.
func (p Pair) Place(diameter float64) float64 {
	return float64(p.slit().Drop(phys.Length(diameter*mm), beam.Boards()).SD) / mm
}

// Taken is the part of the light that a drop takes in the middle of the slits, midway between them and halfway from
// there to one of them, for lens and chip that fill the slits: as drawn the chip is smaller, and a drop takes more.
func (p Pair) Taken(diameter float64) (midway, aside float64) {
	d := phys.Length(diameter * mm)
	return p.slit().Most(d, beam.Midway), p.slit().Most(d, beam.Quarter)
}

// strip is the part of a disc that an opening across its middle leaves.
func strip(opening, disc float64) float64 {
	y := min(opening/disc, 1) // of the radius, up from the middle
	return 2 / math.Pi * (math.Asin(y) + y*math.Sqrt(1-y*y))
}

// Light is the part of the light that comes through both slits, compared with no slits: the part of the lens that the
// receiver sees, times the part of the chip that is lit.
func (p Pair) Light() float64 {
	seen := func(opening float64) float64 { return strip(opening*(1+p.Length/p.Apart), p.Lens) }
	lit := func(opening float64) float64 { return min(1, opening*(1+p.Length/(p.Apart+p.Length))/p.Diode) }
	return seen(p.Slit) * seen(p.Wide) * lit(p.Slit) * lit(p.Wide)
}

// Range is the largest distance from slit to slit at which the receiver gets as much light as a bare pair at a
// distance. It is 0 if there is none.
func (p Pair) Range(bare float64) float64 {
	enough := func(apart float64) bool {
		p.Apart = apart
		way := apart + 2*p.Length
		return p.Light()*bare*bare >= way*way
	}
	near, far := 1.0, bare
	if !enough(near) {
		return 0
	}
	for far-near > 0.01 {
		if middle := (near + far) / 2; enough(middle) {
			near = middle
		} else {
			far = middle
		}
	}
	return near
}

// Accepts is the half angle within which the receiver sees anything, along the fall and across it.
func (p Pair) Accepts() (along, across float64) {
	angle := func(opening float64) float64 {
		return math.Atan((opening+p.Diode)/2/p.Length) * 180 / math.Pi
	}
	return angle(p.Slit), angle(p.Wide)
}

// Neighbour is how far another emitter must be off the axis, across the fall, so that the receiver does not see its
// lens.
func (p Pair) Neighbour() float64 {
	_, across := p.Accepts()
	return (p.Apart+p.Length)*math.Tan(across*math.Pi/180) + p.Wide/2 + p.Lens/2
}

// Misalignment is how far off the axis a receiver gets half of the emitter's light.
func (p Pair) Misalignment() float64 {
	return (p.Apart + 2*p.Length) * math.Tan(p.HalfAngle*math.Pi/180)
}

// Guide is the guide's table of what the slit changes. bare is the range of a pair without tubes and slits.
func Guide(bare float64) string {
	const speed = 3.0
	var out strings.Builder
	fmt.Fprintf(&out, "| slit, along the fall | an edge crosses it, at %g m/s | place, SD, 4 mm | "+
		"a drop of 2, 3, 4 mm takes midway | halfway to a head | light | slits apart at most |\n"+
		"|---|---|---|---|---|---|---|\n", speed)
	for _, slit := range []float64{1, 2, 5} {
		p := Usual()
		p.Slit = slit
		p.Apart = p.Range(bare)
		var midway, aside []string
		for _, d := range []float64{2, 3, 4} {
			m, a := p.Taken(d)
			midway, aside = append(midway, fmt.Sprintf("%.0f", 100*m)), append(aside, fmt.Sprintf("%.0f", 100*a))
		}
		fmt.Fprintf(&out, "| %g mm | %.2f ms | %.2f mm | %s %% | %s %% | %.0f %% | %.0f cm |\n", slit,
			1000*p.Crossing(speed), p.Place(4), strings.Join(midway, ", "), strings.Join(aside, ", "), 100*p.Light(),
			p.Apart/10)
	}
	p := Usual()
	along, across := p.Accepts()
	fmt.Fprintf(&out, "\nAs drawn, %g mm from slit to slit: the receiver sees nothing that is more than %.1f degrees off "+
		"the axis along the fall, or %.1f across it.\nAnother beam's emitter stands %.0f mm or more aside, or on the "+
		"receiver's side. With a half angle of %g degrees the emitter may point\n%.0f mm beside the receiver before half "+
		"of the light is gone.\n", p.Apart, along, across, math.Ceil(p.Neighbour()/5)*5, p.HalfAngle, p.Misalignment())
	return out.String()
}
