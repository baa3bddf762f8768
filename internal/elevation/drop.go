package elevation

import (
	"strings"

	"stillwater/internal/phys"
	"stillwater/internal/shot"
	"stillwater/internal/splash"
)

// Measures of a drop's figure in CSS pixels.
const (
	tipY      = 44.0  // of the nozzle's tip
	fallHigh  = 300.0 // from the tip to the bottom of the pool
	minPool   = 18.0
	maxPool   = 90.0
	gapToBeam = 16.0 // from the tip to the beam, and from the beam to the surface
)

// dropFigure is where things are on the sheet.
type dropFigure struct {
	*figure
	left, right, axis    float64 // of the part between the labels
	surface, floor, beam float64 // below the top of the sheet
	poolBroken           bool
}

func (f *figure) drawDrop() {
	if f.set.Kind == shot.Drops {
		f.set = asFallingDrop(f.set, f.estimate)
	}
	d := f.set.Drop
	height := f.length(f.field("height"), d.Height, "height of fall", "")
	pool := f.length(f.field("pool_depth"), d.PoolDepth, "depth of pool", "")
	beam := f.length(f.field("beam"), d.Beam, f.outlet()+" to beam", "")
	nozzle := f.length(f.field("nozzle"), d.Nozzle, f.outlet()+" width", "the outer one")
	drop, diameter := f.dropSize()

	g := &dropFigure{figure: f}
	g.left = 2*margin + max(beam.wide(), nozzle.wide(), drop.wide())
	g.right = f.width - 2*margin - max(height.wide(), pool.wide())
	g.axis = (g.left + g.right) / 2
	g.setScale()
	g.drawVessel(&nozzle, &pool)
	g.drawFall(&drop, diameter)
	g.drawLengths(&height, &beam)
	g.drawColumn()
	g.drawMoment()
	left := []dimension{nozzle, beam, drop}
	if !f.beamDrawn() {
		left = []dimension{nozzle, drop}
	}
	f.column(left, g.left-margin, margin, true)
	f.column([]dimension{height, pool}, g.right+margin, margin, false)
	f.reach(point{g.axis, g.floor + margin})
	g.describe()
}

// dropSize is the drop's dimension: as measured, or as computed.
func (f *figure) dropSize() (dimension, phys.Length) {
	diameter, err := f.set.DropDiameter()
	name, more := "drop, measured", ""
	switch {
	case f.set.Kind == shot.Drops:
		name, more = "drop, computed", "from the opening"
	case f.set.Drop.Diameter == 0:
		name, more = "drop, computed", "from the nozzle"
	}
	value, full := "⌀ "+inLength(diameter), diameter.String()
	if f.set.Drop.Diameter == 0 || f.set.Kind == shot.Drops {
		value, full = "⌀ "+about(diameter), about(diameter)
	}
	if err != nil || !(diameter > 0) {
		diameter, value, full = f.set.Drop.Nozzle, "⌀ ?", "not known"
	}
	return f.dimension(f.field("diameter"), value, full, name, more), diameter
}

// setScale fits the fall and the pool into the figure. A pool that would take too much of it is broken, and one too
// shallow to be seen is drawn deeper.
func (g *dropFigure) setScale() {
	d := g.set.Drop
	fall := float64(max(d.Height, d.Beam))
	g.scale = fallHigh / (float64(d.PoolDepth) + fall)
	pool := g.scale * float64(d.PoolDepth)
	if pool < minPool || pool > maxPool {
		g.poolBroken = pool > maxPool
		pool = clamp(pool, minPool, maxPool)
		g.scale = (fallHigh - pool) / fall
	}
	g.surface = max(tipY+g.scale*float64(d.Height), tipY+2*gapToBeam)
	g.floor = g.surface + pool
	g.beam = tipY + g.scale*float64(d.Beam)
	if d.Beam < d.Height {
		g.beam = clamp(g.beam, tipY+gapToBeam, g.surface-gapToBeam)
	}
	g.beam = clamp(g.beam, tipY+gapToBeam, tipY+fallHigh)
}

// drawVessel draws nozzle and pool, with their dimensions.
func (g *dropFigure) drawVessel(nozzle, pool *dimension) {
	d, p := g.set.Drop, &g.back
	half := g.scale * float64(d.Nozzle) / 2
	drawn := clamp(half, 4, 24)
	nozzle.apart = moved(drawn, half)
	p.lines("object", point{g.axis - drawn, margin}, point{g.axis - drawn, tipY}, point{g.axis + drawn, tipY},
		point{g.axis + drawn, margin})
	nozzle.tip = point{g.axis - drawn, tipY - 14}
	nozzle.marks.measure(nozzle.tip, point{g.axis + drawn, tipY - 14}, false)

	left, right := g.left+12, g.right-12
	rim := g.surface - 10
	p.lines("object", point{left, rim}, point{left, g.floor}, point{right, g.floor}, point{right, rim})
	p.lines("water", point{left, g.surface}, point{right, g.surface})
	x := g.right - 4
	pool.apart = moved(g.floor-g.surface, g.scale*float64(d.PoolDepth))
	pool.marks.lines("thin", point{right, g.floor}, point{x + 4, g.floor})
	pool.marks.measure(point{x, g.surface}, point{x, g.floor}, g.poolBroken)
	pool.tip = point{x, (g.surface + g.floor) / 2}
	if g.poolBroken {
		y := pool.tip.y
		for _, side := range []float64{left, right} {
			p.lines("object", point{side - 6, y + 5}, point{side - 2, y - 4}, point{side + 2, y + 4}, point{side + 6, y - 5})
		}
	}
}

