package picture

import (
	"math"
	"time"
)

// Light is how the picture is lit and exposed. Its zero value is not useful: begin with Studio.
type Light struct {
	Exposure    float64 // stops, of everything: more is brighter
	Background  float64 // stops of the lit background from middle grey, which is 18 %
	Gel         Gel     // on the background's light
	Falloff     float64 // how much darker the background's corners are; 0 is even
	Key         float64 // a softbox high at the left, in stops from what is usual; under -9 it is off
	Umbrella    float64 // an umbrella at the right, the same
	BlackPanels bool    // at both sides of the background
	// White: the room is white and bright, as with a background that fills it: nothing dark surrounds the liquid
	White bool

	Flash         time.Duration // until the light has fallen to half of its peak (t.5); it decays exponentially
	AmbientMargin float64       // stops by which room light alone, while the shutter is open, falls short of the flash
	OpenFor       time.Duration // how long the shutter is open
	Shut          bool          // the shutter was shut or the flash did not fire: black

	FNumber     float64
	FocalLength float64 // mm
	ISO         float64
	Tilt        float64 // degrees by which the camera looks down on a splash; 0: as suits what is there
}

// Gel is the colour of the background from top to bottom, as shares of its light. The brightest share is usually 1.
type Gel struct{ Top, Bottom [3]float64 }

// Studio is a usual light: a background a little over middle grey with a gel, a softbox, an umbrella and black panels.
// A compact flash at 1/32 of its power, 1/20,000 s to half of its peak: common practice, no source.
func Studio() Light {
	return Light{Background: 2, Gel: Gels()[0].Gel, Falloff: 1.5, BlackPanels: true,
		Flash: 35 * time.Microsecond, AmbientMargin: 9, OpenFor: time.Second, FNumber: 16, FocalLength: 100, ISO: 200}
}

// NamedGel is a gel with the name of its colour.
type NamedGel struct {
	Name string
	Gel
}

// Gels lists gels. Own choice.
func Gels() []NamedGel {
	return []NamedGel{
		{"blue", Gel{[3]float64{0.05, 0.22, 0.75}, [3]float64{0.22, 0.80, 1}}},
		{"amber", Gel{[3]float64{0.85, 0.16, 0.10}, [3]float64{1, 0.62, 0.16}}},
		{"violet", Gel{[3]float64{0.22, 0.10, 0.62}, [3]float64{1, 0.50, 0.85}}},
		{"teal", Gel{[3]float64{0.04, 0.30, 0.42}, [3]float64{0.55, 1, 0.85}}},
		{"clear", Gel{[3]float64{1, 1, 1}, [3]float64{1, 1, 1}}},
	}
}

// middleGrey is the sensor's share of full exposure for a subject of middle grey: ISO 12232's saturation-based speed
// has 12.7 %, and 18 % is what sRGB renders as the middle; the latter is used.
const middleGrey = 0.18

func stops(s float64) float64 { return math.Exp2(s) }

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
	furnace     bool // everything has brightness 1: for checks
}

func (s *surroundings) hang(p panel) {
	p.n = p.u.cross(p.v).norm()
	if p.steep == 0 {
		p.steep = 0.5
	}
	p.iu, p.iv = 1/p.u.dot(p.u), 1/p.v.dot(p.v)
	s.panels = append(s.panels, p)
}

// at is the light that comes to o from direction d.
func (s *surroundings) at(o, d vec) vec {
	if s.furnace {
		return grey(1)
	}
	for i := range s.panels {
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
			return p.colour(x, y, s.beyond(d))
		}
	}
	return s.beyond(d)
}

func (s *surroundings) beyond(d vec) vec { return mixVec(s.down, s.above, smooth(-0.3, 0.6, d.y)) }

