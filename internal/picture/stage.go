package picture

import (
	"math"

	"stillwater/internal/phys"
	"stillwater/internal/scene"
)

// stage is a scene in its light before a camera: all that rays need, read only once it is made.
type stage struct {
	room    surroundings
	liquid  liquid
	body    *body // of a splash; nil for a throw
	sheets  []sheet
	spray   *spray // of a throw
	camera  camera
	far     float64 // z of the tray's far edge
	bottom  vec     // colour of the pool's floor
	caustic []float32
	flash   flash
}

// camera looks at a place; the width of its field is there.
type camera struct {
	from, at         vec
	width, aperture  float64 // aperture: radius of the lens's opening
	focus            float64 // distance of the plane in focus, as a share of that of at
	right, up, ahead vec
	distance         float64
}

func (c *camera) aim() {
	way := c.at.sub(c.from)
	c.distance = way.len()
	c.ahead = way.norm()
	c.right = c.ahead.cross(vec{0, 1, 0}).norm()
	c.up = c.right.cross(c.ahead)
}

// ray goes through a place in the picture, both -1 to 1 of half of its width, and one on the lens.
func (c *camera) ray(x, y, lensX, lensY float64) (o, d vec) {
	way := c.at.sub(c.from).mad(c.right, x*c.width/2).mad(c.up, y*c.width/2).mul(c.focus)
	lens := c.right.mul(lensX*c.aperture).mad(c.up, lensY*c.aperture)
	return c.from.add(lens), way.sub(lens).norm()
}

// project is where a place is in the picture, in the units of ray.
func (c *camera) project(p vec) (x, y, perMm float64) {
	v := p.sub(c.from)
	s := c.distance / max(v.dot(c.ahead), 1) / (c.width / 2)
	return v.dot(c.right) * s, v.dot(c.up) * s, s
}

// newStage sets a scene up.
func newStage(w scene.Water, l Light) *stage {
	s := &stage{liquid: liquidNamed(w.Liquid), flash: newFlash(l.Pulse).withGhosts(l.Ghosts)}
	if w.Pool {
		s.room = macroRoom(&l)
		s.body = splashBody(w, s.flash.over())
		s.far = -110
		_, bottom := l.backdrop()
		s.bottom = bottom.mul(0.2)
		s.caustic = s.body.caustics()
		s.camera = splashCamera(w, &l)
	} else {
		s.room = throwRoom(&l)
		s.camera = throwCamera(&l)
		parts := ballsOf(w)
		if w.Sheet != nil {
			sheets, around := throwSheets(*w.Sheet, w.Detail)
			s.sheets, parts = sheets, append(parts, around...)
		}
		s.spray = newSpray(parts, s.flash.over())
	}
	s.camera.from = s.camera.at.add(s.room.turned(s.camera.from.sub(s.camera.at)))
	s.camera.aim()
	return s
}

// FieldWidth is how wide a piece of the scene a picture shows, at what is pictured: over a pool, or of a throw.
func FieldWidth(l Light, pool bool) phys.Length {
	c := throwCamera(&l)
	if pool {
		c = splashCamera(scene.Water{}, &l)
	}
	return phys.Length(c.width * 1e-3)
}

// How wide a piece of a wider frame is shown, mm: the picture of a splash is cropped to the liquid.
const (
	splashWidth = 62.0
	tallWidth   = 84.0
)

// throwCut is how wide a piece of the usual frame of a throw is shown.
const throwCut phys.Length = 0.62

// splashCamera looks down on a splash.
func splashCamera(w scene.Water, l *Light) camera {
	tilt := l.Tilt
	if tilt == 0 {
		tilt = 9
		if w.Crown != nil || w.Crater != nil {
			tilt = 17
		}
	}
	sin, cos := math.Sincos(tilt * math.Pi / 180)
	width, middle := splashWidth, 9.0
	if l.Tall {
		width, middle = tallWidth, 15
	}
	low, high := middle-width/3, middle+width/3 // pictures are two thirds as high as they are wide
	if top := topOf(w) + overTop; top > high {
		width, middle = 1.5*(top-low), (top+low)/2
	}
	c := l.lens(width)
	c.at = vec{0, middle, 0}
	c.from = c.at.mad(vec{0, sin, cos}, c.distance)
	return c
}

