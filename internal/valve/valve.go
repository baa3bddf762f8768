// Package valve predicts the drops that a valve lets out of a tip: how much liquid an opening gives, when a drop of it
// lets go and how big it is, what stays on the tip, and which openings give no drop or more than one.
//
// All functions are pure. An argument outside a model's domain yields a *phys.DomainError whose Field is the
// parameter's name.
package valve

import (
	"fmt"
	"math"
	"strconv"

	"stillwater/internal/liquids"
	"stillwater/internal/phys"
	"stillwater/internal/splash"
)

// Valve is a valve above a tip, with liquid standing above both.
type Valve struct {
	Tip       phys.Length // outer diameter
	Bore      phys.Length // narrowest diameter on the way
	Head      phys.Length // from the tip up to the liquid's surface; with an air tube (Mariotte's bottle) to its lower end
	Discharge float64     // coefficient, of all that is on the way
	Opens     phys.Time   // from switching on until liquid flows
	Closes    phys.Time   // from switching off until none flows
	Liquid    liquids.Liquid
	Weighed   []Weighing // as ParseWeighings returns them; empty: computed from the above
}

// Drop is what one opening gives when each of many gives the same: all that flows falls.
type Drop struct {
	Volume   phys.Volume
	Diameter phys.Length // of a sphere of that volume
	Falls    phys.Time   // after switching on: from then its lowest point moves as if released at rest at Start.Release
	PinchOff phys.Time   // after switching on: its neck breaks, and what flows from then on is the next drop's
	Necks    phys.Time   // for how long it hung by its neck by then, with as much as can hang, or more
	Start    splash.Start
	Stays    phys.Volume // on the tip, for the next drop to begin with
	FromDry  phys.Volume // what falls if nothing is on the tip yet; 0: it only fills the tip
	Flow     Flow
	Weber    float64 // of the liquid at the tip
	Jet      float64 // Weber number from which a lasting flow is a jet
}

// Flow is in cubic metres per second.
type Flow float64

func (q Flow) String() string { return fmt.Sprintf("%.2f ml/s", float64(q)*1e6) }

// Discharge is the flow through a bore: E. Torricelli's sqrt(2 g head) times the bore's area and a coefficient, 0.6 for
// a sharp edge, 0.8 for a short tube. In E. Mariotte's bottle the head is that above the air tube's lower end: the
// liquid there is at the pressure of the air, however much stands above it.
func Discharge(bore, head phys.Length, coefficient float64) Flow {
	area := math.Pi / 4 * float64(bore*bore)
	return Flow(coefficient * area * math.Sqrt(2*phys.Gravity*max(float64(head), 0)))
}

// NoDropError reports an opening that lets out less than a drop.
type NoDropError struct{ Open, Least phys.Time }

func (e *NoDropError) Error() string {
	return fmt.Sprintf("an opening of %s lets out less than a drop", inMs(e.Open))
}

// TrainError reports an opening that lets out more than one drop: one after the other or, where the liquid flows fast
// enough, as a jet.
type TrainError struct {
	Open, Most phys.Time
	Jet        bool
}

func (e *TrainError) Error() string {
	if e.Jet {
		return fmt.Sprintf("an opening of %s lets out a jet, which breaks up into more than one drop", inMs(e.Open))
	}
	return fmt.Sprintf("an opening of %s lets out more than one drop", inMs(e.Open))
}

// NotWeighedError reports an opening too far from those that were weighed.
type NotWeighedError struct{ Open, Shortest, Longest phys.Time }

func (e *NotWeighedError) Error() string {
	weighed := inMs(e.Shortest)
	if e.Longest > e.Shortest {
		weighed += " to " + inMs(e.Longest)
	}
	return fmt.Sprintf("an opening of %s is too far from those that were weighed, %s", inMs(e.Open), weighed)
}

// inMs writes an opening for people.
func inMs(t phys.Time) string {
	return strconv.FormatFloat(float64(phys.Round(t*1e3, 9)), 'f', -1, 64) + " ms"
}

// beyondWeighed is how far an opening may lie beyond those that were weighed, as a part of it: own choice.
const beyondWeighed = 0.15

// Limits are the openings that give one drop each.
type Limits struct{ Least, Most phys.Time }

// Limits of this valve. The most is where the liquid keeps flowing until the neck breaks: what comes later belongs to
// another drop, which falls when enough has gathered, now and then at first. Nor does it go beyond what the solver of
// splash was tried with.
func (v Valve) Limits() (Limits, error) {
	h, err := splash.HangingFrom(v.Tip, v.Liquid)
	if err != nil {
		return Limits{}, err
	}
	falls := v.falls(h)
	flow := float64(v.flow())
	least := v.OpeningFor(falls + splash.MinSurplus*h.Most)
	more := min(phys.Volume(flow)*phys.Volume(h.Breaks(flow/float64(h.Most))), splash.MaxSurplus*h.Most)
	most := v.OpeningFor(falls + more)
	if n := len(v.Weighed); n > 0 {
		least, most = min(least, v.Weighed[0].Open), max(most, v.Weighed[n-1].Open)
		least, most = max(least, v.Weighed[0].Open*(1-beyondWeighed)), min(most, v.Weighed[n-1].Open*(1+beyondWeighed))
	}
	return Limits{least, most}, nil
}

// falls is what falls of a drop that grew slowly; less, where drops that were weighed had less.
func (v Valve) falls(h splash.Hanging) phys.Volume {
	if len(v.Weighed) == 0 {
		return h.Falls
	}
	return min(h.Falls, v.volumeOf(v.Weighed[0])-splash.MinSurplus*h.Most)
}

func (v Valve) volumeOf(w Weighing) phys.Volume {
	return phys.Volume(float64(w.OneDrop()) / float64(v.Liquid.Density))
}

