package drawing

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"stillwater/internal/lighting"
	"stillwater/internal/optics"
	"stillwater/internal/phys"
	"stillwater/internal/svg"
)

// frame draws the field of view, the liquid in it, and where it may be.
func (s *sheet) frame(r lighting.Report) {
	const highest = 320.0
	scale := min((width-2*margin)/float64(r.Wide), highest/float64(r.High))
	wide, high := float64(r.Wide)*scale, float64(r.High)*scale
	left, top := (width-wide)/2, margin
	s.rect(bold, left, top, wide, high)
	spot := point{width / 2, top + high/2}
	if size := r.Subject.Size; size > 0 {
		tall, tallest := r.Subject.Tall, r.Tallest()
		foot := spot.plus(0, float64(tallest)/2*scale)
		s.ellipse(bold, foot.plus(0, -float64(tall)/2*scale), float64(size)/2*scale, float64(tall)/2*scale)
		s.within(spot, float64(size/2+phys.Length(withinPlane)*r.WideSD)*scale,
			float64(tallest/2+phys.Length(withinPlane)*r.HighSD)*scale, point{left, top}, point{left + wide, top + high})
	}
	s.cross(spot)
	s.bottom = top + high
	s.note("The frame is %s wide and %s high at the focus spot.%s", inLength(r.Wide), inLength(r.High), usually(r))
	if r.Subject.Size == 0 {
		s.note("How large the subject is, and where it bursts, is not known.")
		return
	}
	s.note("Outline: the liquid, about %s wide and %s tall. Dashed: about 9 of 10 first shots are within this; all of it "+
		"is in the frame in %s.", inLength(r.Subject.Size), inLength(r.Subject.Tall), lighting.InShots(r.InFrame))
}

// usually says that the lens and its distance are taken to be the usual ones.
func usually(r lighting.Report) string {
	if r.UsualLens() {
		return " That is with the usual lens: yours has not been typed."
	}
	return ""
}

// within draws a dashed ellipse, or where it leaves the frame its edge.
func (s *sheet) within(at point, rx, ry float64, from, to point) {
	var points []point
	for i := range 73 {
		sin, cos := math.Sincos(float64(i) / 72 * 2 * math.Pi)
		points = append(points, point{min(max(at.x+rx*cos, from.x), to.x), min(max(at.y+ry*sin, from.y), to.y)})
	}
	s.lines(dashed, points...)
}

// cross marks the focus spot.
func (s *sheet) cross(at point) {
	s.lines(thin, point{at.x - 7, at.y}, point{at.x + 7, at.y})
	s.lines(thin, point{at.x, at.y - 7}, point{at.x, at.y + 7})
}

