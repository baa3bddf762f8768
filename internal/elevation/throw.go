package elevation

import (
	"fmt"
	"math"

	"stillwater/internal/phys"
	"stillwater/internal/shot"
	"stillwater/internal/svg"
)

// Measures of a throw's figure in CSS pixels.
const (
	throwTop   = margin + labelHigh + 34 // above it: labels, then room for beams
	throwLeft  = 44.0
	throwRight = 26.0
	beamHalf   = 15.0
	minGate    = 22.0
	maxGate    = 60.0 // of a gate that is broken
	minFloor   = 16.0 // below the second beam
	maxFloor   = 50.0 // below all else, of a floor that is broken
	pathSteps  = 16
	worth      = 0.45 // what would shrink the scale below this fraction is broken, not drawn to scale
	gateWorth  = 0.25 // the same of the gate, which may well be longer than the way behind it
)

// throwFigure is where things are in the room, in metres from the second beam, and on the sheet.
type throwFigure struct {
	*figure
	middle, slow, fast shot.Path
	toGate             []shot.Place // of the middle throw; empty if it is not known
	gate, focus        point        // in the room, y up
	reached            bool         // some throw reaches the focus spot

	origin               point // the second beam's, on the sheet
	gateAt               point // the first beam's
	floor                float64
	top                  float64
	gateDrawn            float64 // length
	gateWhole, floorHere bool    // drawn to scale unless too small
}

func (f *figure) drawThrow() {
	g := &throwFigure{figure: f}
	g.predict()
	g.setScale()
	var above, below []dimension
	above = append(above, g.drawGate(), g.drawAngle())
	below = append(below, g.drawFloor(), g.drawReach())
	fast, slow := g.drawPaths()
	g.row(append(above, fast), margin)
	low := g.floor + 30
	g.row(append(below, slow), low)
	g.drawLiquid(low + labelHigh + 6)
	g.describe()
}

// predict computes the paths, and the places of focus spot and gate.
func (g *throwFigure) predict() {
	t := g.set.Throw
	v := (t.SpeedLow + t.SpeedHigh) / 2
	if g.works {
		v = g.estimate.Speed
	}
	path := func(v phys.Speed) shot.Path {
		p, err := g.set.ThrowPath(v, pathSteps)
		if err != nil {
			return shot.Path{}
		}
		return p
	}
	g.middle, g.slow, g.fast = path(v), path(t.SpeedLow), path(t.SpeedHigh)
	sin, cos := math.Sincos(float64(t.Angle))
	g.gate = point{-cos, -sin}.times(float64(t.Gate))
	if g.works {
		if places, err := g.set.ThrowToGate(g.estimate, pathSteps/2); err == nil {
			g.toGate, g.gate = places, inRoom(places[0])
		}
	}
	g.focus = point{float64(t.ToFocus), 0}
	for _, p := range []shot.Path{g.middle, g.fast} {
		if p.Arrives && !g.reached {
			g.focus, g.reached = inRoom(p.Places[len(p.Places)-1]), true
		}
	}
}

func inRoom(p shot.Place) point { return point{float64(p.X), float64(p.Y)} }

// setScale fits the way from the second beam to the focus spot into the figure, and what else there is as far as that
// does not make it too small.
func (g *throwFigure) setScale() {
	wide, high := g.width-throwLeft-throwRight, clamp(0.62*g.width, 220, 420)
	room := box{}.around(g.focus)
	for _, p := range g.middle.Places {
		room = room.around(inRoom(p))
	}
	fit := func(b box, left, low float64) float64 {
		return min((wide-left)/max(b.wide, 1e-9), (high-low)/max(b.high, 1e-9))
	}
	most := fit(room, minGate, minFloor)
	include := func(worth float64, points ...point) bool {
		larger := room
		for _, p := range points {
			larger = larger.around(p)
		}
		if fit(larger, minGate, minFloor) < worth*most {
			return false
		}
		room = larger
		return true
	}
	behind := []point{g.gate}
	for _, p := range g.toGate {
		behind = append(behind, inRoom(p))
	}
	g.gateWhole = include(gateWorth, behind...)
	g.floorHere = include(worth, point{0, -float64(g.set.Throw.AboveFloor)})
	for _, p := range []shot.Path{g.fast, g.slow} {
		if len(p.Places) > 0 {
			points := make([]point, len(p.Places))
			for i, place := range p.Places {
				points[i] = inRoom(place)
			}
			include(worth, points...)
		}
	}
	left, low := minGate, minFloor
	if !g.gateWhole {
		left, low = maxGate, maxGate
	}
	if !g.floorHere {
		low += maxFloor
	}
	g.scale = fit(room, left, low)
	g.setPlaces(room, wide)
}

