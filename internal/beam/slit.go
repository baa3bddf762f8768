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
const strips, steps = 64, 128

// within is the part of the light that is within x of the middle of an opening, midway between two of them: where a ray
// is there is the mean of where it is at each, so that most of them are near the middle.
func within(x, opening phys.Length) float64 {
	outside := 1 - min(float64(2*x/opening), 1)
	return 1 - outside*outside
}

// before is the part of the light that is above a height, from the middle down.
func (s Slit) before(height phys.Length) float64 {
	part := within(phys.Length(math.Abs(float64(height))), s.High) / 2
	if height < 0 {
		part = -part
	}
	return 0.5 + part
}

// Taken is the part of the light that a drop takes whose lowest point is that far below the slit's middle.
func (s Slit) Taken(diameter, lowest phys.Length) float64 {
	radius := float64(diameter) / 2
	centre := float64(lowest) - radius
	sum, above := 0., 0.
	for i := range strips {
		edge := s.High * phys.Length(float64(i+1)/strips-0.5)
		light := s.before(edge) - above
		above += light
		y := float64(edge) - float64(s.High)/strips/2 - centre
		sum += light * within(phys.Length(math.Sqrt(max(radius*radius-y*y, 0))), s.Wide)
	}
	return sum
}

// Most is the part of the light that a drop takes in the middle of the slit.
func (s Slit) Most(diameter phys.Length) float64 { return s.Taken(diameter, diameter/2) }

// Drop is where a drop breaks the beam. One that never takes enough is counted at the middle of the slit, where it
// takes most.
func (s Slit) Drop(diameter phys.Length, share Share) Place {
	var lowest, taken [steps + 1]float64
	way := float64(s.High+diameter) / 2
	for i := range lowest {
		lowest[i] = -float64(s.High)/2 + way*float64(i)/steps
		taken[i] = s.Taken(diameter, phys.Length(lowest[i]))
	}
	return share.place(func(part float64) float64 {
		for i := 1; i <= steps; i++ {
			if taken[i] >= part {
				return lowest[i-1] + (lowest[i]-lowest[i-1])*(part-taken[i-1])/(taken[i]-taken[i-1])
			}
		}
		return lowest[steps]
	})
}

// Sheet is where a straight front breaks the beam.
func (s Slit) Sheet(share Share) Place {
	return share.place(func(part float64) float64 { // before's inverse
		depth := math.Sqrt(min(part, 1-part) / 2)
		if part > 0.5 {
			return float64(s.High) * (0.5 - depth)
		}
		return float64(s.High) * (depth - 0.5)
	})
}

// place is the mean and standard deviation of what is at each share.
func (s Share) place(at func(part float64) float64) Place {
	const parts = 16
	var sum, squares float64
	for i := range parts {
		x := at(s.Least + (s.Most-s.Least)*(float64(i)+0.5)/parts)
		sum, squares = sum+x, squares+x*x
	}
	mean := sum / parts
	return Place{phys.Length(mean), phys.Length(math.Sqrt(max(squares/parts-mean*mean, 0)))}
}
