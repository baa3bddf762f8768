package scene

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"stillwater/internal/liquids"
	"stillwater/internal/phys"
	"stillwater/internal/record"
	"stillwater/internal/shot"
	"stillwater/internal/splash"
)

// ColumnRise is how the column of a splash comes and goes. It leaves the surface as a thread whose parts, thrown up
// together and the lower the slower, fly freely and pull it thinner. Its end draws back into it, as surface tension
// takes it, and is slowed down by that: most at first, then less and less, as C. J. M. van Rijn et al. measured
// (Phys. Rev. Fluids 6 (2021) 034801, as reported in Physics 14, 32: by up to 20 times gravity).
type ColumnRise struct {
	Emerges time.Duration
	Speed   phys.Speed  // at the surface
	Width   phys.Length // of its tip
	Draws   phys.Speed  // at which its end draws back into a thread as thick as it is first
}

// draws is the speed at which a thread of radius a retracts, by the momentum that its end gathers: pi a sigma against
// rho pi a² u² (J. B. Keller, Phys. Fluids 26 (1983) 3451-3453, from memory).
func draws(liquid liquids.Liquid, width phys.Length) phys.Speed {
	return phys.Speed(math.Sqrt(float64(liquid.SurfaceTension) / (float64(liquid.Density) * float64(width) / 2)))
}

// gathers is how long its end takes to draw back at full speed, from rest: as long as to cross its own radius.
func (c ColumnRise) gathers() float64 { return float64(c.Width) / 2 / float64(c.Draws) }

// flight is the tip's height and speed so long after it emerged. Between parts whose speed at the time t is
// z/t - g t/2, the end moves by dz/dt = z/t - g t/2 - u(t). From gathers on u grows as the thread gets thinner, its
// radius as t^(-1/2): as t^(1/4). Before, the end gathers speed evenly.
func (c ColumnRise) flight(t float64) (height, speed float64) {
	v, u, s := float64(c.Speed), float64(c.Draws), t/c.gathers()
	mean, now := u*s, u*s // of u/t, summed up, and of u
	if s > 1 {
		root := math.Sqrt(math.Sqrt(s))
		mean, now = u*(4*root-3), u*root
	}
	per := v - phys.Gravity*t/2 - mean
	return t * per, per - phys.Gravity*t/2 - now
}

// until is when something that holds at first holds no more, in seconds after it emerged: before it would be back if it
// flew freely.
func (c ColumnRise) until(holds func(height, speed float64) bool) float64 {
	low, high := 0.0, 2*float64(c.Speed)/phys.Gravity
	for range 40 {
		if middle := (low + high) / 2; holds(c.flight(middle)) {
			low = middle
		} else {
			high = middle
		}
	}
	return low
}

// HighestAt is when its tip is highest.
func (c ColumnRise) HighestAt() time.Duration {
	return c.Emerges + phys.Time(c.until(func(_, speed float64) bool { return speed > 0 })).Duration()
}

// Ends is when its tip is back at the surface.
func (c ColumnRise) Ends() time.Duration {
	return c.Emerges + phys.Time(c.until(func(height, _ float64) bool { return height >= 0 })).Duration()
}

// Tip is the tip's height and its speed upwards at a time; false: there is no column.
func (c ColumnRise) Tip(at time.Duration) (phys.Length, phys.Speed, bool) {
	if c.Speed == 0 || at <= c.Emerges {
		return 0, 0, false
	}
	height, speed := c.flight((at - c.Emerges).Seconds())
	if height <= 0 {
		return 0, 0, false
	}
	return phys.Length(height), phys.Speed(speed), true
}

// Highest is the tip's greatest height.
func (c ColumnRise) Highest() phys.Length {
	if c.Speed == 0 {
		return 0
	}
	height, _, _ := c.Tip(c.HighestAt())
	return height
}

