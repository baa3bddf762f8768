package scene

import (
	"math"
	"math/rand/v2"
	"time"

	"stillwater/internal/liquids"
	"stillwater/internal/optics"
	"stillwater/internal/phys"
	"stillwater/internal/shot"
	"stillwater/internal/splash"
)

// Pictured is all that makes the picture of a flight.
type Pictured struct {
	Set     shot.Set
	Water   Water
	Opened  bool          // the shutter was open
	Exposed bool          // and the flash gave light then
	Door    time.Duration // for how long a door let light in while it was open
	Charge  float64       // of the flash's light when it is charged fully, 0 to 1
}

// RoomLight is what the room's light, and a door's, expose by while the shutter is open, in stops of a white subject;
// -Inf if there is none, or none is known.
func (p Pictured) RoomLight() optics.Stops { return roomLight(p.Set, p.Door) }

// Picture is what the camera pictured of a flight; false for a sound, of which nothing can be seen.
func (r *Room) Picture(f Flight) (Pictured, bool) {
	if f.Set.Kind == shot.Sound {
		return Pictured{}, false
	}
	at, fired, _ := r.flashDuring(f)
	if !fired { // what flies is drawn at its best moment
		at = f.Best
	}
	frame := r.Look(f)
	return Pictured{Set: f.Set, Water: f.WaterAt(at), Opened: frame.Opened, Exposed: frame.Exposed,
		Door: r.doorOpen(f, at), Charge: r.camera.chargeAt(at)}, true
}

// WaterAt is where the liquid is at a time.
func (f Flight) WaterAt(at time.Duration) Water {
	w := Water{Liquid: f.Set.Drop.Liquid, Detail: f.Detail}
	if f.Set.Kind == shot.Throw {
		w.Liquid = "water"
		if f.Arrives {
			w.Sheet = f.sheetAt(at)
		}
		return w
	}
	if f.Set.Kind == shot.Drops {
		return f.dropsAt(at)
	}
	w.Pool = true
	if f.Set.Kind != shot.Drop || len(f.Phases) == 0 {
		return w
	}
	if at < f.Contact {
		w.Balls = f.fallingAt(f.Contact - at)
		return w
	}
	if at < f.splashEnd() {
		f.splashAt(&w, at)
	}
	return w
}

// own is a stream of what only the eye notices.
func (f Flight) own() dice { return dice{rand.New(rand.NewPCG(f.Detail, 1<<40))} }

// fallingAt is the drop so long before contact: in free fall, drag over the last centimetres left out (under 0.1 mm),
// and swinging from long to flat.
func (f Flight) fallingAt(before time.Duration) []Ball {
	t, v := before.Seconds(), float64(f.Speed)
	speed := v - phys.Gravity*t
	if speed <= 0 {
		return nil
	}
	radius := float64(f.Diameter) / 2
	swing := f.swing(v/phys.Gravity - t)
	lowest := v*t - phys.Gravity*t*t/2
	return []Ball{{At: Point{Y: phys.Length(lowest + radius*(1+swing))}, Velocity: Velocity{Y: phys.Speed(-speed)},
		Diameter: f.Diameter, Stretch: swing}}
}

// swing is how much longer than round a drop is, so long after it let go. Frequency: Rayleigh's of an inviscid drop,
// 8 sigma/(rho r³) = w²; decay: Lamb's, r²/(5 nu). It starts a fifth longer, own choice.
func (f Flight) swing(t float64) float64 {
	liquid, err := liquids.Named(f.Set.Drop.Liquid)
	if err != nil {
		return 0
	}
	r := float64(f.Diameter) / 2
	w := math.Sqrt(8 * float64(liquid.SurfaceTension) / (float64(liquid.Density) * r * r * r))
	return 0.2 * math.Exp(-t*5*viscosity(liquid.Name)/(r*r)) * math.Cos(w*t+f.own().between(-0.5, 0.5))
}

// viscosity is kinematic, m²/s at room temperature, from memory.
func viscosity(liquid string) float64 {
	switch liquid {
	case "milk":
		return 1.8e-6
	case "glycerol-water":
		return 5.3e-6
	}
	return 1.0e-6
}

// craterRadius is the widest that the crater gets: the drop's kinetic energy, pi/12 rho d³ v², raises a hemisphere of
// liquid, pi/4 rho g R⁴.
func (f Flight) craterRadius() float64 {
	d, v := float64(f.Diameter), float64(f.Speed)
	return math.Pow(d*d*d*v*v/(3*phys.Gravity), 0.25)
}

