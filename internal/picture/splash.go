package picture

import (
	"math"

	"stillwater/internal/phys"
	"stillwater/internal/scene"
)

func mm(l phys.Length) float64 { return float64(l) * 1e3 }

func point(p scene.Point) vec { return vec{mm(p.X), mm(p.Y), mm(p.Z)} }

// perMs is a velocity in mm per ms, which is m/s.
func perMs(v scene.Velocity) vec { return vec{float64(v.X), float64(v.Y), float64(v.Z)} }

// poolDepth is how far below the surface the floor is: own choice, no source.
const poolDepth = 60

// splashBody is the liquid of a splash, or of drops alone; flash is how long the light lasts, ms.
//
// What the scene has no law for (how thick a wall is, how many fingers stand on a rim) is here, and is own choice by
// eye, no source, unless it says otherwise.
func splashBody(w scene.Water, flash float64) *body {
	b := &body{pool: w.Pool, depth: poolDepth}
	d := dice(w.Detail)
	parts := ballsOf(w)
	if w.Pool {
		b.breeze = 0.003
		s := shapesOf(w)
		switch {
		case w.Dome != nil:
			parts = append(parts, b.openDome(w, &d)...)
		case w.Crown != nil:
			parts = append(parts, b.raiseCrown(w.Crown, &d)...)
		}
		if w.Column != nil {
			parts = append(parts, s.columnParts(w.Column)...)
			b.lean = w.Column.Lean
			if h := mm(w.Column.Height); h > 1 {
				b.rises = clamp(float64(w.Column.Rising)/h, -0.2, 0.2)
			}
		}
		b.revolve(s)
	}
	b.parts = newGrid(parts, flash)
	return b
}

// ballsOf are the free drops of which the scene knows.
func ballsOf(w scene.Water) (parts []part) {
	for _, b := range w.Balls {
		parts = append(parts, newDrop(point(b.At), vec{0, 1, 0}, mm(b.Diameter)/2, b.Stretch, 0.4, perMs(b.Velocity)))
	}
	return parts
}

// revolve tabulates the shapes.
func (b *body) revolve(s shapes) {
	if s.still() {
		return
	}
	b.core, b.top, b.crest, b.radius = s.core(), s.top(), s.crest(), s.radius()
	low := -1.5 - s.craterDepth
	if b.top < 1 {
		b.top = 1
	}
	b.deepest = s.craterDepth + b.crest + 0.6
	b.waves, b.wavelength = newWaves(b.radius, s.surface), s.wavelength
	b.profile = newProfile(b.radius+0.5, low, b.top+0.5, 0.11, s.distance)
	b.depth = max(b.depth, s.craterDepth+5)
}

// shapes are the bodies of revolution of a splash, mm.
type shapes struct {
	front, wavelength, amplitude float64 // waves

	craterRadius, craterDepth, lip float64

	crown                            bool
	crownRadius, crownHeight, flare  float64
	wallFoot, wallRim, rimThick      float64
	column                           bool
	tip, foot, neck, bulb            float64
	dome                             bool
	domeY, domeR, domeDroop, domeRim float64
}

func shapesOf(w scene.Water) shapes {
	var s shapes
	if r := w.Rings; r != nil {
		s.front, s.wavelength, s.amplitude = mm(r.Front), mm(r.Wavelength), mm(r.Height)
	}
	if c := w.Crater; c != nil && c.Depth > 0 {
		s.craterRadius, s.craterDepth = mm(c.Radius), mm(c.Depth)
		s.lip = min(0.16*s.craterDepth, 2)
	}
	if c := w.Crown; c != nil && c.Height > 0 {
		s.crown, s.crownRadius, s.crownHeight = true, mm(c.Radius), mm(c.Height)
		s.flare = 0.38 * s.crownHeight * (1 + 0.3*(c.Age-1))
		size := 0.3 + 0.03*s.crownRadius
		s.wallFoot, s.wallRim, s.rimThick = 0.9*size, 0.33*size, (0.55+0.22*c.Age)*size
	}
	if c := w.Column; c != nil && c.Height > 0 {
		s.column, s.tip, s.foot = true, mm(c.Height), mm(c.Foot)
		s.neck = 1 - clamp(c.Neck, 0, 1)
		s.bulb = min(1.1*s.foot, 0.13*s.tip+0.15)
	}
	if c := w.Dome; c != nil && c.Radius > 0 {
		s.dome, s.domeY, s.domeR, s.domeDroop = true, mm(c.Height), mm(c.Radius), mm(c.Droop)
		s.domeRim = clamp(0.2+0.012*s.domeR, 0.2, 0.5)
	}
	return s
}

