package picture

import (
	"math"

	"stillwater/internal/optics"
	"stillwater/internal/phys"
)

// Light is how the picture is lit, exposed and focused. Its zero value is not useful: begin with Studio.
type Light struct {
	// Light has the exposures, in stops of a white subject from the sensor's full range, how long the flash lasts, the
	// lens, and the angles that the bright background and the black beside it fill. What it says of being known is not
	// looked at. A Room of -Inf, or a Pulse of zero, is none.
	optics.Light
	Speed optics.ISO  // for the grain
	Open  phys.Time   // how long the shutter is open
	Shut  bool        // the shutter was shut: black
	Unlit bool        // the flash did not fire while it was open: the room's light alone
	Off   phys.Length // by which the focus spot is behind the plane in focus; before it is negative
	Turn  phys.Angle  // of the camera, with its background, from square to the way that is thrown
	Tilt  float64     // degrees by which the camera looks down on a splash; 0: as suits what is there
	Tall  bool        // what splashes is tall: the camera looks higher, and shows more
	Cut   phys.Length // of a throw, how wide a piece of the frame is shown; 0: all of it

	Gel     Gel     // on the background's light
	Falloff float64 // how much darker the background's corners are; 0 is even
}

// Gel is the colour of the background from top to bottom, as shares of its light. The brightest share is usually 1.
type Gel struct{ Top, Bottom [3]float64 }

// Studio is a usual light: a light grey background with a gel, a softbox, an umbrella and black panels, a room twelve
// stops below. A compact flash at 1/32 of its power, 1/20,000 s to half of its peak: common practice, no source.
func Studio() Light {
	const half = phys.Time(35e-6)
	return Light{
		Light: optics.Light{Background: optics.BackgroundAim.Stops(), Room: -12,
			Pulse: optics.LightPulse{Half: half, Tenth: half * optics.TenthOverHalf},
			Lens:  optics.Lens{Focal: 0.1, Aperture: 16, Focus: 0.4}, Picture: optics.Picture{Sensor: 36e-3},
			Bright: optics.HalfAngle(0.46, 0.3), Black: optics.HalfAngle(1.2, 0.3)},
		Speed: 200, Open: 1, Gel: Gels()[0].Gel, Falloff: 1.5,
	}
}

// ThrowStudio is the same for a throw: a wider lens from farther away, of whose frame about half is shown, and a wider
// background without a gel.
func ThrowStudio() Light {
	l := Studio()
	l.Cut = throwCut
	l.Lens.Focal, l.Lens.Focus = 0.05, 1.7
	l.Bright, l.Black = optics.HalfAngle(1.8, 1.5), optics.HalfAngle(6, 1.5)
	l.Gel = Gels()[len(Gels())-1].Gel
	return l
}

// NamedGel is a gel with the name of its colour.
type NamedGel struct {
	Name string
	Gel
}

// Gels lists the gels that a light can have, with their colours by eye: own choice.
func Gels() []NamedGel {
	return []NamedGel{
		{"blue", Gel{[3]float64{0.05, 0.22, 0.75}, [3]float64{0.22, 0.80, 1}}},
		{"amber", Gel{[3]float64{0.85, 0.16, 0.10}, [3]float64{1, 0.62, 0.16}}},
		{"violet", Gel{[3]float64{0.22, 0.10, 0.62}, [3]float64{1, 0.50, 0.85}}},
		{"teal", Gel{[3]float64{0.04, 0.30, 0.42}, [3]float64{0.55, 1, 0.85}}},
		{"clear", Gel{[3]float64{1, 1, 1}, [3]float64{1, 1, 1}}},
	}
}

// light is an exposure as a share of the sensor's full range.
func light(s optics.Stops) float64 { return math.Exp2(float64(s)) }

// panel is a flat light, a black panel or a wall: its middle, two half axes, and colours at its low and its high edge.
type panel struct {
	at, u, v  vec
	low, high vec
	hot       float64 // how much darker than its hot spot the edges are
	hotX      float64
	hotY      float64
	steep     float64 // how fast its colours change over its height; 0.5 is all of it
	soft      float64 // width of the blurred edge, as a share
	n         vec
	iu, iv    float64
}

// surroundings is all that a ray can end at: panels, and walls and ceiling beyond.
type surroundings struct {
	panels      []panel
	above, down vec
	sin, cos    float64 // of the camera's turn; both 0: it is not turned
	furnace     bool    // everything has brightness 1: for checks
}

// hang adds a panel, before those that are hung later. Its place is as the camera sees it.
func (s *surroundings) hang(p panel) {
	p.at, p.u, p.v = s.turned(p.at), s.turned(p.u), s.turned(p.v)
	p.n = p.u.cross(p.v).norm()
	if p.steep == 0 {
		p.steep = 0.5
	}
	p.iu, p.iv = 1/p.u.dot(p.u), 1/p.v.dot(p.v)
	s.panels = append(s.panels, p)
}

// turned turns a place or a direction with the camera.
func (s *surroundings) turned(v vec) vec {
	if s.sin == 0 {
		return v
	}
	return vec{v.x*s.cos + v.z*s.sin, v.y, v.z*s.cos - v.x*s.sin}
}

// at is the light that comes to o from direction d.
func (s *surroundings) at(o, d vec) vec {
	if s.furnace {
		return grey(1)
	}
	return s.from(0, o, d)
}