// Meeting is what the second drop meets. Without a column, or before and after it, that is the surface.
type Meeting struct {
	Column   bool // the first drop's column
	InAir    bool // the first drop itself: the two are one before they land
	At       time.Duration
	Height   phys.Length   // above the surface
	Relative phys.Speed    // of the two
	Widest   time.Duration // when the collision's sheet is widest
	Radius   phys.Length   // of the sheet then
	Diameter phys.Length   // of the drop that met it
}

// playOut works out what the drops so far do in the pool: the column of the first, what the second meets, and when the
// set's moment is.
func (r *Room) playOut(f *Flight) error {
	set, last := f.Set.Drops, f.Drops[len(f.Drops)-1]
	f.Diameter, f.Speed, f.Contact = last.Diameter, last.Speed, last.Lands
	f.Phases, f.Arrives = nil, false
	own := dice{rand.New(rand.NewPCG(r.seed, 1<<40|uint64(f.Number)))}
	like := *f
	like.Set.Drop = shot.DropSet{Liquid: set.Liquid, PoolLiquid: set.PoolLiquid, Phase: set.Phase}
	if err := r.addSplash(&like, own); err != nil {
		return err
	}
	f.Phases, f.Ends, f.crater, f.capillary = like.Phases, like.Ends, like.crater, like.capillary
	if set.Want == shot.WantPhase {
		f.Best, f.Arrives = like.Best, like.Arrives && len(f.Drops) == set.Count
		return r.riseOf(f, last, own)
	}
	if len(f.Drops) < 2 {
		return nil
	}
	column, err := r.columnOf(set, f.Drops[0], own)
	if err != nil {
		return err
	}
	f.Column = column
	if f.before, err = r.splashBefore(f); err != nil {
		return err
	}
	return r.meet(f, own)
}

// riseOf gives the splash of a drop the column that another drop would meet: who measures it finds that one.
func (r *Room) riseOf(f *Flight, d ValveDrop, own dice) error {
	column, err := r.columnOf(f.Set.Drops, d, own)
	if err != nil || column.Speed == 0 {
		return err
	}
	f.Column = column
	at := map[splash.Phase]time.Duration{splash.ColumnEmerges: column.Emerges,
		splash.ColumnHighest: column.HighestAt(), splash.ColumnGone: column.Ends()}
	for i, p := range f.Phases {
		if is, ok := at[p.Phase]; ok {
			f.Phases[i].At = is
		}
		if p.Phase == f.Set.Drops.Phase {
			f.Best = f.Phases[i].At
		}
	}
	f.Ends = f.splashEnd() + settleTime
	return nil
}

// columnOf is the column of a drop's splash. Its times are this room's; how fast it leaves the surface is drawn
// in units of sqrt(g R) of the crater's radius R, which is what a crater that fills by gravity has to give: from 2.2 to
// 3.1, with which the columns of A. M. Worthington's drops (1908, I and I-a) rise for as long as he printed, 0.05 s and
// 0.066 to 0.081 s. It is as wide as the drop: what it throws off was larger than the drop that fell (6.6 against 5 mm;
// Yu. D. Chashechkin and V. E. Prokhorov, Fluid Dynamics 60 (2025) 132).
func (r *Room) columnOf(set shot.DropsSet, d ValveDrop, own dice) (ColumnRise, error) {
	liquid, pool, err := liquidsOf(set.Liquid, set.PoolLiquid)
	if err != nil {
		return ColumnRise{}, err
	}
	size, v := float64(d.Diameter), float64(d.Speed)
	if v*math.Sqrt(size*float64(pool.Density)/float64(pool.SurfaceTension)) < columnSpeedRoot {
		return ColumnRise{}, nil
	}
	crater := math.Pow(float64(liquid.Density/pool.Density)*size*size*size*v*v/(3*phys.Gravity), 0.25)
	var after float64
	for _, p := range timedPhases() {
		if p.phase == splash.ColumnEmerges {
			after = p.low + r.bandPosition*(p.high-p.low)
		}
	}
	after *= 1 + own.normal(r.spreads.ColumnTime)
	speed := r.basin.rise * math.Sqrt(phys.Gravity*crater) * (1 + own.normal(r.spreads.ColumnSpeed))
	return ColumnRise{Emerges: d.Lands + phys.Time(after*math.Sqrt(crater/phys.Gravity)).Duration(),
		Speed: phys.Speed(speed), Width: d.Diameter, Draws: draws(pool, d.Diameter)}, nil
}

