package splash

import (
	"math"

	"stillwater/internal/liquids"
	"stillwater/internal/phys"
)

// Hanging is a drop that hangs from a tip and grows until it lets go.
type Hanging struct {
	Most  phys.Volume // the largest that can hang
	Falls phys.Volume // of that, what falls when it grew slowly
	Start Start       // of a drop that grew slowly
	unit  phys.Time   // sqrt(capillary length/g)
}

// Stays is what is left on the tip when a drop has fallen.
func (h Hanging) Stays() phys.Volume { return h.Most - h.Falls }

// maxHangingTable is the largest drop that can hang against the tip's radius, in capillary lengths: Young and Laplace's
// equation, integrated by the solver that TestMaxHangingTable runs again.
var maxHangingTable = [...]struct{ radius, volume float64 }{
	{0.05, 0.279}, {0.1, 0.525}, {0.2, 0.994}, {0.367, 1.751}, {0.55, 2.635}, {0.734, 3.628}, {0.917, 4.728},
	{1.1, 5.937}, {1.3, 7.362}, {1.6, 9.677}, {2, 12.860}, {2.4, 15.814}, {2.8, 18.041},
}

// maxFalls is the most of a drop that falls: below 1.3 mm of tip Harkins and Brown's drops are as heavy as the largest
// that can hang, by the errors of either. Common practice, no source.
const maxFalls = 0.95

// HangingFrom is the drop at a tip of that outer diameter, wetted to its rim. Domains: as DropDiameter, but from a
// twentieth of the capillary length up (0.3 mm for water). What falls is as there, by Harkins and Brown.
func HangingFrom(tip phys.Length, liquid liquids.Liquid) (Hanging, error) {
	diameter, err := DropDiameter(tip, liquid)
	if err != nil {
		return Hanging{}, err
	}
	length := capillaryLength(liquid)
	least := phys.RoundUp(phys.Length(2*maxHangingTable[0].radius*length), 2)
	if err := phys.Within("nozzle", tip, least, widestNozzle(liquid)); err != nil {
		return Hanging{}, err
	}
	start, err := StartOf(tip, liquid)
	if err != nil {
		return Hanging{}, err
	}
	x, i := float64(tip)/2/length, 1
	for i < len(maxHangingTable)-1 && maxHangingTable[i].radius < x {
		i++
	}
	a, b := maxHangingTable[i-1], maxHangingTable[i]
	most := (a.volume + (b.volume-a.volume)*(x-a.radius)/(b.radius-a.radius)) * math.Pow(length, 3)
	falls := min(math.Pi/6*math.Pow(float64(diameter), 3), maxFalls*most)
	return Hanging{Most: phys.Volume(most), Falls: phys.Volume(falls), Start: start,
		unit: phys.Time(math.Sqrt(length / phys.Gravity))}, nil
}

// MinSurplus is the part of Most by which a drop exceeds it at least when it lets go soon: with 1 % the solver has it
// hang for longer than half a second.
const MinSurplus = 0.03

// MaxSurplus is the most that LetsGo was fitted to.
const MaxSurplus = 1.04

// NeckingSpread is the spread of LetsGo, as a fraction of the time until the neck breaks: what the fit below leaves of
// the solver's times is 6 % RMS, and the solver has the flow press on the rim alone. Common practice, no source.
const NeckingSpread = 0.15

// LetsGo is when the lowest point of a drop begins to fall, as if released at rest at Start.Release: counted from when
// the drop is the largest that can hang. Liquid flows in for a while after that, surplus in all, as a part of Most.
//
// It is a fit to the solver behind StartOf, with tips of 2 to 4 mm and surpluses of 3 % to 104 %, both given at once
// and flowing in: the neck breaks after 0.42 of the flow's time and 1.9 + 0.58/surplus^0.6, in units of
// sqrt(length/g), and the drop is by then faster by 0.95 of the surplus than one without (TestLetsGo).
func (h Hanging) LetsGo(surplus float64, flows phys.Time) phys.Time {
	surplus = max(surplus, MinSurplus)
	falling := math.Sqrt(2*float64(h.Start.Length-h.Start.Release)/phys.Gravity) + 0.95*surplus*float64(h.unit)
	return h.PinchOff(surplus, flows) - phys.Time(falling)
}

// PinchOff is when the neck of a drop breaks, counted as LetsGo: until then, what comes out of the tip flows into it.
func (h Hanging) PinchOff(surplus float64, flows phys.Time) phys.Time {
	surplus = max(surplus, MinSurplus)
	return 0.42*flows + phys.Time(1.9+0.58*math.Pow(surplus, -0.6))*h.unit
}

// Breaks is when the neck of a drop breaks into which liquid keeps flowing, from when it is the largest that can hang;
// perSecond is the flow as a part of Most. What comes later belongs to the next drop.
func (h Hanging) Breaks(perSecond float64) phys.Time {
	flow := perSecond * float64(h.unit)
	low, high := 0., 1e3
	for range 60 {
		t := (low + high) / 2
		if 0.42*t+1.9+0.58*math.Pow(flow*t, -0.6) > t {
			low = t
		} else {
			high = t
		}
	}
	return phys.Time(high) * h.unit
}
