package shot

import (
	"fmt"
	"math"

	"stillwater/internal/beam"
	"stillwater/internal/phys"
)

// onDrop is where a drop breaks the beam, from shot to shot and each time: its own swing and where in the slit it has
// taken enough light.
func (s Spread) onDrop(slit beam.Slit, diameter phys.Length) (sd, depth phys.Length, note string) {
	place := slit.Drop(diameter, s.Broken)
	return phys.Length(math.Hypot(float64(s.DropEdge), float64(place.SD))), phys.Length(math.Abs(float64(place.Mean))),
		"slit of " + inMm(slit.High)
}

// front is how far from the middle of the slit a straight front breaks a beam, each time; the scatter is in edge.
func (s Spread) front(slit beam.Slit) (depth phys.Length, note string) {
	return phys.Length(math.Abs(float64(slit.Sheet(s.Broken).Mean))), "slit of " + inMm(slit.High)
}

// minShareTaken is the part of the light that a drop takes at least, anywhere in the middle half between the heads.
func minShareTaken(slit beam.Slit, diameter phys.Length) float64 {
	return slit.Most(diameter, beam.Quarter)
}

// slit says that a drop takes too little of the light to break the beam, or what a narrower slit gains.
func (a advisor) slit(diameter phys.Length) string {
	slit := a.set.Beam
	if a.set.Kind == Drops && a.set.Drops.From != FromBeam {
		return ""
	}
	if part := minShareTaken(slit, diameter); part < a.spread.Broken.Most {
		return fmt.Sprintf("Through a slit of %s by %s a drop of %s takes %.0f %% of the light midway between the heads "+
			"and %.0f %% halfway from there to one, and in a lit room only %.0f %% is sure to break the beam: %s",
			inMm(slit.High), inMm(slit.Wide), inMm(diameter), 100*slit.Most(diameter, beam.Midway), 100*part,
			100*a.spread.Broken.Most, a.narrower(diameter))
	}
	set := a.set
	set.Beam.High = 1 * mm
	b, err := Errors(set, a.e, a.spread, a.tick)
	if err != nil || float64(b.Repeat.Mistiming) > minGain*float64(a.budget.Repeat.Mistiming) {
		return ""
	}
	return fmt.Sprintf("With a slit of %s instead of %s, along the fall, shots differ by %s instead of %s (SD).",
		inMm(set.Beam.High), inMm(slit.High), inMs(b.Repeat.Mistiming), inMs(a.budget.Repeat.Mistiming))
}

// narrower is the highest slit, if not that across, which lets too little light pass by the drop.
func (a advisor) narrower(diameter phys.Length) string {
	slit := a.set.Beam
	for high := math.Ceil(float64(slit.High/mm)*2) / 2; high >= 0.5; high -= 0.5 {
		slit.High = min(a.set.Beam.High, phys.Length(high)*mm)
		if part := minShareTaken(slit, diameter); part >= a.spread.Broken.Most {
			return fmt.Sprintf("through one of %s by %s it takes %.0f %% there.", inMm(slit.High), inMm(slit.Wide), 100*part)
		}
	}
	slit = beam.Slit{High: min(a.set.Beam.High, diameter), Wide: min(a.set.Beam.Wide, diameter)}
	return fmt.Sprintf("through one of %s by %s it takes %.0f %% there.", inMm(slit.High), inMm(slit.Wide),
		100*minShareTaken(slit, diameter))
}