// still reports that nothing but a flat pool is there.
func (s *shapes) still() bool {
	return !s.crown && !s.column && !s.dome && s.craterDepth == 0 && s.amplitude == 0
}

func (s *shapes) core() float64 {
	r := 1.0
	if s.craterDepth > 0 {
		r = max(r, s.craterRadius+2.5)
	}
	if s.crown {
		r = max(r, s.crownRadius+1.35*s.flare+2)
	}
	if s.column {
		r = max(r, s.columnFoot())
	}
	if s.dome {
		r = max(r, 1.25*s.domeR+1)
	}
	return r
}

func (s *shapes) top() float64 {
	y := s.crest()
	if s.crown {
		y = max(y, 1.35*s.crownHeight+1)
	}
	if s.column {
		y = max(y, s.tip+1)
	}
	if s.dome {
		y = max(y, s.domeY+0.25*s.domeR+1)
	}
	return y
}

// crest is the height of what is outside of the core.
func (s *shapes) crest() float64 { return 1.15*s.amplitude + 0.1*s.lip + 0.02 }

// radius is where the waves end.
func (s *shapes) radius() float64 { return max(s.core()+1, s.front+9*s.wavelength) }

// surface is the height of the pool's surface at a radius, without crater and column.
func (s *shapes) surface(r float64) float64 {
	h := 0.0
	if s.amplitude > 0 {
		rise := smooth(s.front-4*s.wavelength, s.front-s.wavelength, r)
		fall := smooth(s.front+8.8*s.wavelength, s.front+3*s.wavelength, r) * math.Exp(-max(r-s.front, 0)/(2.4*s.wavelength))
		h = s.amplitude * max(rise, 0.25) * fall * math.Cos(2*math.Pi*(r-s.front)/s.wavelength)
	}
	if s.lip > 0 {
		u := (r - s.craterRadius - 0.5*s.lip) / max(0.9*s.lip, 0.3)
		if u > 0 {
			u *= 0.5
		}
		h += s.lip * math.Exp(-u*u)
	}
	return h
}

// distance is the distance to the nearest of all shapes.
func (s *shapes) distance(r, y float64) float64 {
	const e = 0.02
	h := s.surface(r)
	slope := (s.surface(r+e) - s.surface(math.Max(r-e, 0))) / (e + min(r, e))
	d := (y - h) / math.Sqrt(1+slope*slope)
	if s.craterDepth > 0 {
		d = -join(-d, s.cavity(r, y), min(1.3, 0.25*s.craterDepth))
	}
	if s.crown {
		d = join(d, s.wall(r, y), min(1.2, 0.3*s.crownHeight))
	}
	if s.column {
		d = join(d, s.stem(r, y), min(2.4, 0.6*s.foot+0.2))
	}
	if s.dome {
		d = join(d, s.umbrella(r, y), 1.6)
	}
	return d
}

// cavity is the distance to the crater's hollow: a spheroid around a point a little above the surface.
func (s *shapes) cavity(r, y float64) float64 {
	a, c := s.craterRadius*1.03, s.craterDepth*1.25
	y -= 0.25 * s.craterDepth
	k0 := hypot(r/a, y/c)
	k1 := hypot(r/(a*a), y/(c*c))
	if k1 < 1e-9 {
		return -min(a, c)
	}
	return k0 * (k0 - 1) / k1
}