// meetSteps halve the height at which two meet, from that of a column to less than a micrometre.
const meetSteps = 18

func above(gap phys.Length, _ time.Duration) bool { return gap > 0 }

// meet finds where the second drop touches the column, or the first drop in the air.
func (r *Room) meet(f *Flight, own dice) error {
	set, first, second := f.Set.Drops, f.Drops[0], f.Drops[1]
	m := Meeting{At: second.Lands, Relative: second.Speed, Diameter: second.Diameter}
	if gap := second.Lands - first.Lands; gap < touching(first, r.spreads.DropsTouchBy) {
		m.InAir = true
		f.Meeting = &m
		return nil
	}
	over := func(h phys.Length) (phys.Length, time.Duration) { // how far above the column's tip the drop is at a height
		there, err := second.leaves.fall(set.Height - h)
		at := second.LetsGo + there.Time.Duration()
		tip, _, _ := f.Column.Tip(at)
		if err != nil {
			tip = 0
		}
		return h - tip, at
	}
	// The drop falls faster than a column sinks, so it touches once, if there is a column when it would land.
	if _, _, there := f.Column.Tip(second.Lands); there {
		low, high := phys.Length(0), min(f.Column.Highest(), set.Height)
		for range meetSteps {
			if middle := (low + high) / 2; above(over(middle)) {
				high = middle
			} else {
				low = middle
			}
		}
		_, at := over(high)
		_, up, _ := f.Column.Tip(at)
		m.Column, m.At, m.Height, m.Relative = true, at, high, second.Speed+up
	}
	if m.Column {
		r.spread(&m, set.Liquid, own)
		f.Arrives, f.Best = true, m.moment(set.Sheet)
		f.Ends = max(f.Ends, m.Widest+settleTime)
	}
	f.Meeting = &m
	return nil
}

// touching is within which time after a drop another one is, in effect, the same.
func touching(first ValveDrop, diameters float64) time.Duration {
	return phys.Time(diameters * float64(first.Diameter) / float64(first.Speed)).Duration()
}

// spread is how the sheet of a collision spreads: for longer the more of its speed surface tension has to take, and as
// far as that lets it. Powers of the Weber number and factors are this room's own choice, no source.
func (r *Room) spread(m *Meeting, name string, own dice) {
	liquid, _ := liquids.Named(name) // found before
	d, v := float64(m.Diameter), float64(m.Relative)
	weber := float64(liquid.Density) * v * v * d / float64(liquid.SurfaceTension)
	takes := 0.32 * r.basin.sheet * d / v * math.Pow(weber, 0.4) * (1 + own.normal(r.spreads.SheetTime))
	m.Widest = m.At + phys.Time(takes).Duration()
	m.Radius = phys.Length(0.4 * d * math.Pow(weber, 0.25))
}

// moment is when the sheet shows what is wanted.
func (m Meeting) moment(want shot.SheetPhase) time.Duration {
	switch want {
	case shot.SheetContact:
		return m.At
	case shot.SheetOpening:
		return m.At + (m.Widest-m.At)/2
	}
	return m.Widest
}

// Judging collisions: own choice, no source.
const (
	goodMeetingMm = 5.0 // this near the height that was wanted
	goodSheet     = 0.2 // of the sheet's time: off by so much it still has its shape
)

