package elevation

import (
	"strings"

	"stillwater/internal/phys"
	"stillwater/internal/shot"
)

// asFallingDrop shows drops on command as the falling drop whose edge or landing counts.
func asFallingDrop(set shot.Set, e shot.Estimate) shot.Set {
	d := set.Drops
	set.Drop = shot.DropSet{Height: d.Height, Beam: d.Beam, Nozzle: d.Tip, Diameter: e.Diameter, Liquid: d.Liquid,
		Phase: d.Phase, PoolDepth: d.PoolDepth, Nth: 1}
	return set
}

// field is the name of a falling drop's field in the set that is drawn.
func (f *figure) field(name string) string {
	if f.set.Kind != shot.Drops {
		return "drop." + name
	}
	switch name {
	case "nozzle":
		return "drops.tip"
	case "diameter":
		return "drops.first.open"
	}
	return "drops." + name
}

// outlet is what a drop lets go of.
func (f *figure) outlet() string {
	if f.set.Kind == shot.Drops {
		return "tip"
	}
	return "nozzle"
}

// beamDrawn reports whether there is a beam.
func (f *figure) beamDrawn() bool {
	return f.set.Kind != shot.Drops || f.set.Drops.From == shot.FromBeam
}

// collides reports whether drops on command meet.
func (f *figure) collides() bool {
	return f.set.Kind == shot.Drops && f.set.Drops.Want == shot.WantCollision && f.works
}

// focusHeight is how far above the surface the moment is.
func (g *dropFigure) focusHeight() phys.Length {
	if g.collides() {
		return g.estimate.Drops.Meeting.Height
	}
	return 0
}

// drawColumn draws the first drop's column, up to where the second one meets it.
func (g *dropFigure) drawColumn() {
	if !g.collides() {
		return
	}
	high := clamp(g.scale*float64(g.focusHeight()), 6, g.surface-tipY)
	g.back.lines("water", point{g.axis - 5, g.surface}, point{g.axis - 2, g.surface - high}, point{g.axis + 2,
		g.surface - high},
		point{g.axis + 5, g.surface})
}

// describeDrops puts drops on command into words.
func (g *dropFigure) describeDrops() {
	d, e := g.set.Drops, g.estimate
	g.say("The tip, %s wide, is %s above the water. The pool is %s deep.", inLength(d.Tip), inLength(d.Height),
		inLength(d.PoolDepth))
	from := "Go"
	if g.beamDrawn() {
		from = "the beam"
		g.say("The beam is %s below the tip.", inLength(d.Beam))
	}
	where := "Focus spot: where the drop meets the water."
	if d.Want == shot.WantCollision {
		where = "Focus spot: where the drop meets the column."
	}
	g.explain(focusSign, "%s", where)
	if !g.works {
		return
	}
	what := strings.ReplaceAll(string(d.Phase), "-", " ")
	if d.Want == shot.WantCollision {
		what = "collision, sheet: " + string(d.Sheet)
	}
	g.explain(momentSign, "The moment: %s after %s (%s%s).", inMs(e.Delay), from, what, g.trim())
	if g.collides() {
		m := e.Drops.Meeting
		g.say("The second drop meets the first one's column %s above the water, at %s.", about(m.Height),
			inSpeed(m.DropSpeed))
		return
	}
	g.say("Drop %d reaches the water at %s.", d.Count, inSpeed(e.Speed))
}
