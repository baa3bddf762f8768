// Package beam computes where in a light beam between two slits a drop breaks it, and how well that place is known.
// Light is taken as rays, evenly spread over both slits, which no real emitter gives: own estimate, not measured. The
// tests follow single rays.
package beam

import (
	"math"

	"stillwater/internal/phys"
)

// Slit is the opening at the mouth of a beam's two heads, which are alike.
type Slit struct {
	High phys.Length `json:"slit"`  // along the fall or the throw
	Wide phys.Length `json:"width"` // across it
}

// Usual is the slit of the hardware's own heads (hardware/README.md, "The beams' heads").
func Usual() Slit { return Slit{High: 2e-3, Wide: 5e-3} }

// Share is the part of the light that must be taken before the beam reads as broken, anywhere from Least to Most.
type Share struct{ Least, Most float64 }

// Boards is the share of the hardware's sensor boards: 14 % in the dark, and 30 % is seen at all corners in a lit room
// whose ripple adds or takes (hardware/generated/measured.csv: beam_drop, modulated_range; simulated).
func Boards() Share { return Share{0.14, 0.3} }

// Place is where the lowest point of a drop, or the front of a sheet, is when the beam breaks: beyond the slit's
// middle, mean and standard deviation.
type Place struct{ Mean, SD phys.Length }

// strips is into how many strips a slit is cut, and steps in how many a drop comes down.
const strips, steps = 64, 96

// Midway is halfway from slit to slit, and Quarter as far from it as drops should fall: parts of the way between them.
const Midway, Quarter = 0.5, 0.25

// within is the part of the light that is within x of the middle of an opening, a part of the way between two of them:
// a ray is there at the mean of where it is at each, weighed by how near they are, so that most are near the middle.
func within(x, opening phys.Length, way float64) float64 {
	near := min(way, 1-way)
	out, even := min(float64(x/opening), 0.5), 0.5-near
	if out <= even {
		return 2 * out / (1 - near)
	}
	return 1 - (0.5-out)*(0.5-out)/near/(1-near)
}

// before is the part of the light that is above a height, from the middle down.
func (s Slit) before(height phys.Length, way float64) float64 {
	part := within(phys.Length(math.Abs(float64(height))), s.High, way) / 2
	if height < 0 {
		part = -part
	}
	return 0.5 + part
}

// light is the part of the light in each strip of the slit, from the top down.
func (s Slit) light(way float64) (in [strips]float64) {
	above := 0.
	for i := range in {
		through := s.before(s.High*phys.Length(float64(i+1)/strips-0.5), way)
		in[i], above = through-above, through
	}
	return in
}

// taken is the part of the light that a drop takes whose lowest point is that far below the slit's middle.
func (s Slit) taken(diameter, lowest phys.Length, way float64, light *[strips]float64) float64 {
	radius := float64(diameter) / 2
	centre := float64(lowest) - radius
	sum := 0.
	for i, in := range light {
		y := float64(s.High)*((float64(i)+0.5)/strips-0.5) - centre
		if half := radius*radius - y*y; half > 0 {
			sum += in * within(phys.Length(math.Sqrt(half)), s.Wide, way)
		}
	}
	return sum
}

// Most is the part of the light that a drop takes in the middle of the slit, at a part of the way from slit to slit: 0
// is at one of them, where the light is even and a drop takes least. Midway it takes most.
func (s Slit) Most(diameter phys.Length, way float64) float64 {
	light := s.light(way)
	return s.taken(diameter, diameter/2, way, &light)
}

// Drop is where a drop breaks the beam that falls anywhere in the middle half of the way. Where one never takes enough
// it is counted at the middle of the slit, where it takes most: see Most.
func (s Slit) Drop(diameter phys.Length, share Share) Place {
	return share.place(func(way float64) func(float64) phys.Length {
		at := s.drop(diameter, way)
		return func(part float64) phys.Length {
			lowest, _ := at(part)
			return lowest
		}
	})
}

// DropAt is where the lowest point of a drop is, beyond the slit's middle, when it has taken a part of the light, at a
// part of the way between the slits; false: it never takes as much.
func (s Slit) DropAt(diameter phys.Length, part, way float64) (lowest phys.Length, breaks bool) {
	return s.drop(diameter, way)(part)
}

// drop follows a drop down to where it takes most, and gives where it has taken a part of the light, or never does.
func (s Slit) drop(diameter phys.Length, way float64) func(part float64) (lowest phys.Length, breaks bool) {
	var lowest, taken [steps + 1]float64
	far, light := float64(s.High+diameter)/2, s.light(way)
	for i := range lowest {
		lowest[i] = -float64(s.High)/2 + far*float64(i)/steps
		taken[i] = s.taken(diameter, phys.Length(lowest[i]), way, &light)
	}
	return func(part float64) (phys.Length, bool) {
		for i := 1; i <= steps; i++ {
			if taken[i] >= part {
				return phys.Length(lowest[i-1] + (lowest[i]-lowest[i-1])*(part-taken[i-1])/(taken[i]-taken[i-1])), true
			}
		}
		return phys.Length(lowest[steps]), false
	}
}

// Sheet is where a straight front breaks the beam.
func (s Slit) Sheet(share Share) Place {
	return share.place(func(way float64) func(float64) phys.Length {
		return func(part float64) phys.Length { return s.SheetAt(part, way) }
	})
}

// SheetAt is where a straight front is, beyond the slit's middle, when it has taken a part of the light, at a part of
// the way between the slits: before's inverse.
func (s Slit) SheetAt(part, way float64) phys.Length {
	near := min(way, 1-way)
	inside := math.Abs(1 - 2*part) // of the light, nearer to the middle
	out := inside * (1 - near) / 2
	if out > 0.5-near {
		out = 0.5 - math.Sqrt((1-inside)*near*(1-near))
	}
	return s.High * phys.Length(math.Copysign(out, part-0.5))
}

// place is the mean and standard deviation of what is at each share, anywhere in the middle half of the way, of which
// one part stands for the one beyond the middle.
func (s Share) place(along func(way float64) (at func(part float64) phys.Length)) Place {
	const parts, ways = 16, 4
	var sum, squares float64
	for i := range ways {
		at := along(Quarter + (Midway-Quarter)*(float64(i)+0.5)/ways)
		for j := range parts {
			x := float64(at(s.Least + (s.Most-s.Least)*(float64(j)+0.5)/parts))
			sum, squares = sum+x, squares+x*x
		}
	}
	mean := sum / parts / ways
	return Place{phys.Length(mean), phys.Length(math.Sqrt(max(squares/parts/ways-mean*mean, 0)))}
}
