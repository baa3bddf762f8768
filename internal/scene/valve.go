package scene

import (
	"cmp"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"stillwater/internal/liquids"
	"stillwater/internal/phys"
	"stillwater/internal/shot"
	"stillwater/internal/splash"
)

// ErrNoDrop means that an opening let out too little for a drop: it hangs on the tip.
var ErrNoDrop = errors.New("too little came out for a drop")

// ErrRan means that a valve was open for so long that the liquid ran: no drop, and the tip is full.
var ErrRan = errors.New("the liquid ran")

// runsFrom is the surplus from which on it is no drop: own choice, where drops would be larger than splashes are known.
const runsFrom = 1.1

// valveSpreads is how much drops from valves vary: standard deviations. What lets go when is from drop to drop, the
// rest is one for the room, so that a person can learn it. The volume of a drop varies by 1.6 % in all, through the
// dead times and what stays on the tip (water at the least volume of a solenoid valve: S. B. Bammesberger et al.,
// Micromachines 4 (2013) 9-21). All others: common practice, no source.
type valveSpreads struct {
	DeadTime     phys.Time // of opening and of closing, from drop to drop
	Remainder    float64   // of what stays on the tip, of itself, from drop to drop
	LetsGo       phys.Time // of when a drop lets go, from drop to drop
	Flow         float64   // of the flow over that of the set, one for the room
	Neck         float64   // of the neck's time, one for the room
	ColumnSpeed  float64   // of the speed at which a column leaves the surface, from drop to drop: its height by a tenth
	ColumnTime   float64   // of when it does, from drop to drop
	SheetTime    float64   // of when a collision's sheet is widest, from drop to drop
	SheetOfRoom  float64   // the same, one for the room
	SlowestRise  float64   // of columns, in units of sqrt(g R) of the crater's radius: one for the room, from
	FastestRise  float64   // to
	DropsTouchBy float64   // drops that are nearer than this, in diameters of the larger one, become one
}

func defaultValveSpreads() valveSpreads {
	return valveSpreads{
		DeadTime:     0.2e-3,
		Remainder:    0.04,
		LetsGo:       0.4e-3,
		Flow:         0.05,
		Neck:         0.08,
		ColumnSpeed:  0.035,
		ColumnTime:   0.02,
		SheetTime:    0.05,
		SheetOfRoom:  0.15,
		SlowestRise:  2.2,
		FastestRise:  3.1,
		DropsTouchBy: 1,
	}
}

// Valves is how many valves may drip in a room.
const Valves = 2

// tip is the end of a valve, in one room.
type tip struct {
	flow, neck float64       // relative to the set's and to the usual one
	remainder  float64       // on the tip now, relative to the usual one
	hangs      time.Duration // until then its last drop does
	dice       dice
}

func newTips(seed uint64, s valveSpreads) (tips [Valves]tip) {
	for i := range tips {
		rng := dice{rand.New(rand.NewPCG(seed, 1<<33+uint64(i)))}
		tips[i] = tip{flow: 1 + rng.normal(s.Flow), neck: 1 + rng.normal(s.Neck), remainder: 1, dice: rng}
	}
	return tips
}

// basin is what two drops do in the water of one room.
type basin struct {
	rise  float64 // of columns, in units of sqrt(g R)
	sheet float64 // of the sheet's time, relative to the usual one
}

func newBasin(seed uint64, s valveSpreads) basin {
	rng := dice{rand.New(rand.NewPCG(seed, 1<<34))}
	return basin{rise: rng.between(s.SlowestRise, s.FastestRise), sheet: 1 + rng.normal(s.SheetOfRoom)}
}

// ValveDrop is one drop that a valve let go. Times are those of its lowest point.
type ValveDrop struct {
	Valve    int // 1 for the first
	Opened   time.Duration
	LetsGo   time.Duration
	Diameter phys.Length
	Beam     time.Duration // at the beam
	Lands    time.Duration // or would, if it met nothing
	Speed    phys.Speed    // there

	leaves leaving
}

// Open is one opening of a valve of a set of drops, 1 for the first, from then until then. It belongs to the flight
// before if that is not over and lacks drops; then the flight is returned as it is now, with only the edges that are
// new. ErrNoDrop and ErrRan: no drop falls. What flows while the drop before still hangs from the tip flows into that;
// how heavy it is then changes nothing of when it lets go.
//
// Other errors are those of package splash or ballistics for an impossible set.
func (r *Room) Open(f *Flight, set shot.Set, valve int, from, to time.Duration) (Flight, []Edge, error) {
	g := Flight{Set: set, Released: from, Ends: from}
	if f != nil && from <= f.Ends && len(f.Drops) < set.Drops.Count {
		g = *f
		g.Drops = slices.Clone(f.Drops)
	} else {
		r.flights++
		g.Number, g.Detail = r.flights, r.seed<<20^uint64(r.flights)
	}
	d, poured, err := r.dropOf(set.Drops, valve, from, to)
	for i := len(g.Drops) - 1; i >= 0 && poured > 0; i-- {
		if before := &g.Drops[i]; before.Valve == valve {
			before.Diameter = sphere(ballOf(before.Diameter) + poured)
			break
		}
	}
	if err != nil {
		return g, nil, err
	}
	edges := len(g.Edges)
	if err := r.addPassing(&g, &d); err != nil {
		return g, nil, err
	}
	added := slices.Clone(g.Edges[edges:])
	g.Drops = append(g.Drops, d)
	slices.SortStableFunc(g.Drops, func(a, b ValveDrop) int { return cmp.Compare(a.Lands, b.Lands) }) // of two valves
	slices.SortStableFunc(g.Edges, func(a, b Edge) int { return cmp.Compare(a.At, b.At) })
	if err := r.playOut(&g); err != nil {
		return g, nil, err
	}
	r.camera.light, r.lastEnd = set.Light, max(r.lastEnd, g.Ends)
	return g, added, nil
}