// overTop is the room over what is tallest, mm: own choice.
const overTop = 4.0

// topOf is how high a column, or the sheet on it, is above the pool, mm.
func topOf(w scene.Water) (top float64) {
	if w.Column != nil {
		top = mm(w.Column.Height)
	}
	if w.Dome != nil {
		top = max(top, mm(w.Dome.Height))
	}
	return top
}

// throwCamera looks up a little.
func throwCamera(l *Light) camera {
	cut := mm(l.Cut)
	if cut == 0 {
		cut = math.Inf(1)
	}
	c := l.lens(cut)
	c.from = vec{0, c.distance / 30, c.distance}
	return c
}

// lens is a camera that is not pointed yet.
func (l *Light) lens(width float64) camera {
	focus, off := mm(l.Lens.Focus), mm(l.Off)
	c := camera{distance: max(focus+off, 0.1*focus), aperture: mm(l.Lens.Focal) / float64(l.Lens.Aperture) / 2}
	c.focus = focus / c.distance
	c.width = min(width, mm(l.Lens.Field(l.Picture.Sensor))/c.focus)
	return c
}

// caustics is how bright the floor of the pool is over the radius: light from straight above, refracted by the
// waves, comes together and parts. nil for a flat pool.
func (b *body) caustics() []float32 {
	if b.profile == nil {
		return nil
	}
	const bins, rays = 200, 6000
	sum := make([]float64, bins)
	scale := b.radius * 1.3 / bins
	const e = 0.05
	for i := range rays {
		r := (float64(i) + 0.5) / rays * b.radius * 1.3
		if r > b.radius-1 {
			sum[min(int(r/scale), bins-1)] += r
			continue
		}
		y := b.surfaceBelow(r)
		slope := (b.surfaceBelow(r+e) - b.surfaceBelow(math.Max(r-e, 0))) / (e + min(r, e))
		n := vec{-slope, 1, 0}.norm()
		d, _ := refract(vec{0, -1, 0}, n, 1/1.333)
		to := math.Abs(r + d.x/-d.y*(b.depth+y))
		if k := int(to / scale); k < bins {
			sum[k] += r
		}
	}
	out := make([]float32, bins)
	for k := range out { // a softbox has a size: its shadows are soft
		total, area := 0.0, 0.0
		for j := max(k-9, 0); j <= min(k+9, bins-1); j++ {
			w := 1 - math.Abs(float64(j-k))/10
			total += w * sum[j]
			area += w * (float64(j) + 0.5) * scale * scale / (b.radius * 1.3 / rays)
		}
		out[k] = float32(clamp(total/area, 0.5, 2))
	}
	return out
}

// surfaceBelow is the highest surface of pool or crater at a radius, under the crown.
func (b *body) surfaceBelow(r float64) float64 {
	low, high := -b.depth, b.crest
	if b.profile.at(r, high) < 0 {
		return high
	}
	y := high
	for range 12 {
		d := b.profile.at(r, y)
		y -= d
		if math.Abs(d) < 0.01 || y < low {
			break
		}
	}
	return max(y, low)
}

// floorAt is the colour of the pool's floor.
func (s *stage) floorAt(p vec) vec {
	if s.room.furnace {
		return grey(1)
	}
	r2 := p.x*p.x + p.z*p.z
	c := s.bottom.mul(1 / (1 + r2/8100))
	if s.caustic == nil {
		return c
	}
	x := math.Sqrt(r2) / (s.body.radius * 1.3 / float64(len(s.caustic)))
	i := int(x)
	if i >= len(s.caustic)-1 {
		return c
	}
	return c.mul(mix(float64(s.caustic[i]), float64(s.caustic[i+1]), x-float64(i)))
}
