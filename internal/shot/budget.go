package shot

import (
	"fmt"
	"math"
	"time"

	"stillwater/internal/ballistics"
	"stillwater/internal/beam"
	"stillwater/internal/phys"
	"stillwater/internal/splash"
)

// Budget is the error budget of a shot: how far from the moment the picture will be, term by term, as standard
// deviations.
type Budget struct {
	Terms  []Term
	Total  Term       // all of them in quadrature: the first shot of an evening
	Repeat Term       // without the steady ones: what is left between shots once the trim is right
	Speed  phys.Speed // along the path at the moment; 0: a turning point, or nothing moves along a path
	Meets  float64    // share of collisions that are one, once trimmed; 0: none is wanted
}

// Term is one contribution, as one standard deviation.
type Term struct {
	Name          string
	Note          string // what it is worked out with, if that is a matter of choice: "3.0 mm assumed"
	Mistiming     phys.Time
	Displaced     phys.Length // along the path, in that time; for a splash see Errors
	Systematic    bool        // the same in every shot of an evening: the trim takes it out
	Compensated   bool        // the plan takes it out: Mistiming is what is left of Without
	Uncompensated phys.Time   // what it would be if the plan did not
}

// Label is the name with its note.
func (t Term) Label() string {
	if t.Note == "" {
		return t.Name
	}
	return t.Name + ", " + t.Note
}

// Spread is the uncertainty of a plan's inputs. Where only the person in the room can know, it is a guess, to be
// replaced by what is measured there.
type Spread struct {
	ThrowSpeed  float64          // from throw to throw, fraction of the speed, SD
	GatePlace   phys.Length      // of the distance between the beams as measured, SD
	FocusPlace  phys.Length      // of the distance to the focus spot as measured, SD
	ThrowAngle  phys.Angle       // from throw to throw, SD
	ThrowMass   float64          // of the mass's diameter as estimated, fraction, SD
	ThrowEdge   phys.Length      // of the ragged leading edge, at each beam by itself, SD; if the set has none measured
	DropEdge    phys.Length      // of a drop's lowest point, which swings and wobbles, SD
	Broken      beam.Share       // of the beam's light, taken: then it reads as broken
	DropSize    float64          // from drop to drop, fraction of the diameter, SD
	DropKnown   float64          // of the diameter as computed or measured, fraction, SD
	BeamPlace   phys.Length      // of the beam's height above the surface as measured, SD
	Splash      float64          // of the splash's time from shot to shot, fraction, SD
	Distance    phys.Length      // of the microphone's distance as measured, SD
	Temperature phys.Temperature // of the air's as measured, SD
	Hearing     phys.Time        // of the microphone's response, from sound to sound, SD

	ValveVolume float64   // of what an opening lets out, from drop to drop, fraction, SD
	ValveTime   phys.Time // of when a drop lets go, besides what its size does, from drop to drop, SD
	ValveFlow   float64   // of the flow as computed, fraction, SD
	Weighed     float64   // of a drop's mass as weighed, fraction, SD
	LetsGo      float64   // of the time until a drop lets go, as computed, fraction, SD
	Column      float64   // of a column's height from shot to shot, fraction, SD
	Sheet       float64   // of the time of a collision's sheet from shot to shot, fraction, SD
}