// Shares of the largest drop that can hang from a tip: what falls of it if it grew slowly, and what then stays. Own
// choice, near the photographs of hanging drops; where the predictor has its tables this room has one pair for all
// tips.
const (
	fallingShare = 0.87
	stayingShare = 1 - fallingShare
)

// dropOf is the drop of one opening. Liquid flows as the head drives it while the valve is really open; with what
// stayed on the tip it makes the drop, and part of it stays again. What flows while the drop before hangs is poured
// into that, in cubic metres.
func (r *Room) dropOf(set shot.DropsSet, valve int, from, to time.Duration) (d ValveDrop, poured float64, err error) {
	liquid, err := liquids.Named(set.Liquid)
	if err != nil {
		return d, 0, err
	}
	slow, err := splash.DropDiameter(set.Tip, liquid)
	if err != nil {
		return d, 0, err
	}
	s, t := r.spreads.valveSpreads, &r.tips[valve-1]
	rng := t.dice
	bore, head := float64(set.Bore), float64(set.Head)
	flow := t.flow * float64(set.Discharge) * math.Pi / 4 * bore * bore * math.Sqrt(2*phys.Gravity*head)
	opens := float64(set.Opens) + rng.normal(float64(s.DeadTime))
	closes := float64(set.Closes) + rng.normal(float64(s.DeadTime))
	flows := (to - from).Seconds() - opens + closes
	late := min(max((t.hangs-from).Seconds()-opens, 0), max(flows, 0)) // into the drop before
	poured = flow * late
	let := flow*flows - poured
	falls := ballOf(slow)
	stays := falls / fallingShare * stayingShare
	remainder := 1 + rng.normal(s.Remainder)
	volume := let + stays*(t.remainder-remainder)
	surplus := (volume - falls) / (falls / fallingShare)
	if let <= 0 || surplus < 0.005 {
		t.remainder += max(let, 0) / stays // it hangs on the tip, and the next drop begins with it
		return d, poured, ErrNoDrop
	}
	if surplus > runsFrom {
		t.remainder = 1
		return d, poured, ErrRan
	}
	full := late + max(falls-stays*(t.remainder-1), 0)/flow // until as much hangs as can
	t.remainder = remainder
	d = ValveDrop{Valve: valve, Opened: from, Diameter: sphere(volume)}
	d.LetsGo = from + phys.Time(opens+full+t.neck*neckTime(surplus, liquid)+rng.normal(float64(s.LetsGo))).Duration()
	t.hangs = d.LetsGo
	d.leaves, err = leaveNozzle(shot.DropSet{Nozzle: set.Tip, Liquid: set.Liquid}, d.Diameter)
	d.leaves.speed *= phys.Speed(1 + fasterBySurplus*surplus)
	return d, poured, err
}

// ballOf is a sphere's volume, in cubic metres, and sphere the diameter of one.
func ballOf(d phys.Length) float64      { return math.Pi / 6 * math.Pow(float64(d), 3) }
func sphere(volume float64) phys.Length { return phys.Length(math.Cbrt(6 * volume / math.Pi)) }

// fasterBySurplus is how much faster a drop is when it lets go if it is heavier than can just hang: it falls while its
// neck still holds. Near what a one-dimensional model of the neck gives (the test of package splash has it), 0.9 to 1.
const fasterBySurplus = 0.95

// neckTime is how long a drop hangs on by its neck, in seconds: what is too heavy by a little begins slowly, and grows
// as whatever is unstable does, by the same factor in the same time. In units of sqrt(length/g) of the capillary
// length, near what a one-dimensional model of the neck gives: own choice.
func neckTime(surplus float64, liquid liquids.Liquid) float64 {
	length := math.Sqrt(float64(liquid.SurfaceTension) / (float64(liquid.Density) * phys.Gravity))
	return math.Sqrt(length/phys.Gravity) * (2.3 + 0.7*math.Log(1/surplus))
}

// addPassing works out when a drop passes the beam, and lands, and adds its edges.
func (r *Room) addPassing(f *Flight, d *ValveDrop) error {
	set, rng := f.Set.Drops, r.tips[0].dice
	beam := min(set.Beam+r.beamOffset, set.Height) + phys.Length(rng.normal(float64(r.spreads.DropEdge)))
	in := r.dropIn(f, len(f.Drops)+1, d.Diameter)
	broken, err := d.leaves.fall(beam + in.place)
	if err != nil {
		return err
	}
	surface, err := d.leaves.fall(set.Height)
	if err != nil {
		return err
	}
	d.Beam, d.Lands, d.Speed = d.LetsGo+broken.Time.Duration(), d.LetsGo+surface.Time.Duration(), surface.Speed
	return r.addDrop(f, rng, len(f.Drops)+1, d.leaves, d.LetsGo, beam, in)
}

// height is a drop's lowest point above the surface at a time; false: it has not let go, or has landed.
func (d ValveDrop) height(set shot.DropsSet, at time.Duration) (phys.Length, bool) {
	if at < d.LetsGo || at > d.Lands {
		return 0, false
	}
	low, high := phys.Length(0), set.Height
	for range 40 {
		middle := (low + high) / 2
		there, err := d.leaves.fall(set.Height - middle)
		if err != nil {
			return 0, false
		}
		if d.LetsGo+there.Time.Duration() > at { // it is still above
			low = middle
		} else {
			high = middle
		}
	}
	return (low + high) / 2, true
}
