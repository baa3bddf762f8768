package optics

import (
	"math"

	"stillwater/internal/phys"
)

// Blur is how far something moves while it is lit, at the subject and in the picture.
type Blur struct {
	Subject phys.Length
	Sensor  phys.Length
	Pixels  float64     // of the camera
	Print   phys.Length // on a print that wide
	Screen  float64     // pixels of a screen that shows the whole width
}

// Screen is the width of the screen that blur is stated for, in pixels: own choice, of a common one.
const Screen = 1920

// Picture is where a picture is recorded and how large it is looked at.
type Picture struct {
	Sensor phys.Length // its width
	Pixels int         // across it
	Print  phys.Length // the width of a print
}

// BlurOf is the blur of something that moves across the view at a speed, by a light that lasts for a time, through a
// lens focused on it.
func BlurOf(v phys.Speed, lasts phys.Time, l Lens, p Picture) Blur {
	return blur(phys.Length(float64(v)*float64(lasts)), l, p)
}

// BlurAtTurn is the blur of something that is at its highest in the middle of the time that a light lasts, and rises
// and falls freely.
func BlurAtTurn(lasts phys.Time, l Lens, p Picture) Blur {
	return blur(phys.Length(phys.Gravity*float64(lasts*lasts)/8), l, p)
}

// blur is the blur of what moves so far across the view.
func blur(moves phys.Length, l Lens, p Picture) Blur {
	b := Blur{Subject: moves}
	b.Sensor = b.Subject * phys.Length(l.Magnification())
	share := float64(b.Sensor / p.Sensor)
	b.Pixels, b.Print, b.Screen = share*float64(p.Pixels), phys.Length(share)*p.Print, share*Screen
	return b
}

// LongestLight is how long the light may last for a blur, at the subject, that the eye does not see on the print.
func LongestLight(v phys.Speed, l Lens, p Picture) phys.Time {
	return phys.Time(float64(SharpBlur(l, p)) / float64(v))
}

// LongestAtApex is the same for a subject at the top of its path, where only gravity moves it.
func LongestAtApex(l Lens, p Picture) phys.Time {
	return phys.Time(math.Sqrt(8 * float64(SharpBlur(l, p)) / phys.Gravity))
}

// SharpBlur is the blur at the subject that the eye does not see on the print.
func SharpBlur(l Lens, p Picture) phys.Length {
	return CircleFor(p.Sensor, p.Print) / phys.Length(l.Magnification())
}