// depth draws what is sharp around the focus spot from above, the camera at the left, and where the liquid may be.
func (s *sheet) depth(r lighting.Report) {
	focus := r.Light.Lens.Focus
	reach := phys.Length(withinSD)*r.DepthSD + r.Subject.Size/2
	before, behind := focus-r.Near, r.Far-focus
	span := max(min(max(before, behind), 4*max(before, reach)), reach, 1e-3) * 1.15
	const left, top = 70.0, 34.0
	mid := left + (width-margin-left)/2
	scale := (width - margin - mid) / float64(span)
	x := func(l phys.Length) float64 {
		return min(max(mid+float64(l)*scale, left), width-margin)
	}
	high := min(max(110, float64(r.Subject.Size)*scale+16), 220)
	spot := point{mid, top + high/2}
	s.shade(x(-before), top, x(behind)-x(-before), high)
	for _, at := range []phys.Length{-before, behind} {
		s.lines(thin, point{x(at), top}, point{x(at), top + high})
	}
	s.lines(dotted, point{mid, top - 6}, point{mid, top + high + 6})
	s.label(point{mid, top - 12}, middle, "focus")
	s.camera(point{margin + 24, spot.y}, 0)
	s.lines(thin, point{margin + 30, spot.y}, point{left - 14, spot.y}, point{left - 10, spot.y - 6},
		point{left - 6, spot.y + 6}, point{left - 2, spot.y}, point{left, spot.y})
	if r.Subject.Size > 0 {
		size := float64(r.Subject.Size) / 2 * scale
		s.ellipse(bold, spot, size, min(size, high/2))
		s.lines(dashed, point{x(-reach), spot.y}, point{x(reach), spot.y})
		for _, at := range []phys.Length{-reach, reach} {
			s.lines(bold, point{x(at), spot.y - 9}, point{x(at), spot.y + 9})
		}
	}
	s.bottom = top + high + 6
	s.note("Grey: sharp on a print %s wide, from %s before the focus spot to %s behind it, at %v.%s",
		inLength(r.Light.Picture.Print), inLength(before), inLength(behind), r.Set.Camera.Aperture, usually(r))
	if r.Subject.Size > 0 {
		s.note("Circle: the liquid. Between the bars it is in 9 of 10 first shots, %s either way; all of it is sharp in "+
			"%s.", inLength(reach), lighting.InShots(r.InDepth))
	}
	s.note("The lens is %s from the focus spot, not to scale.", inLength(focus))
}

// camera draws a camera from above, looking right at 0 and up at 90 degrees.
func (s *sheet) camera(at point, degrees float64) {
	fmt.Fprintf(s, `<path fill="none" stroke="currentColor" %s transform="translate(%s %s) rotate(%s)" `+
		`d="M-22 -12h14v24h-14zM-8 -7h10v14h-10"/>`, bold, svg.Number(at.x), svg.Number(at.y), svg.Number(-degrees))
	s.bottom = max(s.bottom, at.y+24)
}

// plan draws camera, key light, background and black from above, to scale.
func (s *sheet) plan(r lighting.Report) {
	set := r.Set
	b, gap := set.Background, r.Black.GapBehind(set.Background.Distance)
	lamps := lampsOf(set.Flash)
	half, deep := max(gap/2, b.Width/2+b.BlackWidth), r.Light.Lens.Focus
	for _, l := range lamps {
		half, deep = max(half, l.aside, -l.aside), max(deep, l.before)
	}
	half *= 1.06
	const top, room = 30.0, 330.0
	scale := min((width/2-margin)/float64(half), room/float64(b.Distance+deep))
	spot := point{width / 2, top + float64(b.Distance)*scale}
	at := func(aside, behind phys.Length) point {
		return point{spot.x + float64(aside)*scale, spot.y - float64(behind)*scale}
	}
	s.lines(bold, at(-b.Width/2, b.Distance), at(b.Width/2, b.Distance))
	s.label(at(0, b.Distance).plus(0, -10), middle, "bright, "+inLength(b.Width))
	front := b.Distance - r.Black.WidthBeside(gap/2)
	for _, side := range []phys.Length{-1, 1} {
		if b.BlackWidth > 0 {
			s.lines(`stroke-width="6"`, at(side*b.Width/2, b.Distance), at(side*(b.Width/2+b.BlackWidth), b.Distance))
		}
		if r.Liquid.Clear {
			s.lines(dashed, at(side*gap/2, b.Distance), at(side*gap/2, front))
			s.lines(dotted, spot, at(side*gap/2, b.Distance))
		}
	}
	s.lines(dotted, spot, at(0, b.Distance))
	s.lines(dotted, spot, at(0, -r.Light.Lens.Focus))
	s.cross(spot)
	lens := at(0, -r.Light.Lens.Focus).plus(0, 2)
	s.camera(lens, 90)
	taken := []box{around(lens, 18, 24)}
	for _, l := range lamps {
		lamp := at(l.aside, -l.before)
		s.lines(thin, spot, lamp)
		s.flash(lamp)
		taken = append(taken, around(lamp, 12, 12))
	}
	behind, before := at(0, b.Distance/2).plus(10, 0), at(0, -r.Light.Lens.Focus*3/4).plus(10, 5)
	for i, l := range lamps {
		name := "flash, " + inLength(l.away)
		if len(lamps) > 1 {
			name = fmt.Sprintf("%d: %s", i+1, inLength(l.away))
		}
		taken = append(taken, s.labelBeside(at(l.aside, -l.before), name, taken))
	}
	s.labelIfFree(behind, inLength(b.Distance), taken)
	s.labelIfFree(before, inLength(r.Light.Lens.Focus), taken)
	names := make([]string, len(lamps))
	for i, l := range lamps {
		names[i] = l.name
	}
	s.note("Camera %s, %s and background %s from the focus spot, which is the cross. To scale; on which side a flash "+
		"stands is free.", inLength(r.Light.Lens.Focus), strings.Join(names, ", "), inLength(b.Distance))
	if r.Liquid.Clear {
		s.note("Dashed: where black belongs for the outer %.0f %% of the liquid's radius to be dark: %s apart, from "+
			"the background %s forward, which is %.0f to %.0f degrees from straight behind.", float64(b.Rim)*100, inLength(gap),
			inLength(b.Distance-front), degrees(r.Black.From), degrees(r.Black.To))
	}
	if b.BlackWidth > 0 {
		s.note("Thick: the black that is there, %s each side.", inLength(b.BlackWidth))
	}
}

