package scene

import "stillwater/internal/phys"

// Point is a place. A splash is measured from the surface below the nozzle, a throw from the focus spot: x to the right
// and the way that is thrown, y up, z towards the camera.
type Point struct{ X, Y, Z phys.Length }

// Velocity is how fast something moves, in the directions of Point.
type Velocity struct{ X, Y, Z phys.Speed }

// Water is where the liquid is at one instant, and how fast its parts move. Nil parts are not there.
type Water struct {
	Liquid string // a name in liquids.All
	Detail uint64 // the seed of what no law here speaks of: where on a rim a finger stands, where a sheet has holes
	Pool   bool   // there is a surface; without one, a throw
	Balls  []Ball // free drops of which a law is known
	Crater *Crater
	Crown  *Crown
	Column *Column
	Dome   *Dome
	Rings  *Rings
	Sheet  *Sheet
}

// Ball is a drop in free flight.
type Ball struct {
	At       Point
	Velocity Velocity
	Diameter phys.Length // of the sphere of its volume
	Stretch  float64     // how much longer than that sphere it is from top to bottom, as a fraction; negative: flatter
}

// Crater is the cavity in the surface.
type Crater struct {
	Radius, Depth phys.Length
	Widening      phys.Speed
}

// Crown is the wall that is thrown up around the crater.
type Crown struct {
	Radius, Height   phys.Length // at the foot; above the surface
	Widening, Rising phys.Speed
	Lean             float64 // slope of the plane of its rim to the right
	Age              float64 // 0 when it appears, 1 at its highest, 2 when it has fallen back
}

// Column is the jet from the crater's middle.
type Column struct {
	Height phys.Length // of its tip above the surface
	Foot   phys.Length // its radius at half of its height
	Rising phys.Speed
	Lean   float64 // to the right, per unit of height
	Neck   float64 // how far the drop at its tip has parted from it: 0 not at all, 1 it is free
}

// Dome is the sheet that opens where a drop has met a column.
type Dome struct {
	Height   phys.Length // of its middle above the surface
	Radius   phys.Length
	Widening phys.Speed
	Droop    phys.Length // how much lower its edge is than its middle
}

// Rings are the waves that run outwards.
type Rings struct {
	Front      phys.Length // radius of the first
	Wavelength phys.Length
	Height     phys.Length // amplitude at the front
}

// Sheet is thrown liquid in flight.
type Sheet struct {
	At            Point // its middle
	Velocity      Velocity
	Length, Width phys.Length
	Thickness     phys.Length // of its film, were it even
	Breakup       float64     // 0 whole, 1 threads and drops
	Parcels       []Parcel    // what it is made of
}

// Form is what a parcel of a sheet has become.
type Form uint8

// In the order in which a sheet goes through them.
const (
	Film Form = iota
	Thread
	Drop
)

// Parcel is a part of a sheet.
type Parcel struct {
	At       Point
	Velocity Velocity
	Form     Form
	Size     phys.Length // a film's thickness, a thread's or a drop's diameter
}
