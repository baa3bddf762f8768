package scene

import (
	"math/rand/v2"
	"time"

	"stillwater/internal/phys"
	"stillwater/internal/shot"
	"stillwater/internal/splash"
)

// like is the splash of one of the drops from a valve, as if it had come from a nozzle.
func (f Flight) like(d ValveDrop) Flight {
	one := f
	one.Set.Drop = shot.DropSet{Liquid: f.Set.Drops.Liquid, PoolLiquid: f.Set.Drops.PoolLiquid, Phase: f.Set.Drops.Phase}
	one.Diameter, one.Speed, one.Contact, one.Phases = d.Diameter, d.Speed, d.Lands, nil
	return one
}

// splashBefore has the phases of the first drop's splash, whose column the second one is to meet.
func (r *Room) splashBefore(f *Flight) ([]PhaseAt, error) {
	first := f.like(f.Drops[0])
	if err := r.addSplash(&first, dice{rand.New(rand.NewPCG(r.seed, 1<<41|uint64(f.Number)))}); err != nil {
		return nil, err
	}
	for i := range first.Phases {
		if first.Phases[i].Phase == splash.ColumnEmerges && f.Column.Speed > 0 {
			first.Phases[i].At = f.Column.Emerges
		}
	}
	return first.Phases, nil
}

// dropsAt is where the liquid of drops from valves is at a time: those in the air, the splash of the last one or, for a
// collision, that of the first with what comes of its column. The splashes of drops between are left out.
func (f Flight) dropsAt(at time.Duration) Water {
	w, set := Water{Liquid: f.Set.Drops.Liquid, Detail: f.Detail, Pool: true}, f.Set.Drops
	met := f.Meeting != nil && f.Meeting.Column && at >= f.Meeting.At
	stands := f.stands(at, met)
	for i, d := range f.Drops {
		if i == 1 && met {
			continue
		}
		h, falling := d.height(set, at)
		if !falling || i > 1 && h <= stands { // it has hit what is there
			continue
		}
		if there, err := d.leaves.fall(set.Height - h); err == nil {
			w.Balls = append(w.Balls, Ball{At: Point{Y: h + d.Diameter/2}, Velocity: Velocity{Y: -there.Speed},
				Diameter: d.Diameter, Stretch: f.like(d).swing((at - d.LetsGo).Seconds())})
		}
	}
	if set.Want == shot.WantPhase {
		f.lastSplashAt(&w, at)
		return w
	}
	f.columnOfFirstAt(&w, at, met)
	return w
}

// stands is how high what the first two drops made is at a time.
func (f Flight) stands(at time.Duration, met bool) phys.Length {
	if met && f.Meeting.dome(at) != nil {
		return f.Meeting.Height
	}
	h, _, _ := f.Column.Tip(at)
	if met {
		h = min(h, f.Meeting.Height)
	}
	return h
}

// lastSplashAt adds the splash of the last drop.
func (f Flight) lastSplashAt(w *Water, at time.Duration) {
	if len(f.Drops) == 0 {
		return
	}
	last := f.like(f.Drops[len(f.Drops)-1])
	last.Phases = f.Phases
	if at >= last.Contact && at < last.splashEnd() {
		last.splashAt(w, at)
		if h, v, ok := f.Column.Tip(at); ok && w.Column != nil {
			w.Column.Height, w.Column.Rising = h, v
		}
	}
}

// columnOfFirstAt adds the first drop's splash, its column, and the sheet that opens where the second one has met it.
func (f Flight) columnOfFirstAt(w *Water, at time.Duration, met bool) {
	if len(f.before) == 0 {
		return
	}
	first := f.like(f.Drops[0])
	if first.Phases = f.before; at >= first.Contact && at < first.splashEnd() {
		first.splashAt(w, at)
		w.Column = nil
	}
	h, v, ok := f.Column.Tip(at)
	if ok {
		if met {
			h = min(h, f.Meeting.Height)
		}
		w.Column = &Column{Height: h, Foot: slender * f.Column.Width, Rising: v}
	}
	if !met {
		return
	}
	w.Dome = f.Meeting.dome(at)
	if w.Dome != nil && ok { // it stands on the column, which sinks under it
		w.Dome.Height = h
	}
}

// A collision's sheet is seen until it has drawn back, in times of its spreading; its edge sinks by a part of its
// radius. A column's radius half way up is this part of its tip's width. Own choice, by eye.
const (
	sheetLasts = 2.2
	sheetDroop = 0.15
	slender    = 0.3
)

// dome is the sheet at a time: it grows ever slower, and draws back as fast. nil: it is gone.
func (m Meeting) dome(at time.Duration) *Dome {
	takes := (m.Widest - m.At).Seconds()
	part := (at - m.At).Seconds() / takes
	if part > sheetLasts {
		return nil
	}
	grown := float64(m.Radius - m.Diameter/2)
	radius := m.Diameter/2 + phys.Length(max(grown*part*(2-part), 0))
	return &Dome{Height: m.Height, Radius: radius, Droop: sheetDroop * radius,
		Widening: phys.Speed(2 * grown * (1 - part) / takes)}
}