// box is a piece of the sheet.
type box struct{ left, top, right, bottom float64 }

// around is the box that reaches so far from a place.
func around(at point, wide, high float64) box {
	return box{at.x - wide, at.y - high, at.x + wide, at.y + high}
}

// meets reports whether it overlaps one of several.
func (b box) meets(others []box) bool {
	return slices.ContainsFunc(others, func(o box) bool {
		return b.left < o.right && o.left < b.right && b.top < o.bottom && o.top < b.bottom
	})
}

// boxOf is what a label covers that begins at a place.
func boxOf(at point, text string) box {
	return box{at.x, at.y - letter, at.x + svg.Width(svg.KeepUnits(text), letter), at.y + 4}
}

// labelBeside writes what belongs to a lamp where nothing else is: below, above, or beside it, and farther below if
// there is no room.
func (s *sheet) labelBeside(lamp point, text string, taken []box) box {
	long := svg.Width(svg.KeepUnits(text), letter)
	var b box
	for _, by := range []point{{-long / 2, 27}, {-long / 2, -16}, {-long - 14, 5}, {14, 5}, {-long / 2, 46}} {
		to := lamp.plus(by.x, by.y)
		to.x = max(min(to.x, width-margin-long), margin)
		if b = boxOf(to, text); to.y > letter && !b.meets(taken) {
			s.label(to, start, text)
			return b
		}
	}
	return box{} // the words below have it
}

// labelIfFree writes what the words below have, too.
func (s *sheet) labelIfFree(at point, text string, taken []box) {
	if !boxOf(at, text).meets(taken) {
		s.label(at, start, text)
	}
}

// lamp is a flash in the plan.
type lamp struct {
	aside, before phys.Length // of the focus spot
	away          phys.Length
	name          string
}

// lampsOf places the flashes around the focus spot, so that none is on another.
func lampsOf(f optics.Flash) []lamp {
	place := func(away phys.Length, degrees float64, name string) lamp {
		sin, cos := math.Sincos(degrees * math.Pi / 180) // from the camera's side
		return lamp{away * phys.Length(sin), away * phys.Length(cos), away, name + " at " + inLength(away)}
	}
	others := f.OtherUnits()
	first := "flash"
	if len(others) > 0 {
		first = "flash 1"
	}
	lamps := []lamp{place(f.Distance, -45, first)}
	for i, u := range others {
		lamps = append(lamps, place(u.Distance, []float64{45, -80, 80, -20, 20}[i], fmt.Sprintf("flash %d", i+2)))
	}
	return lamps
}