// flow is the computed one or, with two weighings or more, that between the first and the last.
func (v Valve) flow() Flow {
	if n := len(v.Weighed); n > 1 {
		a, b := v.Weighed[0], v.Weighed[n-1]
		return Flow((v.volumeOf(b) - v.volumeOf(a)) / phys.Volume(b.Open-a.Open))
	}
	return Discharge(v.Bore, v.Head, v.Discharge)
}

// Volume is what an opening lets out: between what was weighed by straight lines, beyond it along the nearest one. A
// valve that is switched off before it opens lets out nothing.
func (v Valve) Volume(open phys.Time) phys.Volume {
	n := len(v.Weighed)
	if n == 0 {
		if open <= v.Opens {
			return 0
		}
		return max(phys.Volume(float64(v.flow())*float64(open-v.Opens+v.Closes)), 0)
	}
	if n == 1 {
		return max(v.volumeOf(v.Weighed[0])+phys.Volume(float64(v.flow())*float64(open-v.Weighed[0].Open)), 0)
	}
	i := 1
	for i < n-1 && v.Weighed[i].Open < open {
		i++
	}
	a, b := v.Weighed[i-1], v.Weighed[i]
	share := phys.Volume((open - a.Open) / (b.Open - a.Open))
	return max(v.volumeOf(a)+share*(v.volumeOf(b)-v.volumeOf(a)), 0)
}

// OpeningFor is the opening that lets out that volume, to a microsecond: the inverse of Volume.
func (v Valve) OpeningFor(volume phys.Volume) phys.Time {
	low, high := phys.Time(0), phys.Time(1)
	for v.Volume(high) < volume && high < 1e4 {
		high *= 2
	}
	for high-low > 1e-6 {
		if mid := (low + high) / 2; v.Volume(mid) < volume {
			low = mid
		} else {
			high = mid
		}
	}
	return high
}

// Deviating is the drop of an opening that lets out more than planned by a part of it, or less: a liquid that hangs
// on, or falls in two, is taken for one drop.
//
// Errors: as Drop, for the opening as planned.
func (v Valve) Deviating(open phys.Time, part float64) (Drop, error) {
	planned, err := v.Drop(open)
	if err != nil || part == 0 {
		return planned, err
	}
	h, err := splash.HangingFrom(v.Tip, v.Liquid)
	if err != nil {
		return Drop{}, err
	}
	return v.drop(h, open, planned.Volume*phys.Volume(1+part)), nil
}

// Drop is the drop of an opening.
//
// Errors: *NoDropError, *TrainError, *NotWeighedError, or *phys.DomainError for a tip or liquid outside the domain of
// splash.HangingFrom.
func (v Valve) Drop(open phys.Time) (Drop, error) {
	limits, err := v.Limits()
	if err != nil {
		return Drop{}, err
	}
	if n := len(v.Weighed); n > 0 && (open < v.Weighed[0].Open*(1-beyondWeighed) ||
		open > v.Weighed[n-1].Open*(1+beyondWeighed)) {
		return Drop{}, &NotWeighedError{open, v.Weighed[0].Open, v.Weighed[n-1].Open}
	}
	switch {
	case open < limits.Least: // first: where hardly anything flows, the least is more than the most
		return Drop{}, &NoDropError{open, limits.Least}
	case open > limits.Most:
		return Drop{}, &TrainError{open, limits.Most, v.weber(v.flow()) > v.jetWeber()}
	}
	h, err := splash.HangingFrom(v.Tip, v.Liquid)
	if err != nil {
		return Drop{}, err
	}
	return v.drop(h, open, v.Volume(open)), nil
}

// drop follows the liquid on the tip: it begins with what stayed, is as much as can hang when that which falls has
// flowed, and grows while the valve is open.
func (v Valve) drop(h splash.Hanging, open phys.Time, volume phys.Volume) Drop {
	falls, flow := v.falls(h), v.flow()
	surplus := float64((volume - falls) / h.Most)
	// How long it flows on after it is as much as can hang.
	flows := phys.Time(max(float64(volume-falls), 0) / float64(flow))
	d := Drop{Volume: volume, Diameter: phys.Length(math.Cbrt(6 * float64(volume) / math.Pi)), Start: h.Start,
		Stays: h.Stays(), Flow: flow}
	hangs := open + v.Closes - flows // as much as can
	d.Falls, d.Necks = hangs+h.LetsGo(surplus, flows), h.PinchOff(surplus, flows)
	d.PinchOff = hangs + d.Necks
	if least := falls + splash.MinSurplus*h.Most; volume-d.Stays >= least {
		d.FromDry = volume - d.Stays
	}
	d.Weber, d.Jet = v.weber(flow), v.jetWeber()
	return d
}

// weber is the Weber number of the liquid at the tip, whose bore is taken to be as wide as it is outside.
func (v Valve) weber(q Flow) float64 {
	speed := float64(q) / (math.Pi / 4 * float64(v.Tip*v.Tip))
	return float64(v.Liquid.Density) * speed * speed * float64(v.Tip) / float64(v.Liquid.SurfaceTension)
}

// jetWeber is the Weber number from which a lasting flow through a tip is a jet: C. Clanet and J. C. Lasheras, J. Fluid
// Mech. 383 (1999) 307-326, whose constant is 0.37 for water in air (seen, as are the numbers that it is made of; the
// formula from memory), with the same diameter inside and outside.
func (v Valve) jetWeber() float64 {
	bond := float64(v.Liquid.Density) * phys.Gravity * float64(v.Tip*v.Tip) / (2 * float64(v.Liquid.SurfaceTension))
	x := 1 + 0.37*bond
	root := x - math.Sqrt(x*x-1)
	return 4 * root * root
}