// setPlaces finds where things are on the sheet, once there is a scale for what is in the room.
func (g *throwFigure) setPlaces(room box, wide float64) {
	length := distance(point{}, g.gate)
	g.gateDrawn = max(g.scale*length, minGate)
	if !g.gateWhole {
		g.gateDrawn = maxGate
	}
	gate := g.gate.times(g.gateDrawn / max(length, 1e-9))
	drawn := box{room.x * g.scale, -(room.y + room.high) * g.scale, room.wide * g.scale, room.high * g.scale}
	drawn = drawn.around(point{gate.x, -gate.y})
	g.origin = point{throwLeft + (wide-drawn.wide)/2 - drawn.x, throwTop - drawn.y}
	g.gateAt = g.origin.plus(point{gate.x, -gate.y})
	lowest := g.origin.y + drawn.y + drawn.high
	g.floor = max(g.origin.y+minFloor, lowest)
	if !g.floorHere {
		g.floor = lowest + maxFloor
	}
	g.top = margin + labelHigh + 6
}

func (g *throwFigure) at(p point) point {
	return g.origin.plus(point{g.scale * p.x, -g.scale * p.y})
}

// drawGate draws the two beams, across the path.
func (g *throwFigure) drawGate() dimension {
	t := g.set.Throw
	d := g.length("throw.gate", t.Gate, "beam to beam", "the first to the second, along the path")
	u := direction(g.gateAt, g.origin)
	n := point{u.y, -u.x}
	for _, at := range []point{g.gateAt, g.origin} {
		g.back.lines("beam", at.plus(n.times(-beamHalf)), at.plus(n.times(beamHalf)))
		for _, end := range []float64{-beamHalf, beamHalf} {
			g.back.circle("object", at.plus(n.times(end)), 2.5)
		}
		d.marks.lines("thin", at.plus(n.times(beamHalf+4)), at.plus(n.times(beamHalf+12)))
	}
	offset := n.times(beamHalf + 8)
	d.marks.measure(g.gateAt.plus(offset), g.origin.plus(offset), !g.gateWhole)
	d.apart = moved(g.gateDrawn, g.scale*float64(t.Gate))
	d.tip = between(g.gateAt, g.origin).plus(offset)
	return d
}

// drawAngle draws the angle at the second beam.
func (g *throwFigure) drawAngle() dimension {
	t := g.set.Throw
	d := g.dimension("throw.angle", inDegrees(t.Angle), inDegrees(t.Angle), "angle at beam", "at the second one")
	const radius = 38.0
	turn := func(a phys.Angle) point {
		sin, cos := math.Sincos(float64(a))
		return g.origin.plus(point{radius * cos, -radius * sin})
	}
	d.marks.lines("thin", g.origin, g.origin.plus(point{radius + 8, 0}))
	sweep := 0
	if t.Angle < 0 {
		sweep = 1
	}
	from, to := turn(0), turn(t.Angle)
	d.marks.path("thin", fmt.Sprintf("M%s %sA%s %s 0 0 %d %s %s", svg.Number(from.x), svg.Number(from.y),
		svg.Number(radius), svg.Number(radius), sweep, svg.Number(to.x), svg.Number(to.y)))
	d.tip = turn(t.Angle / 2)
	g.reach(to)
	return d
}

// drawFloor draws the floor, and how far the second beam is above it.
func (g *throwFigure) drawFloor() dimension {
	t := g.set.Throw
	d := g.length("throw.above_floor", t.AboveFloor, "above floor", "the second beam")
	g.back.lines("object", point{margin, g.floor}, point{g.width - margin, g.floor})
	const x = 18.0
	d.marks.lines("thin", point{x - 6, g.origin.y}, point{g.origin.x - 4, g.origin.y})
	d.marks.measure(point{x, g.origin.y}, point{x, g.floor}, !g.floorHere)
	d.apart = moved(g.floor-g.origin.y, g.scale*float64(t.AboveFloor))
	d.tip = point{x, g.floor + 5}
	return d
}

// drawReach draws the level distance to the focus spot.
func (g *throwFigure) drawReach() dimension {
	t := g.set.Throw
	d := g.length("throw.to_focus", t.ToFocus, "to focus spot", "from the second beam, level")
	y, to := g.floor+18, g.at(g.focus)
	d.marks.lines("thin", g.origin.plus(point{0, 4}), point{g.origin.x, y + 5})
	d.marks.lines("thin", to.plus(point{0, 4}), point{to.x, y + 5})
	d.marks.measure(point{g.origin.x, y}, point{to.x, y}, false)
	d.tip = point{(g.origin.x + to.x) / 2, y}
	focusSign(&g.back, to)
	return d
}