// DefaultSpread is used where nothing better was measured.
func DefaultSpread() Spread {
	return Spread{
		// Balls thrown gently at 1.5 m, 14 of them three times: 8 % and 0.062 rad (R. Allain, "Variation in Throwing a
		// Ball", 2010; testdata/published/splash_published_2.csv). No measurement of thrown liquid was found.
		ThrowSpeed: 0.08,
		ThrowAngle: 0.062,
		ThrowMass:  0.3,      // common practice, no source: a sheet is no sphere
		ThrowEdge:  3 * mm,   // common practice, no source; the terms say that it is assumed, throw.edge replaces it
		GatePlace:  1 * mm,   // common practice, no source: a ruler
		FocusPlace: 1 * cm,   // common practice, no source: where the sheet is at its best in the frame
		DropEdge:   0.3 * mm, // common practice, no source
		Broken:     beam.Boards(),
		// Common practice, no source: an undisturbed drip. Valves give 1.6 % of volume, 0.5 % of diameter (S. B.
		// Bammesberger et al., Micromachines 4 (2013) 9-21); needles 4 to 6 %, the sizing of pictures included (M. N.
		// Chowdhury et al., Atmospheric Research 168 (2016) 158-168).
		DropSize: 0.01,
		// The computed diameter against what F. Eschbaum weighed in 1895: 1.9 % RMS, and smaller in most rows (tested).
		DropKnown:   0.019,
		BeamPlace:   1 * mm,   // common practice, no source: a ruler
		Splash:      0.02,     // common practice, no source
		Distance:    1 * cm,   // common practice, no source: a tape
		Temperature: 1,        // common practice, no source: a room thermometer
		Hearing:     0.2 * ms, // common practice, no source: where in the sound's first waves it triggers

		// Water at the least volume of a solenoid valve: 1.6 % (Bammesberger et al. 2013, as above).
		ValveVolume: 0.016,
		// Common practice, no source: an armature and a neck. Drops that drip by themselves come 5 ms apart from their
		// neighbours' time (SD, from the recordings in testdata/published/splash_published_2.csv).
		ValveTime: 0.5 * ms,
		ValveFlow: 0.1,  // common practice, no source: a coefficient from a book
		Weighed:   0.01, // common practice, no source: 20 drops on a kitchen scale that shows 0.01 g
		LetsGo:    splash.NeckingSpread,
		Column:    0.1,  // common practice, no source
		Sheet:     0.05, // common practice, no source
	}
}

// Names of the terms that Advice looks up.
const (
	termSpeed   = "throw speed, after the gate's table"
	termGate    = "ragged edge at the gate"
	termSecond  = "ragged edge at the second beam"
	termLag     = "camera lag"
	termAngle   = "launch angle"
	termSplash  = "splash times, from series to series"
	termBeam    = "beam height as measured"
	termKnown   = "drop size as computed or measured"
	termStart   = "how the drop leaves the nozzle"
	termOnDrop  = "place on the drop that breaks the beam"
	termDepth   = "how deep in the slit a drop breaks the beam"
	termFront   = "how deep in the slits a front breaks the beams"
	termQuantum = "board resolution"
)

// uniform is the standard deviation of what is anywhere between two ends a width of 1 apart.
var uniform = 1 / math.Sqrt(12)

// Errors computes the budget of the shot that e describes; tick is the board's resolution. Contributions are assumed
// small, independent and normal, and propagated to second order: for a level throw the angle contributes only by its
// curvature.
//
// A splash's time has the standard deviation between published series of splashes. What is between the models of the
// fall is taken as a uniform distribution.
//
// A splash is displaced as its column moves, in free flight to its highest point and down again; at a turning point a
// mistiming t displaces it by g t²/2, of which the root mean square is sqrt(3) g/2 times the variance of t. Crown and
// crater are taken at their turning point (own estimate, not published).
//
// Errors: *FieldError or *Refusal, as Estimate.
func Errors(set Set, e Estimate, spread Spread, tick time.Duration) (Budget, error) {
	var b Budget
	var err error
	switch set.Kind {
	case Throw:
		b, err = set.throwErrors(e, spread, phys.Seconds(tick))
	case Sound:
		b, err = set.soundErrors(e, spread, phys.Seconds(tick))
	case Drops:
		return set.dropsErrors(e, spread, phys.Seconds(tick))
	default:
		b, err = set.dropErrors(e, spread, phys.Seconds(tick))
	}
	if err != nil {
		return Budget{}, err
	}
	b.add(set.Light.lagTerm())
	b.sum(set.Kind == Drop && set.Drop.Phase != splash.Contact)
	return b, nil
}

// term returns the term of that name, or a zero Term.
func (b Budget) term(name string) Term {
	for _, t := range b.Terms {
		if t.Name == name {
			return t
		}
	}
	return Term{}
}

func (b *Budget) add(t Term) { b.Terms = append(b.Terms, t) }