// craterOpening is a radius, as a share of the widest, after a share of the time that it takes to get there. The
// energy of the flow around a growing hemisphere, pi rho R³ (dR/dt)², and what it has raised, pi/4 rho g R⁴, stay the
// same in sum: dR/dt² ~ (1 - R⁴)/R³. With R² = sin a, time is the integral of sin(a)^(1/4) da.
func craterOpening(share float64) float64 {
	const steps = 400
	whole := 0.0
	for i := range steps {
		whole += math.Pow(math.Sin((float64(i)+0.5)/steps*math.Pi/2), 0.25)
	}
	part := 0.0
	for i := range steps {
		if part >= share*whole {
			return math.Sqrt(math.Sin(float64(i) / steps * math.Pi / 2))
		}
		part += math.Pow(math.Sin((float64(i)+0.5)/steps*math.Pi/2), 0.25)
	}
	return 1
}

// phase is a phase's time after contact in seconds; false if this splash has none.
func (f Flight) phase(p splash.Phase) (float64, bool) {
	for _, q := range f.Phases {
		if q.Phase == p {
			return (q.At - f.Contact).Seconds(), true
		}
	}
	return 0, false
}

// Own choices, by eye of published photographs, no source.
const (
	crownShare    = 0.62  // height of a crown, of its crater's radius
	columnFoot    = 0.135 // radius of a column
	ringSpeed     = 0.25  // m/s, a little over the slowest that waves on water can be, 0.23 m/s
	ringDecay     = 0.12  // s
	fadingWidens  = 0.15  // of a crater while it closes
	withoutColumn = 1.8   // time until the crater of a slow drop is closed, of that until it is deepest
)

// splashAt adds crater, crown, column and rings after contact.
func (f Flight) splashAt(w *Water, at time.Duration) {
	t := (at - f.Contact).Seconds()
	widest := f.craterRadius()
	deepest, _ := f.phase(splash.CraterDeepest)
	closed, column := f.phase(splash.ColumnEmerges)
	if !column {
		closed = withoutColumn * deepest
	}
	radius := func(t float64) float64 {
		if t < deepest {
			return widest * max(craterOpening(t/deepest), 0.05)
		}
		return widest * (1 + fadingWidens*min((t-deepest)/(closed-deepest), 1))
	}
	const dt = 1e-4
	widens := phys.Speed((radius(t+dt) - radius(max(t-dt, 0))) / (2 * dt))
	if t < closed {
		depth := radius(t)
		if t > deepest {
			u := (t - deepest) / (closed - deepest)
			depth = widest * (1 - u*u)
		}
		w.Crater = &Crater{Radius: phys.Length(radius(t)), Depth: phys.Length(depth), Widening: widens}
	}
	highest, _ := f.phase(splash.CrownHighest)
	if age := t / highest; column && age < 2 {
		w.Crown = &Crown{Radius: phys.Length(radius(t) * 1.03), Height: phys.Length(crownShare * widest * age * (2 - age)),
			Widening: widens, Rising: phys.Speed(crownShare * widest * 2 * (1 - age) / highest),
			Lean: f.own().between(-0.05, 0.05), Age: age}
	}
	if column {
		w.Column = f.columnAt(t, widest)
	}
	if front := radius(t) + 1e-3 + ringSpeed*t; t > 0.003 {
		w.Rings = &Rings{Front: phys.Length(min(front, 2.2*widest)), Wavelength: phys.Length(0.26 * widest),
			Height: phys.Length(0.022 * widest * math.Exp(-t/ringDecay) * smoothly(t/0.02))}
	}
}

// smoothly goes from 0 to 1.
func smoothly(x float64) float64 {
	x = min(max(x, 0), 1)
	return x * x * (3 - 2*x)
}

// columnAt is the column so long after contact: its tip rises as high as gravity allows in the time that it has, and
// falls back in the time that it has.
func (f Flight) columnAt(t, widest float64) *Column {
	from, _ := f.phase(splash.ColumnEmerges)
	highest, _ := f.phase(splash.ColumnHighest)
	gone, _ := f.phase(splash.ColumnGone)
	if t <= from || t >= gone {
		return nil
	}
	top := phys.Gravity * (highest - from) * (highest - from) / 2
	u := (t - highest) / (highest - from)
	c := Column{Lean: f.own().between(-0.03, 0.03)}
	rising := -2 * top * u / (highest - from)
	c.Neck = 0.9 * smoothly(1.4*u+1.2)
	if u > 0 {
		u = (t - highest) / (gone - highest)
		rising = -2 * top * u / (gone - highest)
		c.Neck = 0.9 + 1.4*u
	}
	h := top * (1 - u*u)
	c.Height, c.Rising = phys.Length(h), phys.Speed(rising)
	c.Foot = phys.Length(columnFoot * widest * (1.35 - 0.35*h/top))
	return &c
}