// drawPaths draws the throw in the middle, and the fastest and the slowest that are accepted, as far as they are in the
// figure.
func (g *throwFigure) drawPaths() (fast, slow dimension) {
	t := g.set.Throw
	fast = g.dimension("throw.speed_high", short(t.SpeedHigh), t.SpeedHigh.String(), "fastest throw",
		"that is accepted")
	slow = g.dimension("throw.speed_low", short(t.SpeedLow), t.SpeedLow.String(), "slowest throw",
		"that is accepted")
	fast.tip = g.drawPath(fast.marks, "fast", g.fast)
	slow.tip = g.drawPath(slow.marks, "slow", g.slow)
	if g.gateWhole && len(g.toGate) > 0 && !moved(g.gateDrawn, g.scale*float64(t.Gate)) {
		g.back.lines("way", g.onSheet(g.toGate)...)
	} else {
		g.back.lines("way", g.gateAt, g.origin)
	}
	g.drawPath(&g.back, "way", g.middle)
	return fast, slow
}

func (g *throwFigure) onSheet(places []shot.Place) []point {
	points := make([]point, len(places))
	for i, p := range places {
		points[i] = g.at(inRoom(p))
	}
	return points
}

// drawPath returns where the path ends. One that falls short ends in a cross.
func (g *throwFigure) drawPath(p *pen, class string, path shot.Path) point {
	if len(path.Places) == 0 {
		return g.origin
	}
	window := box{margin, g.top, g.width - 2*margin, g.floor - g.top}
	points, whole := clip(g.onSheet(path.Places), window)
	p.lines(class, points...)
	end := points[len(points)-1]
	if whole && !path.Arrives {
		p.sign("fall", end, 5, "M-4-4l8 8M-4 4l8-8")
	}
	return end
}

// clip follows a path until it leaves the window.
func clip(path []point, in box) (points []point, whole bool) {
	inside := func(p point) bool {
		const slack = 0.1
		return p.x >= in.x-slack && p.x <= in.x+in.wide+slack && p.y >= in.y-slack && p.y <= in.y+in.high+slack
	}
	for i, p := range path {
		if inside(p) {
			points = append(points, p)
			continue
		}
		if i > 0 {
			a, b := path[i-1], p
			for range 20 {
				if m := between(a, b); inside(m) {
					a = m
				} else {
					b = m
				}
			}
			points = append(points, a)
		}
		return points, false
	}
	return points, true
}

// drawLiquid draws the liquid where it is when the flash fires, with its size in the key.
func (g *throwFigure) drawLiquid(y float64) {
	t, e := g.set.Throw, g.estimate
	d := g.dimension("throw.mass", "⌀ "+inLength(t.Mass), t.Mass.String(), "size of liquid", "as it is thrown")
	d.noLead, d.box = true, box{margin, y, d.wide(), labelHigh}
	g.scaleAt = point{d.box.x + d.box.wide + 24, y + labelHigh/2 - noteLine/2}
	at, fires := g.at(g.focus), false
	if place, err := g.set.LiquidAt(e, e.Delay); g.works && err == nil && e.Delay > 0 {
		p := g.at(inRoom(place))
		if fires = p.y <= g.floor && p.y >= g.top && p.x <= g.width-momentRadius; fires {
			at = p
		}
	}
	toScale := g.scale * float64(t.Mass) / 2
	radius := clamp(toScale, 5, min(40, at.y-g.top, g.width-margin-at.x))
	d.apart = moved(radius, toScale)
	d.marks.circle("water", at, radius)
	if fires {
		momentSign(&g.back, at)
	}
	g.place(d)
}

// describe puts what is drawn into words.
func (g *throwFigure) describe() {
	t, e := g.set.Throw, g.estimate
	g.say("The two beams are %s apart along the path, which at the second is %s to the level, positive upward. That beam "+
		"is %s above the floor, and the focus spot %s further on, level.", inLength(t.Gate), inDegrees(t.Angle),
		inLength(t.AboveFloor), inLength(t.ToFocus))
	if !g.works {
		if g.reached {
			g.explain(focusSign, "Focus spot: where the throws go that reach it.")
		} else {
			g.explain(focusSign, "Focus spot: drawn level with the second beam, as no throw that was tried reaches it.")
		}
		return
	}
	g.explain(momentSign, "The moment: %s after the second beam%s, for a throw that passes it at %s.", inMs(e.Delay),
		g.trim(), inSpeed(e.Speed))
	g.explain(focusSign, "Focus spot: %s. %s %s", height(e.Rise, "the second beam"), g.pass(g.fast, "The fastest throw"),
		g.pass(g.slow, "The slowest"))
}

// height words how far something is above or below something else.
func height(rise phys.Length, what string) string {
	if rise < 0 {
		return about(rise) + " below " + what
	}
	return about(rise) + " above " + what
}

// pass words where a throw passes the focus spot.
func (g *throwFigure) pass(p shot.Path, which string) string {
	if len(p.Places) == 0 {
		return ""
	}
	end := p.Places[len(p.Places)-1]
	if !p.Arrives {
		return fmt.Sprintf("%s falls short of it by %s.", which, about(g.set.Throw.ToFocus-end.X))
	}
	return fmt.Sprintf("%s passes %s.", which, height(end.Y-g.estimate.Rise, "it"))
}