// sum fills in the displacements and the totals.
func (b *Budget) sum(freeFlight bool) {
	moved := func(t phys.Time) phys.Length {
		along := phys.Length(float64(b.Speed) * float64(t))
		if !freeFlight {
			return along
		}
		return phys.Length(math.Hypot(float64(along), math.Sqrt(3)*phys.Gravity*float64(t*t)/2))
	}
	for i := range b.Terms {
		if t := &b.Terms[i]; t.Displaced == 0 { // a term may know better
			t.Displaced = moved(t.Mistiming)
		}
	}
	b.sumHeights()
	if freeFlight {
		b.Total.Displaced, b.Repeat.Displaced = moved(b.Total.Mistiming), moved(b.Repeat.Mistiming)
	}
}

// lagTerm is the scatter of the camera's lag: nothing when the flash makes the moment.
func (l LightSet) lagTerm() Term {
	t := Term{Name: termLag, Uncompensated: l.LagScatter, Mistiming: l.LagScatter}
	if l.Expose == FlashInDark {
		t.Mistiming, t.Compensated = 0, true
	}
	return t
}

func (s Set) dropErrors(e Estimate, spread Spread, tick phys.Time) (Budget, error) {
	start, err := s.Drop.start()
	if err != nil {
		return Budget{}, err
	}
	d, err := s.Drop.dropPath(e.Diameter, start)
	if err != nil {
		return Budget{}, err
	}
	known, err := propagate(1, spread.DropKnown, func(times float64) (phys.Time, error) {
		d, err := s.Drop.dropPath(e.Diameter*phys.Length(times), start)
		return d.moment(), err
	})
	if err != nil {
		return Budget{}, err
	}
	release, err := propagate(float64(start.Release), float64(start.Spread), func(x float64) (phys.Time, error) {
		start := start
		start.Release = phys.Length(x)
		d, err := s.Drop.dropPath(e.Diameter, start)
		return d.moment(), err
	})
	if err != nil {
		return Budget{}, err
	}
	from := max(s.Drop.Beam-start.Release, 0)
	early, late, err := ballistics.Spread(e.Diameter, from, max(s.Drop.Height-start.Release, from), 0)
	if err != nil {
		return Budget{}, asField(err, "drop.height")
	}
	b := Budget{}
	if b.Speed, err = s.Drop.speedAtMoment(d); err != nil {
		return Budget{}, err
	}
	passing := func(l phys.Length) phys.Time { return phys.Time(float64(l) / float64(d.beamSpeed)) }
	// Both are small enough that the time changes in proportion.
	b.add(Term{Name: "drop size", Mistiming: known * phys.Time(spread.DropSize/spread.DropKnown)})
	b.add(Term{Name: termKnown, Mistiming: known, Systematic: true})
	onDrop, depth, note := spread.onDrop(s.Beam, e.Diameter)
	b.add(Term{Name: termOnDrop, Note: note, Mistiming: passing(onDrop)})
	b.add(Term{Name: termDepth, Note: note, Mistiming: passing(depth), Systematic: true})
	b.add(Term{Name: termBeam, Mistiming: passing(spread.BeamPlace), Systematic: true})
	b.add(Term{Name: termStart, Mistiming: release, Systematic: true})
	b.add(Term{Name: "model of the fall", Mistiming: (late.Time - early.Time) * phys.Time(uniform), Systematic: true})
	if s.Drop.Phase != splash.Contact {
		b.add(Term{Name: "splash, from shot to shot", Mistiming: d.phase.Central * phys.Time(spread.Splash)})
		b.add(Term{Name: termSplash, Systematic: true,
			Mistiming: d.phase.Central * phys.Time(d.phase.Spread)})
	}
	b.add(Term{Name: termQuantum, Mistiming: tick * phys.Time(uniform)})
	return b, nil
}

// speedAtMoment is how fast what is pictured moves: the drop at the surface, the column's tip in free flight.
func (d DropSet) speedAtMoment(x dropPath) (phys.Speed, error) {
	switch d.Phase {
	case splash.Contact:
		return x.surface.Speed, nil
	case splash.ColumnEmerges, splash.ColumnGone:
		highest, err := d.when(splash.ColumnHighest, x.diameter, x.surface.Speed)
		if err != nil {
			return 0, asField(err, "drop.phase")
		}
		return phys.Speed(phys.Gravity * math.Abs(float64(highest.Central-x.phase.Central))), nil
	}
	return 0, nil
}