func (p *panel) colour(x, y float64, beyond vec) vec {
	c := mixVec(p.low, p.high, clamp(0.5+p.steep*(y-p.hotY), 0, 1))
	if p.hot > 0 {
		dx, dy := x-p.hotX, y-p.hotY
		c = c.mul(0.22 + 0.78/(1+p.hot*(dx*dx+dy*dy)))
	}
	if p.soft > 0 {
		c = mixVec(beyond, c, smooth(1, 1-p.soft, max(math.Abs(x), math.Abs(y))))
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
	level := middleGrey * stops(l.Background)
	t, b := l.Gel.Top, l.Gel.Bottom
	return vec{t[0], t[1], t[2]}.mul(level), vec{b[0], b[1], b[2]}.mul(level)
}

// macroRoom is the room around a splash, mm: a background 30 cm behind, a softbox, an umbrella.
func macroRoom(l *Light) surroundings {
	top, bottom := l.backdrop()
	s := surroundings{above: grey(0.006), down: grey(0.003)}
	if l.White {
		s.above, s.down = grey(0.9*middleGrey*stops(l.Background)), grey(0.7*middleGrey*stops(l.Background))
	}
	if l.Key > -9 {
		c := stops(l.Key)
		s.hang(panel{at: vec{-190, 240, 120}, u: vec{72, 0, 62}, v: vec{38, 56, -47}, low: grey(5 * c),
			high: grey(8 * c), hot: 0.3, soft: 0.14})
	}
	if l.Umbrella > -9 {
		c := stops(l.Umbrella)
		s.hang(panel{at: vec{250, 120, 70}, u: vec{12, 0, -30}, v: vec{-20, 85, 0}, low: vec{1.6, 1.7, 1.9}.mul(c),
			high: vec{2.6, 2.7, 3}.mul(c), hot: 1.5, soft: 0.3})
	}
	if l.BlackPanels {
		for _, side := range []float64{-1, 1} {
			s.hang(panel{at: vec{side * 225, 60, -290}, u: vec{75, 0, 0}, v: vec{0, 200, 0}, low: grey(0.002),
				high: grey(0.002)})
		}
	}
	width := 230.0
	if l.White {
		width = 700
	}
	s.hang(panel{at: vec{0, 60, -300}, u: vec{width, 0, 0}, v: vec{0, 200, 0}, low: bottom, high: top,
		hot: 6 * l.Falloff, steep: 2.6,
		soft: 0.12, hotY: -0.15})
	return s
}

// throwRoom is the room around a throw, mm: a lit wall 1.5 m behind.
func throwRoom(l *Light) surroundings {
	top, bottom := l.backdrop()
	s := surroundings{above: grey(0.09), down: grey(0.035)}
	if l.White {
		s.above, s.down = grey(middleGrey*stops(l.Background)), grey(0.85*middleGrey*stops(l.Background))
	}
	if l.Key > -9 {
		c := stops(l.Key)
		s.hang(panel{at: vec{-900, 1000, 700}, u: vec{260, 0, 260}, v: vec{160, 260, -160}, low: grey(9 * c),
			high: grey(13 * c), soft: 0.2})
	}
	if l.Umbrella > -9 {
		c := stops(l.Umbrella)
		s.hang(panel{at: vec{1300, 500, 500}, u: vec{150, 0, -300}, v: vec{-60, 330, 0}, low: grey(1.2 * c),
			high: grey(1.8 * c), hot: 1.5, soft: 0.3})
	}
	if l.BlackPanels {
		for _, side := range []float64{-1, 1} {
			s.hang(panel{at: vec{side * 950, 0, -1400}, u: vec{330, 0, 0}, v: vec{0, 1200, 0}, low: grey(0.012),
				high: grey(0.012), soft: 0.25})
		}
	}
	width := 900.0
	if l.White {
		width = 4000
	}
	s.hang(panel{at: vec{0, 0, -1500}, u: vec{width, 0, 0}, v: vec{0, 720, 0}, low: bottom, high: top,
		hot: 2.2 * l.Falloff, soft: 0.55})
	return s
}