func degrees(a phys.Angle) float64 { return float64(a) * 180 / math.Pi }

func (p point) plus(x, y float64) point { return point{p.x + x, p.y + y} }

// flash draws a flash unit.
func (s *sheet) flash(at point) {
	s.dot(at, 4)
	for i := range 8 {
		sin, cos := math.Sincos(float64(i) * math.Pi / 4)
		s.lines(thin, at.plus(6*cos, 6*sin), at.plus(11*cos, 11*sin))
	}
}

// Ends of the chart: own choice, around what liquid does and flash units can.
const (
	slowest, fastest  = 0.3, 20.0 // m/s
	shortest, longest = 1e-5, 1e-2
)

// duration draws how long the light may last by the liquid's speed, and what this set has.
func (s *sheet) duration(r lighting.Report) {
	const left, top, high = 86.0, 38.0, 230.0
	right := width - margin - 6
	along := func(x, from, to float64) float64 { return math.Log(min(max(x, from), to)/from) / math.Log(to/from) }
	x := func(v float64) float64 { return left + (right-left)*along(v, slowest, fastest) }
	y := func(t float64) float64 { return top + high - high*along(t, shortest, longest) }
	s.rect(thin, left, top, right-left, high)
	for _, d := range []float64{100, 1000, 10000, 100000} {
		s.lines(dotted, point{left, y(1 / d)}, point{right, y(1 / d)})
		s.label(point{left - 10, y(1/d) + 5}, end, fmt.Sprintf("1/%.0f", d))
	}
	for _, v := range []float64{0.5, 1, 2, 5, 10, 20} {
		s.lines(dotted, point{x(v), top}, point{x(v), top + high})
		s.label(point{x(v), top + high + 17}, middle, fmt.Sprint(v))
	}
	s.label(point{left - 6, top - 16}, end, "light, s")
	s.label(point{right, top + high + 17 + line}, end, "liquid, m/s")
	var limit []point
	for i := range 61 {
		v := slowest * math.Pow(fastest/slowest, float64(i)/60)
		t := float64(optics.LongestLight(phys.Speed(v), r.Light.Lens, r.Light.Picture))
		if t >= shortest && t <= longest {
			limit = append(limit, point{x(v), y(t)})
		}
	}
	if len(limit) > 1 {
		s.lines(bold, limit...)
	}
	s.bottom = top + high + 17 + line
	s.note("Below the thick line blur is not seen on a print %s wide.", inLength(r.Light.Picture.Print))
	s.point(r, func(v phys.Speed, t phys.Time) point { return point{x(float64(v)), y(float64(t))} })
}

// point marks the set in the chart.
func (s *sheet) point(r lighting.Report, at func(phys.Speed, phys.Time) point) {
	v, what := r.Subject.Speed, "the liquid"
	if v == 0 {
		v, what = r.Subject.Fastest, "what flies fastest around it"
	}
	switch lasts := r.Light.Pulse.Tenth; {
	case !r.Light.PulseKnown:
		s.note("How long this set's flash lasts is not known yet.")
	case v == 0:
		s.note("How fast the liquid moves is not known.")
	default:
		if r.Light.PulseIdeal {
			defer s.note("Its duration is that of an ideal decay (t0.1 of 3.3 times t0.5); real units differ.")
		}
		p := at(v, lasts)
		s.dot(p, 6)
		s.ellipse(thin, p, 11, 11)
		s.note("Dot: this set, %s at %.2f m/s in 1/%.0f s: %.2f mm. Sharp up to 1/%.0f s.", what, v,
			float64(phys.Round(1/lasts, 2)), float64(v)*float64(lasts)*1e3,
			float64(phys.Round(1/optics.LongestLight(v, r.Light.Lens, r.Light.Picture), 2)))
	}
}
