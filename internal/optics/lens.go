package optics

import (
	"math"

	"stillwater/internal/phys"
)

// Lens is a thin lens that is focused: all distances are from it.
type Lens struct {
	Focal    phys.Length
	Aperture FNumber     // as marked; what the mark stands for counts, for light, depth and diffraction alike
	Focus    phys.Length // to the plane in focus, more than the focal length
}

// ratio is the f-number that the aperture's mark stands for.
func (l Lens) ratio() FNumber { return ExactFNumber(l.Aperture) }

// Magnification is the image's size by the subject's: f/(s-f).
func (l Lens) Magnification() float64 { return float64(l.Focal / (l.Focus - l.Focal)) }

// WorkingFNumber is the f-number that counts for light and diffraction: the lens stands further from the sensor the
// nearer its subject, and N becomes N (1+m). Cameras that show it by themselves have counted it already.
func (l Lens) WorkingFNumber() FNumber {
	return l.ratio() * FNumber(1+l.Magnification())
}

// Hyperfocal is the distance at which the far limit becomes infinite: f²/(N c) + f, with c the circle of confusion.
func (l Lens) Hyperfocal(c phys.Length) phys.Length {
	return l.Focal*l.Focal/(phys.Length(l.ratio())*c) + l.Focal
}

// Depth is the near and the far limit of what is sharp to a circle of confusion; far may be infinite.
func (l Lens) Depth(c phys.Length) (near, far phys.Length) {
	h, s, f := l.Hyperfocal(c), l.Focus, l.Focal
	near = s * (h - f) / (h + s - 2*f)
	if s >= h {
		return near, phys.Length(math.Inf(1))
	}
	return near, s * (h - f) / (h - s)
}

// DefocusCircle is the diameter on the sensor of the disc that a point at another distance makes.
func (l Lens) DefocusCircle(at phys.Length) phys.Length {
	opening := l.Focal / phys.Length(l.ratio())
	off := (at - l.Focus) / at
	return opening * phys.Length(l.Magnification()) * max(off, -off)
}

// wavelength is green light, at which the eye is most sensitive (CIE 1924: 555 nm; from memory).
const wavelength = 555 * nm

// Airy is the diameter on the sensor of the disc that diffraction makes of a point, to its first dark ring: 2.44 lambda
// N (1+m) (G. B. Airy 1835; from memory).
func (l Lens) Airy() phys.Length { return 2.44 * wavelength * phys.Length(l.WorkingFNumber()) }

// Disc is the diameter on the sensor of a point at a distance, by defocus and diffraction in quadrature. The quadrature
// is an approximation; its minimum is within a third of a stop of exact ones (from memory).
func (l Lens) Disc(at phys.Length) phys.Length {
	return phys.Length(math.Hypot(float64(l.DefocusCircle(at)), float64(l.Airy())))
}

// BestAperture is the mark, among those that a lens has, that makes the larger disc at the two ends of a depth
// smallest; the widest if it has none.
func (l Lens) BestAperture(near, far phys.Length, widest, narrowest FNumber) FNumber {
	best, smallest := widest, phys.Length(math.Inf(1))
	for _, n := range FNumberMarks() {
		if n < widest || n > narrowest {
			continue
		}
		l.Aperture = n
		if d := max(l.Disc(near), l.Disc(far)); d < smallest {
			best, smallest = n, d
		}
	}
	return best
}

// NarrowestSharp is the smallest opening whose diffraction alone makes no larger disc than a circle of confusion, among
// those that a lens has; 0 if none.
func (l Lens) NarrowestSharp(c phys.Length, widest, narrowest FNumber) (sharp FNumber) {
	for _, n := range FNumberMarks() {
		l.Aperture = n
		if n >= widest && n <= narrowest && l.Airy() <= c {
			sharp = n
		}
	}
	return sharp
}

// NearestFocus is how far from a lens the nearest spot is on which it can be focused, when that is so far from the
// sensor's plane, as it is written on lenses: a thin lens stands s f/(s-f) before the sensor. Nearer than four focal
// lengths from the sensor no thin lens focuses; one that does shortens its focal length, and is taken at life size, in
// the middle.
func NearestFocus(focal, fromSensor phys.Length) phys.Length {
	d := float64(fromSensor)
	return phys.Length((d + math.Sqrt(max(d*d-4*d*float64(focal), 0))) / 2)
}

// Field is how wide a piece of the plane in focus a sensor that wide shows.
func (l Lens) Field(sensor phys.Length) phys.Length {
	return sensor / phys.Length(l.Magnification())
}

// FocusFor is the distance at which a sensor shows a piece of the plane that wide.
func (l Lens) FocusFor(sensor, field phys.Length) phys.Length { return l.Focal * (1 + field/sensor) }

// printCircle is the smallest disc that the eye tells from a point on a print at reading distance, 25 cm: common
// practice, no source.
const printCircle = 0.2 * mm

// CircleFor is the circle of confusion for a picture that is printed that wide and read at 25 cm.
func CircleFor(sensor, print phys.Length) phys.Length { return printCircle * sensor / print }

// WithinBand is the probability that something of a size, which is off by a normal error with standard deviation sd, is
// wholly between two limits; both are distances from where it is aimed.
func WithinBand(before, after, size, sd phys.Length) float64 {
	before, after = before-size/2, after-size/2
	switch {
	case before < 0 || after < 0:
		return 0
	case sd <= 0:
		return 1
	}
	below := func(x phys.Length) float64 { return math.Erfc(-float64(x/sd)/math.Sqrt2) / 2 }
	return below(after) - below(-before)
}