func (s Set) throwErrors(e Estimate, spread Spread, tick phys.Time) (Budget, error) {
	t := s.Throw
	perInterval, err := slope(float64(e.Interval), float64(e.Interval)/1e3, func(x float64) (phys.Time, error) {
		return t.delay(phys.Time(x))
	})
	if err != nil {
		return Budget{}, s.speedError(err, e.Speed)
	}
	perSpeed, err := slope(float64(e.Speed), float64(e.Speed)/1e3, func(x float64) (phys.Time, error) {
		p, err := t.flight(phys.Speed(x))
		return p.Time, err
	})
	if err != nil {
		return Budget{}, s.speedError(err, e.Speed)
	}
	angle, err := t.launchAngle(e.Speed, spread.ThrowAngle)
	if err != nil {
		return Budget{}, s.speedError(err, e.Speed)
	}
	mass, err := propagate(1, spread.ThrowMass, func(x float64) (phys.Time, error) {
		t := t
		t.Mass, t.Thickness = t.Mass*phys.Length(x), t.Thickness*phys.Length(x)
		return t.delay(e.Interval)
	})
	if err != nil {
		return Budget{}, s.speedError(err, e.Speed)
	}
	perGate, err := slope(float64(t.Gate), float64(t.Gate)/1e3, func(x float64) (phys.Time, error) {
		t := t
		t.Gate = phys.Length(x)
		return t.delay(e.Interval)
	})
	if err != nil {
		return Budget{}, s.speedError(err, e.Speed)
	}
	// The edge at the gate lengthens the interval, the edge at the second beam shortens it and comes early itself.
	atGate := 2*float64(t.Gate)/float64(e.Interval) - float64(e.Speed)
	edge, note := spread.edge(s)
	gate := perInterval / atGate
	second := (1 + perInterval) / float64(e.Speed)
	depth, slit := spread.front(s.Beam)
	b := Budget{Speed: e.FocusSpeed}
	b.add(Term{Name: termSpeed, Mistiming: phys.Seconds(MaxTableError) * phys.Time(uniform),
		Compensated: true, Uncompensated: phys.Time(math.Abs(perSpeed) * spread.ThrowSpeed * float64(e.Speed))})
	b.add(angle)
	b.add(Term{Name: termGate, Note: note, Mistiming: phys.Time(math.Abs(gate * float64(edge)))})
	b.add(Term{Name: termSecond, Note: note, Mistiming: phys.Time(math.Abs(second * float64(edge)))})
	// Both beams break as early, so that what the one adds to the interval the other takes but for gravity's part.
	b.add(Term{Name: termFront, Note: slit, Mistiming: phys.Time(math.Abs((second - gate) * float64(depth))),
		Systematic: true})
	b.add(Term{Name: "distance between the beams as measured", Systematic: true,
		Mistiming: phys.Time(math.Abs(perGate) * float64(spread.GatePlace))})
	b.add(Term{Name: "distance to the focus spot as measured", Systematic: true,
		Mistiming: phys.Time(float64(spread.FocusPlace) / (float64(e.FocusSpeed) * math.Cos(float64(e.FocusAngle))))})
	b.add(Term{Name: "size of the thrown mass", Mistiming: mass, Systematic: true})
	b.add(Term{Name: termQuantum,
		Mistiming: tick * phys.Time(uniform*math.Hypot(perInterval, 1+perInterval))})
	return b, nil
}

// normalNodes are five nodes and weights of a normal distribution: Gauss and Hermite's quadrature, exact for
// polynomials up to the ninth degree.
var normalNodes = [...]struct{ at, weight float64 }{
	{-2.856970013872806, 0.011257411327720691}, {-1.355626179974266, 0.22207592200561266}, {0, 0.5333333333333333},
	{1.355626179974266, 0.22207592200561266}, {2.856970013872806, 0.011257411327720691},
}