// wall is the crown's, with its rim.
func (s *shapes) wall(r, y float64) float64 {
	u := clamp(y/s.crownHeight, -0.4, 1)
	middle, slope := s.crownRadius+s.flare*u*u, 2*s.flare*u/s.crownHeight
	across := (r - middle) / math.Sqrt(1+slope*slope)
	beyond := max(y-s.crownHeight, -0.4*s.crownHeight-y, 0)
	sheet := hypot(across, beyond) - mix(s.wallFoot, s.wallRim, math.Sqrt(max(u, 0)))
	ring := hypot(r-middle, y-s.crownHeight) - s.rimThick
	return join(sheet, ring, 0.9*s.rimThick)
}

func (s *shapes) columnFoot() float64 { return s.foot*2.6 + 4 }

// stemRadius is the column's radius at a height: wide at its foot, waisted below the drop at its tip.
func (s *shapes) stemRadius(y float64) float64 {
	u := y / s.tip
	r := s.foot*(1.18-0.5*u) + s.foot*1.5*math.Exp(-y/(0.9*s.foot+0.15*s.tip))
	r *= 1 + 0.07*math.Sin(2*math.Pi*y/(5.2*s.foot)+0.6)
	waist := s.tip - 2.1*s.bulb
	return r * (1 - (1-0.55*s.neck)*gauss(y-waist, 1.5*s.bulb)*smooth(0.5*s.bulb, 3*s.bulb, s.tip))
}

// stem is the column without the drop that has parted from it.
func (s *shapes) stem(r, y float64) float64 {
	const e = 0.05
	end := s.tip - 2.0*s.bulb
	if s.neck > 0.02 || s.tip < 3*s.bulb {
		end = s.tip - s.bulb
	}
	end = max(end, 0.2)
	yy := min(y, end)
	radius := s.stemRadius(yy)
	slope := (s.stemRadius(yy+e) - s.stemRadius(yy-e)) / (2 * e)
	d := (r - radius) / math.Sqrt(1+slope*slope)
	if y > end {
		cap := hypot(max(r-0.4*radius, 0), y-end) - 0.6*radius
		d = cap
	}
	if s.neck > 0.02 {
		bulb := min(s.bulb, 0.5*s.tip+0.2)
		d = join(d, hypot(r, (y-s.tip+bulb)*0.92)-bulb, 0.9*bulb)
	}
	return d
}

// umbrella is the dome's sheet.
func (s *shapes) umbrella(r, y float64) float64 {
	u := r / s.domeR
	v := min(u, 1)
	middle := s.domeY + 0.18*s.domeR*v - (s.domeDroop+0.18*s.domeR)*v*v
	slope := (0.18 - 2*v*(s.domeDroop/s.domeR+0.18))
	across := (y - middle) / math.Sqrt(1+slope*slope)
	inner := (s.domeR - r) * math.Sqrt(1+slope*slope)
	thick := mix(mix(0.75*s.foot+0.1, 0.13, smooth(0, 0.55, u)), s.domeRim, smooth(3*s.domeRim, s.domeRim, inner))
	return hypot(max(s.domeRim-inner, 0), across) - thick
}

// columnParts is the drop that has left the column's tip, and small ones of the thread between.
func (s *shapes) columnParts(c *scene.Column) (parts []part) {
	if s.neck > 0.02 || !s.column {
		return nil
	}
	moves := vec{0, float64(c.Rising), 0}
	free := c.Neck - 1 // the gap grows with this
	at := vec{c.Lean * s.tip, s.tip - s.bulb, 0}
	parts = append(parts, newDrop(at.add(vec{0, free * s.bulb, 0}), vec{0, 1, 0}, s.bulb, 0.1*math.Cos(9*free),
		0.5, moves))
	return append(parts, newDrop(at.add(vec{0.1, -1.55*s.bulb + 0.4*free*s.bulb, 0}), vec{0, 1, 0}, 0.16*s.bulb,
		0, 0.1, moves))
}