// describeDrops describes the picture of drops from valves.
func (f Flight) describeDrops(frame *Frame, at time.Duration) {
	if f.Set.Drops.Want == shot.WantPhase {
		like := f
		like.Set.Drop = shot.DropSet{Phase: f.Set.Drops.Phase}
		like.describeDrop(frame, at)
		if n := len(f.Drops); n < f.Set.Drops.Count {
			frame.Seen += fmt.Sprintf("; %d of %d drops fell", n, f.Set.Drops.Count)
			frame.Verdict = record.Nothing
		}
		return
	}
	m := f.Meeting
	switch {
	case m == nil:
		frame.Seen = "nothing there: no second drop fell"
	case m.InAir:
		frame.Seen = "nothing there: the second drop caught the first one in the air"
	case !m.Column:
		frame.Seen = "no collision: " + f.withoutColumn(*m)
	default:
		f.describeCollision(frame, *m, at)
	}
}

func (f Flight) withoutColumn(m Meeting) string {
	switch {
	case f.Column.Speed == 0:
		return "so slow a drop raises no column"
	case m.At <= f.Column.Emerges:
		return fmt.Sprintf("the second drop landed %s before the column rose", inMs(f.Column.Emerges-m.At))
	}
	return fmt.Sprintf("the second drop landed %s after the column was gone", inMs(m.At-f.Column.Ends()))
}

func (f Flight) describeCollision(frame *Frame, m Meeting, at time.Duration) {
	set := f.Set.Drops
	off := float64(m.Height-set.Meet) * 1e3
	frame.HeightMm = off
	where := fmt.Sprintf("%.0f mm above the surface", float64(m.Height)*1e3)
	aim := ""
	switch {
	case off > goodMeetingMm:
		aim = fmt.Sprintf(", %.0f mm too high", off)
	case off < -goodMeetingMm:
		aim = fmt.Sprintf(", %.0f mm too low", -off)
	}
	takes, age, w := m.Widest-m.At, at-m.At, f.dropsAt(at)
	switch {
	case age < 0 && len(w.Balls) > 0 && w.Column != nil && w.lowest() < frameDropMm*1e-3:
		gap := float64(w.lowest()-w.Column.Height) * 1e3
		frame.Seen = fmt.Sprintf("the column, and the second drop %.1f mm above it", gap)
	case age < 0:
		frame.Seen = fmt.Sprintf("nothing there: the drops meet %s later", inMs(-age))
		return
	case w.Dome == nil:
		over := age - time.Duration(sheetLasts*float64(takes))
		frame.Seen = fmt.Sprintf("nothing there: the collision is over for %s", inMs(over))
		return
	case age < 50*time.Microsecond:
		frame.Seen = "drop and column touch " + where + aim
	case (at - m.Widest).Abs() < 50*time.Microsecond:
		frame.Seen = "the sheet at its widest, " + where + aim
	default:
		frame.Seen = "the sheet " + beforeOrAfter(at-m.Widest, "%s after its widest", "%s before its widest") + ", " +
			where + aim
	}
	if low := float64(w.lowest()) * 1e3; age >= 0 && low < frameThirdMm {
		frame.Seen += fmt.Sprintf("; the third drop %.0f mm above the surface", low)
	}
	inTime := frame.Offset.Abs() <= time.Duration(goodSheet*float64(takes))
	frame.setVerdict(inTime)
	switch {
	case inTime && off > goodMeetingMm:
		frame.Verdict = record.TooHigh
	case inTime && off < -goodMeetingMm:
		frame.Verdict = record.TooLow
	}
}

// frameThirdMm is how far up a third drop is still in the frame: own choice.
const frameThirdMm = 150.0

// lowest is the lowest point of the drops in the air.
func (w Water) lowest() phys.Length {
	low := phys.Length(math.Inf(1))
	for _, b := range w.Balls {
		low = min(low, b.At.Y-b.Diameter/2)
	}
	return low
}