// launchAngle is what the scatter of the angle does. The steeper a throw, the longer it takes, and the faster it falls
// by then: from 60 degrees on its way off the spot is another than its usual speed has it. So time and way are summed
// over the angles, with what gravity adds to the way. A throw that falls short passes the spot under the floor: it
// counts as late as it would be there. Where air stops one before, which it does to a spray, the term is to second
// order in time, and along the path at the usual speed.
func (t ThrowSet) launchAngle(v phys.Speed, scatter phys.Angle) (Term, error) {
	term := Term{Name: termAngle}
	at := func(angle phys.Angle) (ballistics.Pass, error) {
		return t.thrown().FlightOver(v, clamp(angle, steepest), t.ToFocus)
	}
	var passes [len(normalNodes)]ballistics.Pass
	var mean float64
	for i, node := range normalNodes {
		var err error
		if passes[i], err = at(t.Angle + phys.Angle(node.at)*scatter); err != nil {
			term.Mistiming, err = propagate(float64(t.Angle), float64(scatter), func(x float64) (phys.Time, error) {
				p, err := at(phys.Angle(x))
				return p.Time, err
			})
			return term, err
		}
		mean += node.weight * float64(passes[i].Time)
	}
	var times, ways float64
	for i, node := range normalNodes {
		late := mean - float64(passes[i].Time)
		sin, cos := math.Sincos(float64(passes[i].Angle))
		x, y := float64(passes[i].Speed)*cos*late, float64(passes[i].Speed)*sin*late-phys.Gravity*late*late/2
		times, ways = times+node.weight*late*late, ways+node.weight*(x*x+y*y)
	}
	term.Mistiming, term.Displaced = phys.Time(math.Sqrt(times)), phys.Length(math.Sqrt(ways))
	return term, nil
}

// edge is how ragged the leading edge is, as measured or else as assumed, and which of them. What was measured has what
// the beams' slits do in it.
func (s Spread) edge(set Set) (phys.Length, string) {
	if t := set.Throw; t.Edge > 0 {
		return t.Edge, inMm(t.Edge) + " measured"
	}
	slit := set.Beam.Sheet(s.Broken).SD
	return phys.Length(math.Hypot(float64(s.ThrowEdge), float64(slit))),
		fmt.Sprintf("%s assumed, slit of %s", inMm(s.ThrowEdge), inMm(set.Beam.High))
}

func (s Set) soundErrors(e Estimate, spread Spread, tick phys.Time) (Budget, error) {
	travel := func(x float64) (phys.Time, error) {
		return ballistics.SoundDelay(s.Sound.Distance, phys.Temperature(x))
	}
	temperature, err := propagate(float64(s.Sound.Temperature), float64(spread.Temperature), travel)
	if err != nil {
		return Budget{}, asField(err, "sound.temperature")
	}
	var b Budget
	b.add(Term{Name: "distance as measured", Systematic: true,
		Mistiming: phys.Time(float64(spread.Distance) / float64(e.Speed))})
	b.add(Term{Name: "temperature as measured", Systematic: true, Mistiming: temperature})
	b.add(Term{Name: "when the microphone triggers", Mistiming: spread.Hearing})
	b.add(Term{Name: termQuantum, Mistiming: tick * phys.Time(uniform)})
	return b, nil
}

// propagate is the standard deviation of f(x) for a normal x with standard deviation sd, to second order, or to first
// order if f is defined on one side of x only.
func propagate(x, sd float64, f func(float64) (phys.Time, error)) (phys.Time, error) {
	here, err := f(x)
	if err != nil || sd == 0 {
		return 0, err
	}
	above, errAbove := f(x + sd)
	below, errBelow := f(x - sd)
	switch {
	case errAbove == nil && errBelow == nil:
		return phys.Time(math.Hypot(float64(above-below)/2, float64(above+below-2*here)/math.Sqrt2)), nil
	case errAbove == nil:
		return phys.Time(math.Abs(float64(above - here))), nil
	case errBelow == nil:
		return phys.Time(math.Abs(float64(below - here))), nil
	}
	return 0, fmt.Errorf("%g either side of %g: %w", sd, x, errAbove)
}

// slope is the derivative of f at x by differences of h to either side, or to one side if f is not defined on the
// other.
func slope(x, h float64, f func(float64) (phys.Time, error)) (float64, error) {
	here, err := f(x)
	if err != nil {
		return 0, err
	}
	after, errAfter := f(x + h)
	before, errBefore := f(x - h)
	switch {
	case errAfter == nil && errBefore == nil:
		return float64(after-before) / (2 * h), nil
	case errAfter == nil:
		return float64(after-here) / h, nil
	case errBefore == nil:
		return float64(here-before) / h, nil
	}
	return 0, fmt.Errorf("no slope at %g: %w", x, errAfter)
}