// drawFall draws the drop on its way. One too large for the beam's place is drawn where it hangs, as it breaks the
// beam.
func (g *dropFigure) drawFall(drop *dimension, diameter phys.Length) {
	toScale := g.scale * float64(diameter) / 2
	radius := clamp(toScale, 5, 26)
	drop.apart = moved(radius, toScale)
	g.back.lines("axis", point{g.axis, tipY}, point{g.axis, g.surface})
	at := point{g.axis, tipY + 0.62*(g.surface-tipY)}
	if g.set.Drop.Beam < diameter {
		radius = clamp(toScale, gapToBeam, 36)
		drop.apart = moved(radius, toScale)
		at.y = tipY + radius
		g.beam = tipY + 2*radius*float64(g.set.Drop.Beam/diameter)
	}
	drop.marks.circle("water", at, radius)
	drop.tip = at.plus(point{-radius, 0})
	g.reach(at.plus(point{0, radius}))
}

// drawLengths draws the beam and the two lengths below the nozzle.
func (g *dropFigure) drawLengths(height, beam *dimension) {
	d := g.set.Drop
	left, right := g.left+14, g.right-14
	if g.beamDrawn() {
		g.drawBeam(left, right, beam)
	}
	height.apart = moved(g.surface-tipY, g.scale*float64(d.Height))
	x := g.right - 4
	height.marks.lines("thin", point{g.axis + 4, tipY}, point{x + 4, tipY})
	height.marks.lines("thin", point{right + 2, g.surface}, point{x + 4, g.surface})
	height.marks.measure(point{x, tipY}, point{x, g.surface}, false)
	height.tip = point{x, (tipY + g.surface) / 2}
	g.reach(point{x, g.beam + 5})
}

// drawBeam draws the beam and how far it is below the nozzle.
func (g *dropFigure) drawBeam(left, right float64, beam *dimension) {
	d, p := g.set.Drop, &g.back
	p.lines("beam", point{left, g.beam}, point{right, g.beam})
	for _, end := range []float64{left, right} {
		p.sign("object", point{end, g.beam}, 5, "M-3-4h6v8h-6z")
	}
	beam.apart = moved(g.beam-tipY, g.scale*float64(d.Beam))
	x := g.left + 4
	beam.marks.lines("thin", point{x - 4, tipY}, point{g.axis - 4, tipY})
	beam.marks.lines("thin", point{x - 4, g.beam}, point{left - 4, g.beam})
	beam.marks.measure(point{x, tipY}, point{x, g.beam}, false)
	beam.tip = point{x, (tipY + g.beam) / 2}
}

// splashSigns are the phases about the spot where the drop meets the water, enlarged.
var splashSigns = map[splash.Phase]string{
	splash.Contact:       "M0-16a5 5 0 0 1 0 16a5 5 0 0 1 0-16",
	splash.CrownHighest:  "M-12 0l-6-16 6 5 6-7 6 6 6-6 6 7 6-5-6 16",
	splash.CraterDeepest: "M-18 0c4 0 4 14 18 14s14-14 18-14",
	splash.ColumnEmerges: "M-10 0c6 0 6-8 10-8s4 8 10 8",
	splash.ColumnHighest: "M-8 0c6-2 6-14 6-20h4c0 6 0 18 6 20M0-30a4 4 0 0 1 0 8a4 4 0 0 1 0-8",
	splash.ColumnGone:    "M-22 0c5-6 9-6 14 0M8 0c5-6 9-6 14 0",
}

// drawMoment draws the focus spot, and where the liquid is when the flash fires.
func (g *dropFigure) drawMoment() {
	spot := point{g.axis, max(g.surface-g.scale*float64(g.focusHeight()), tipY)}
	focusSign(&g.back, spot)
	if !g.works {
		return
	}
	if g.set.Kind == shot.Drops {
		if g.set.Drops.Want == shot.WantPhase {
			g.back.sign("water", spot, 30, splashSigns[g.set.Drops.Phase])
		}
		momentSign(&g.back, spot)
		return
	}
	e := g.estimate
	place, err := g.set.LiquidAt(e, e.Delay)
	if err != nil {
		return
	}
	at := point{g.axis, tipY - g.scale*float64(place.Y)}
	if e.Delay >= e.EdgeToSurface {
		at = spot
		g.back.sign("water", spot, 30, splashSigns[g.set.Drop.Phase])
	}
	momentSign(&g.back, at)
}

// describe puts what is drawn into words.
func (g *dropFigure) describe() {
	if g.set.Kind == shot.Drops {
		g.describeDrops()
		return
	}
	d, e := g.set.Drop, g.estimate
	g.say("The nozzle's tip, %s wide, is %s above the water, the beam %s below the tip. The pool is %s deep.",
		inLength(d.Nozzle), inLength(d.Height), inLength(d.Beam), inLength(d.PoolDepth))
	g.explain(focusSign, "Focus spot: where the drop meets the water.")
	if !g.works {
		return
	}
	g.explain(momentSign, "The moment: %s after the beam (%s%s).", inMs(e.Delay),
		strings.ReplaceAll(string(d.Phase), "-", " "), g.trim())
	if e.Delay < e.EdgeToSurface {
		g.say("The drop is still in the air then.")
	}
	g.say("It reaches the water %s after the beam, at %s.", inMs(e.EdgeToSurface), inSpeed(e.Speed))
}

// focusSign is the camera's focus spot, as a viewfinder frames it.
func focusSign(p *pen, at point) {
	p.sign("focus", at, focusRadius, "M-12-6v-6h6M6-12h6v6M12 6v6h-6M-6 12h-6v-6")
}

const focusRadius = 12.0

// momentSign is where the liquid is when the flash fires.
const momentRadius = 8

func momentSign(p *pen, at point) {
	p.sign("moment", at, momentRadius, "M0-8l2 6 6 2-6 2-2 6-2-6-6-2 6-2z")
}