// from is the light of the panels from the first on.
func (s *surroundings) from(first int, o, d vec) vec {
	for i := first; i < len(s.panels); i++ {
		p := &s.panels[i]
		along := d.dot(p.n)
		w := p.at.sub(o)
		t := w.dot(p.n)
		if along == 0 || t*along <= 0 {
			continue
		}
		q := d.mul(t / along).sub(w)
		x := q.dot(p.u) * p.iu
		if x < -1 || x > 1 {
			continue
		}
		if y := q.dot(p.v) * p.iv; y >= -1 && y <= 1 {
			if e := max(math.Abs(x), math.Abs(y)); p.soft > 0 && e > 1-p.soft {
				return mixVec(s.from(i+1, o, d), p.colour(x, y), smooth(1, 1-p.soft, e))
			}
			return p.colour(x, y)
		}
	}
	return s.beyond(d)
}

func (s *surroundings) beyond(d vec) vec { return mixVec(s.down, s.above, smooth(-0.3, 0.6, d.y)) }

func (p *panel) colour(x, y float64) vec {
	c := mixVec(p.low, p.high, clamp(0.5+p.steep*(y-p.hotY), 0, 1))
	if p.hot > 0 {
		dx, dy := x-p.hotX, y-p.hotY
		c = c.mul(0.22 + 0.78/(1+p.hot*(dx*dx+dy*dy)))
	}
	return c
}

// diffuse is how bright a white matt surface is that faces n: half of it wraps around, as light in milk does.
func (s *surroundings) diffuse(at, n vec) vec {
	if s.furnace {
		return grey(1)
	}
	sum := mixVec(s.down, s.above, 0.5+0.5*n.y)
	for i := range s.panels {
		p := &s.panels[i]
		way := p.at.sub(at)
		far2 := way.dot(way)
		way = way.mul(1 / math.Sqrt(far2))
		area := 4 * math.Sqrt(p.u.dot(p.u)*p.v.dot(p.v)) * math.Abs(way.dot(p.n))
		sum = sum.mad(mixVec(p.low, p.high, 0.5).mul(1/(1+0.25*p.hot)), area/far2/math.Pi*max((way.dot(n)+0.4)/1.4, 0))
	}
	return sum
}

// backdrop is the lit background: its colours at the top and the bottom.
func (l *Light) backdrop() (top, bottom vec) {
	level := light(l.Background)
	t, b := l.Gel.Top, l.Gel.Bottom
	return vec{t[0], t[1], t[2]}.mul(level), vec{b[0], b[1], b[2]}.mul(level)
}

// Own choice, by eye: how bright an ordinary wall and black cloth are in what the key light spills, and how wide the
// blurred edge of the background's light is, as a share of its half width.
const (
	spillUp, spillDown = 0.05, 0.025
	felt               = 0.002
	softEdge           = 0.16
)

// widest is the angle to the edge of a background that counts as filling the room.
const widest = 80 * math.Pi / 180

// behind hangs the background so far behind the spot, and the black beside it. middle and high are its middle and
// half of its height, if it is no wider than that.
func (s *surroundings) behind(l *Light, distance, middle, high, falloff, steep float64) {
	edge := distance * math.Tan(min(float64(l.Bright), widest))
	end := distance * math.Tan(min(float64(l.Black), widest))
	top, bottom := l.backdrop()
	high = max(high, edge)
	s.hang(panel{at: vec{0, middle, -distance}, u: vec{edge * (1 + softEdge/2), 0, 0}, v: vec{0, high, 0}, low: bottom,
		high: top, hot: falloff * l.Falloff, hotY: -0.15, steep: steep, soft: softEdge / (1 + softEdge/2)})
	if end < 1.01*edge {
		return
	}
	from := edge * (1 - softEdge)
	for _, side := range []float64{-1, 1} {
		s.hang(panel{at: vec{side * (from + end) / 2, middle, -distance - 1}, u: vec{(end - from) / 2, 0, 0},
			v: vec{0, high, 0}, low: grey(felt), high: grey(felt)})
	}
}

// macroRoom is the room around a splash, mm: the background 30 cm behind, a softbox, an umbrella.
func macroRoom(l *Light) surroundings {
	key := light(l.Key)
	s := around(l)
	s.above, s.down = grey(spillUp*key), grey(spillDown*key)
	s.hang(panel{at: vec{-190, 240, 120}, u: vec{72, 0, 62}, v: vec{38, 56, -47}, low: grey(5 * key), high: grey(8 * key),
		hot: 0.3, soft: 0.14})
	s.hang(panel{at: vec{250, 120, 70}, u: vec{12, 0, -30}, v: vec{-20, 85, 0}, low: vec{1.6, 1.7, 1.9}.mul(key),
		high: vec{2.6, 2.7, 3}.mul(key), hot: 1.5, soft: 0.3})
	s.behind(l, 300, 60, 200, 6, 2.6)
	return s
}

// throwRoom is the room around a throw, mm: a lit wall 1.5 m behind.
func throwRoom(l *Light) surroundings {
	key := light(l.Key)
	s := around(l)
	s.above, s.down = grey(1.6*spillUp*key), grey(1.6*spillDown*key)
	s.hang(panel{at: vec{-900, 1000, 700}, u: vec{260, 0, 260}, v: vec{160, 260, -160}, low: grey(9 * key),
		high: grey(13 * key), soft: 0.2})
	s.hang(panel{at: vec{1300, 500, 500}, u: vec{150, 0, -300}, v: vec{-60, 330, 0}, low: grey(1.2 * key),
		high: grey(1.8 * key), hot: 1.5, soft: 0.3})
	s.behind(l, 1500, 0, 720, 2.2, 0.5)
	return s
}

// around is an empty room, seen by a camera that is turned.
func around(l *Light) surroundings {
	sin, cos := math.Sincos(float64(l.Turn))
	return surroundings{sin: sin, cos: cos}
}
