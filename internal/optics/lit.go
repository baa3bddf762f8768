package optics

import (
	"cmp"
	"math"
	"slices"

	"stillwater/internal/phys"
)

// Lit is how long the light of all flashes lasts, as far as it decides the blur.
type Lit struct {
	Pulse  LightPulse
	Unit   int       // whose it is: 0 the first, 1 the first of the others
	Ideal  bool      // Pulse.Tenth is worked out as of an ideal decay
	Known  bool      // of every unit that counts
	Ghosts []UnitLit // units that are lit for longer and give too little to count, longest first
}

// UnitLit is how long one unit is lit, and how much of the light it gives.
type UnitLit struct {
	Unit  int        // 0 the first, 1 the first of the others
	Pulse LightPulse // zero where it is not known
	Ideal bool       // Pulse.Tenth is worked out as of an ideal decay
	Share float64    // of the light of all; 1 where that is not known
}

// Under is by how much its light is less than that of all.
func (u UnitLit) Under() Stops { return Stops(-math.Log2(u.Share)) }

// ghostShare is the part of all the light that the units which are lit longest may give together without deciding the
// blur: the part that the time above a tenth of the peak leaves out of an ideal decay (ISO 2827; 1 - 0.9). What they
// draw of something that moves is a ghost, as faint as their light.
const ghostShare = 0.1

// Lit describes the unit that is lit longest among those that count. Without a guide number of the first, all count.
func (f Flash) Lit() Lit {
	units := f.unitsLit()
	slices.SortStableFunc(units, func(a, b UnitLit) int { return cmp.Compare(b.duration(), a.duration()) })
	ghosts, share := 0, 0.0
	for ; ghosts < len(units)-1; ghosts++ {
		if share += units[ghosts].Share; share > ghostShare {
			break
		}
	}
	longest := units[ghosts]
	if longest.Pulse == (LightPulse{}) {
		return Lit{}
	}
	return Lit{Pulse: longest.Pulse, Unit: longest.Unit, Ideal: longest.Ideal, Known: true, Ghosts: units[:ghosts:ghosts]}
}

// duration is without end where it is not known.
func (u UnitLit) duration() phys.Time {
	if u.Pulse == (LightPulse{}) {
		return phys.Time(math.Inf(1))
	}
	return u.Pulse.Tenth
}

// unitsLit lists the units, the first of them first.
func (f Flash) unitsLit() []UnitLit {
	first := UnitLit{Ideal: f.Discharge().IsIdeal(f.Power), Share: 1}
	first.Pulse, _ = f.Discharge().At(f.Power)
	units := []UnitLit{first}
	all, known := f.FNumber(100)
	share := func(u Unit) float64 {
		if !known {
			return 1
		}
		return math.Exp2(float64(FlashExposure(u.FNumber(100), all)))
	}
	units[0].Share = share(f.Unit())
	for i, u := range f.OtherUnits() {
		lit := UnitLit{Unit: i + 1, Pulse: LightPulse{u.Lasts, u.Lasts * TenthOverHalf}, Ideal: true, Share: share(u.Unit)}
		if f.Measured == AboveTenth {
			lit.Pulse, lit.Ideal = LightPulse{u.Lasts / TenthOverHalf, u.Lasts}, false
		}
		units = append(units, lit)
	}
	return units
}

// PowerFor is the first unit's power step with most light at which the light of all lasts no longer than longest; false
// if there is none.
func (f Flash) PowerFor(longest phys.Time) (Fraction, bool) {
	for _, f.Power = range PowerMarks() {
		if l := f.Lit(); l.Known && l.Pulse.Tenth <= longest*(1+1e-9) {
			return f.Power, true
		}
	}
	return 0, false
}

// TooLong lists the others that last longer than longest and are no ghost: 1 the first of them.
func (f Flash) TooLong(longest phys.Time) (units []int) {
	ghosts := f.Lit().Ghosts
	for _, u := range f.unitsLit() {
		ghost := slices.ContainsFunc(ghosts, func(g UnitLit) bool { return g.Unit == u.Unit })
		if u.Unit > 0 && !ghost && u.duration() > longest*(1+1e-9) {
			units = append(units, u.Unit)
		}
	}
	return units
}
