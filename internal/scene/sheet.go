package scene

import (
	"math"
	"math/rand/v2"
	"time"

	"stillwater/internal/liquids"
	"stillwater/internal/phys"
	"stillwater/internal/shot"
)

// parcel is a part of what is thrown. It leaves the hand beside the middle and goes on at a speed of its own, so that
// all of them together spread. Lengths in metres, speeds in m/s, both from the middle's: along the way, across it in
// the sheet, and towards the camera.
type parcel struct {
	along, across, depth    float64
	vAlong, vAcross, vDepth float64
}

// Own choice, by eye, no source.
const (
	parcels                    = 48
	handLong, handWide         = 0.10, 0.06 // of the liquid as it leaves the hand
	minStretches, maxStretches = 0.7, 1.1   // m/s, of the front over the tail
	widens                     = 0.6        // of that, of one side over the other
	stray                      = 0.06       // m/s, SD, of a parcel by itself
	deepens                    = 0.04       // m/s, SD, towards the camera
	tearsAt                    = 0.5e-3     // m: a film this thin has a hole soon, by a bubble or a fold
)

// rayleighBreak is how many sqrt(rho r³/sigma) a thread of liquid lasts: the fastest wave on it grows by 0.34 of that
// (Rayleigh 1879, from memory), and has to grow a hundredfold.
const rayleighBreak = 4.6 / 0.34

// throwApart draws the parcels of a throw.
func (f *Flight) throwApart() {
	rng := dice{rand.New(rand.NewPCG(f.Detail, 1<<42))}
	stretches := rng.between(minStretches, maxStretches)
	for range parcels {
		a, b := rng.between(-0.5, 0.5), rng.between(-0.5, 0.5)
		f.parcels = append(f.parcels, parcel{
			along: a * handLong, across: b * handWide,
			vAlong:  a*stretches + rng.normal(stray),
			vAcross: b*stretches*widens + rng.normal(stray),
			vDepth:  rng.normal(deepens),
		})
	}
}

// inFlight is how long a throw is out of the hand.
func (f Flight) inFlight(at time.Duration) float64 {
	fromHand := float64(handToGate+f.Set.Throw.Gate) / float64(f.Passing)
	return max((at-f.Contact).Seconds()+fromHand, 0)
}

// sheetAt is a thrown sheet: its middle follows the path, from where the room's equation of motion had it at the focus
// spot, and its parcels go their own ways about it.
func (f Flight) sheetAt(at time.Duration) *Sheet {
	s := f.middleAt(at)
	f.spreadOut(s, f.inFlight(at))
	return s
}

// middleAt is a thrown sheet without its parcels.
func (f Flight) middleAt(at time.Duration) *Sheet {
	t := (at - f.Best).Seconds()
	vx, vy := float64(f.Through.X), float64(f.Through.Y)
	return &Sheet{
		At: Point{X: phys.Length(vx * t), Y: phys.Length(float64(f.Above) + vy*t - phys.Gravity*t*t/2),
			Z: f.Aside},
		Velocity: Velocity{X: f.Through.X, Y: phys.Speed(vy - phys.Gravity*t)},
	}
}

// spreadOut places the parcels so long after they left the hand.
func (f Flight) spreadOut(s *Sheet, age float64) {
	sin, cos := math.Sincos(float64(f.Angle)) // gravity is the same for all: they keep the directions they left with
	long, wide := f.extent(age)
	s.Length, s.Width = phys.Length(long), phys.Length(wide)
	film := film{volume: volumeOf(f.Set.Throw.Mass) / parcels}
	s.Thickness = phys.Length(film.volume * parcels / (math.Pi / 4 * long * wide))
	torn := 0.0
	for _, p := range f.parcels {
		a, b, c := p.along+p.vAlong*age, p.across+p.vAcross*age, p.depth+p.vDepth*age
		one := Parcel{
			At: Point{X: s.At.X + phys.Length(a*cos-b*sin), Y: s.At.Y + phys.Length(a*sin+b*cos), Z: s.At.Z + phys.Length(c)},
			Velocity: Velocity{X: s.Velocity.X + phys.Speed(p.vAlong*cos-p.vAcross*sin),
				Y: s.Velocity.Y + phys.Speed(p.vAlong*sin+p.vAcross*cos), Z: phys.Speed(p.vDepth)},
		}
		one.Form, one.Size = film.at(f.sides(p), age)
		torn += map[Form]float64{Thread: 0.6, Drop: 1}[one.Form]
		s.Parcels = append(s.Parcels, one)
	}
	s.Breakup = min(max(torn/float64(max(len(f.parcels), 1)), 0.1), 1)
}

// extent is how long and wide the parcels are all together: of a uniform spread, sqrt(12) standard deviations.
func (f Flight) extent(age float64) (long, wide float64) {
	var a, b float64
	for _, p := range f.parcels {
		a += math.Pow(p.along+p.vAlong*age, 2)
		b += math.Pow(p.across+p.vAcross*age, 2)
	}
	n := float64(max(len(f.parcels), 1))
	return math.Sqrt(12 * a / n), math.Sqrt(12 * b / n)
}

// sides are the sides of the piece of film that a parcel is, at any age: its share of the sheet's. One that goes away
// from the others is drawn thinner.
func (f Flight) sides(p parcel) func(age float64) (long, wide float64) {
	pulled := 1 + math.Hypot(p.vAlong, p.vAcross)
	return func(age float64) (float64, float64) {
		long, wide := f.extent(age)
		share := pulled / math.Sqrt(parcels)
		return long * share, wide * share
	}
}

// film is one parcel's liquid.
type film struct{ volume float64 }

// at is what has become of a piece of film whose sides are known at any age, and how thick that is. It tears when it is
// thin; its edges draw back at Culick's speed, sqrt(2 sigma/(rho h)), until it is a thread; that lasts as long as
// Rayleigh's wave on it takes.
func (f film) at(sides func(age float64) (long, wide float64), age float64) (Form, phys.Length) {
	thick := func(age float64) float64 { a, b := sides(age); return f.volume / (a * b) }
	if thick(age) > tearsAt {
		return Film, phys.Length(thick(age))
	}
	whole, torn := 0.0, age // the age at which it tears is between
	for range 20 {
		if middle := (whole + torn) / 2; thick(middle) > tearsAt {
			whole = middle
		} else {
			torn = middle
		}
	}
	long, wide := sides(torn)
	water, _ := liquids.Named("water")
	perMass := float64(water.SurfaceTension) / float64(water.Density)
	drawn := torn + wide/2/math.Sqrt(2*perMass/tearsAt)
	if age < drawn {
		return Film, phys.Length(thick(age))
	}
	radius := math.Sqrt(f.volume / (math.Pi * long))
	if age < drawn+rayleighBreak*math.Sqrt(radius*radius*radius/perMass) {
		return Thread, phys.Length(2 * radius)
	}
	// The fastest wave is 9.02 radii long: each becomes a drop (Rayleigh, from memory).
	return Drop, phys.Length(2 * radius * math.Cbrt(9.02*3/4))
}

// volumeOf is the volume of what is thrown: a set has the diameter of a sphere of it.
func volumeOf(mass phys.Length) float64 { return math.Pi / 6 * math.Pow(float64(mass), 3) }

// passLength is how long a throw's liquid is where it passes a beam so long before or after the second one.
func (f Flight) passLength(set shot.ThrowSet, later float64) float64 {
	long, _ := f.extent(max(float64(handToGate+set.Gate)/float64(f.Passing)+later, 0))
	return long
}
