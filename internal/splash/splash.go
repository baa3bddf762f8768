// Package splash predicts how big a drop leaves a nozzle and when a splash in a deep pool shows each of its phases.
//
// All functions are pure. An argument outside a model's domain yields a *phys.DomainError whose Field is the
// parameter's name.
package splash

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"stillwater/internal/liquids"
	"stillwater/internal/phys"
)

// Phase is a stage of a splash.
type Phase string

const (
	Contact       Phase = "contact"        // the drop touches the surface
	CrownHighest  Phase = "crown-highest"  // the wall of liquid round the crater is highest
	CraterDeepest Phase = "crater-deepest" // the hole below the surface is deepest
	ColumnEmerges Phase = "column-emerges" // the rebounding column's tip comes up through the surface
	ColumnHighest Phase = "column-highest" // the column, also called jet, is highest
	ColumnGone    Phase = "column-gone"    // the column has sunk back and the first ripple spreads
)

// Meaning says what a picture of the phase shows, for people: what Window is the time of.
func (p Phase) Meaning() string {
	switch p {
	case Contact:
		return "the drop's lowest point touches the surface"
	case CrownHighest:
		return "the wall of liquid round the crater is highest"
	case CraterDeepest:
		return "the hole below the surface is deepest"
	case ColumnEmerges:
		return "the column's tip comes up through the level of the pool"
	case ColumnHighest:
		return "the column's tip is highest, a drop that parts from it not counted"
	case ColumnGone:
		return "the column's tip is back at the pool's level, or what is left of it has sunk and the first ripple spreads"
	}
	return ""
}

// Phases lists the phases in order of time.
func Phases() []Phase {
	return []Phase{Contact, CrownHighest, CraterDeepest, ColumnEmerges, ColumnHighest, ColumnGone}
}

// ParsePhase returns the phase with a name; the error lists all.
func ParsePhase(name string) (Phase, error) {
	if p := Phase(name); slices.Contains(Phases(), p) {
		return p, nil
	}
	var names []string
	for _, p := range Phases() {
		names = append(names, string(p))
	}
	return "", fmt.Errorf("%q is not a phase of a splash; the phases are %s", name, strings.Join(names, ", "))
}

// Window is when a phase comes, after contact: log-normal about its median, as the ratio of a time to its model is.
type Window struct {
	Central   phys.Time // the median
	Low, High phys.Time // of ten first shots, eight lie between: Probability
	Spread    float64   // of the first shot: between series of splashes, a standard deviation of the logarithm
	// Extrapolated: the drop is smaller, slower or faster than those whose times of this phase are published.
	Extrapolated bool
	// Bubble: the crown may close into a bubble, and the column then emerges late or not at all.
	Bubble bool
}

// Probability is the probability of the band from Low to High.
const Probability = 0.8

// NoColumnError reports an impact too slow to raise a column.
type NoColumnError struct {
	Speed, Least phys.Speed
}

func (e *NoColumnError) Error() string {
	return fmt.Sprintf("a drop of this size at %.2f m/s raises no column: it takes about %.2f m/s", e.Speed, e.Least)
}

// Domain of When. The speeds are those of a raindrop's end speed, and of falls too low for anything but a ring in the
// water: own choice.
const (
	minDiameter, maxDiameter phys.Length = 1e-3, 12e-3
	minSpeed, maxSpeed       phys.Speed  = 0.5, 9.5
	maxTimedDiameter         phys.Length = 9.15e-3
	maxTimedSpeed            phys.Speed  = 5
	minTimedSpeed            phys.Speed  = 1.2
)

const (
	// bubbleWeber is the Weber number from which the crown may close: Worthington saw it close at about 1770 and
	// above (1908, Series II and III; 1895, Series IV) and not at about 1650 (a drop of 0.04 g from 177 cm, 1908 p.
	// 66) nor below. It is set 10 % under the lower, because the drop's own oscillation has a part in it.
	bubbleWeber = 1500
	// columnWeber is the Weber number above which a drop raises a column rather than a vortex ring: sqrt(We) of about 8,
	// for water and mercury ("The critical Weber number for vortex and jet formation for drops impinging on a liquid
	// pool", abstract; testdata/published/splash_published_2.csv).
	columnWeber = 64
)

// law is what is known of a phase's time.
type law struct {
	collapse    bool        // timed from the crater's collapse, else from its opening
	highest     bool        // by the column's rise, else by its emergence
	factor      float64     // the median, as a multiple of the model's time
	spread      float64     // of the first shot: scale of Student's t, of the logarithm
	freedom     int         // its degrees of freedom
	minDiameter phys.Length // of the drops that were timed
}

// lawOf gives each phase's law. Crater and emerging column are the model with nothing fitted. The others' factors are
// geometric means of what was printed over the model: crown 0.41 (three series), column gone 1.44 (four). The highest
// column has three series with a mean of 0.86, which is known to 10 %, against a model that a crater 15 % flatter or
// deeper moves by 15 %: weighted by the inverse squares that is 0.90.
//
// The spreads are those between series, pooled over like phases: crown and crater, whose turning points are flat, and
// the column's three; wider by sqrt(1 + 1/n) for the median's own error. TestSpreadsFromReadings has the arithmetic.
func lawOf(p Phase) (law, bool) {
	switch p {
	case Contact:
		return law{}, true
	case CrownHighest:
		return law{factor: 0.41, spread: flatSpread, freedom: flatFreedom, minDiameter: 6.29e-3}, true
	case CraterDeepest:
		return law{factor: 1, spread: flatSpread, freedom: flatFreedom, minDiameter: 3.86e-3}, true
	case ColumnEmerges:
		return law{collapse: true, factor: 1, spread: columnSpread, freedom: columnFreedom, minDiameter: 3.86e-3}, true
	case ColumnHighest:
		return law{collapse: true, highest: true, factor: 0.90, spread: columnSpread, freedom: columnFreedom,
			minDiameter: 6.29e-3}, true
	case ColumnGone:
		return law{collapse: true, highest: true, factor: 1.44, spread: columnSpread, freedom: columnFreedom,
			minDiameter: 5e-3}, true
	}
	return law{}, false
}

const (
	flatSpread, flatFreedom     = 0.38, 7
	columnSpread, columnFreedom = 0.11, 10
	// bubbleSpread is the spread for a column that emerges where a bubble may have closed: the two series that show it are
	// 0.85 to 1.01 (1895, Series IV) and 1.19 to 1.44 (1908, Series II) of the model's time.
	bubbleSpread = 0.25
)

// Impact is a drop that reaches a deep pool (see PoolAdvice), which may be of another liquid.
type Impact struct {
	Diameter phys.Length
	Speed    phys.Speed
	Drop     liquids.Liquid
	Pool     liquids.Liquid
}

// When is the window of a phase of an impact's splash. Domains: diameter 1 to 12 mm, speed 0.5 to 9.5 m/s. Contact is
// at zero for every drop. A drop too slow to raise a column is a *NoColumnError for the column's phases.
//
// The crater opens in 0.87 (R/V) (V²/(g R))^0.61 x^0.08, R the drop's radius, x its density over the pool's: V. Lherm,
// R. Deguen, T. Alboussiere and M. Landeau, J. Fluid Mech. 937 (2022) A20. It then collapses under gravity and the
// pool's surface tension, in a time that is a multiple of tau = sqrt(Rmax/g), which depends on surface tension alone
// (see collapse). Rmax = (x d³ V²/(3g))^(1/4) is where the drop's energy would be that of the crater: H. C. Pumphrey
// and P. A. Elmore, J. Fluid Mech. 220 (1990) 539-567. Viscosity is in none of these laws: a crater of 15 mm has a
// Reynolds number sqrt(g Rmax³)/nu of about 5800 in water and 1100 in glycerol and water 1:1.
//
// The column is gone when its tip is back at the surface, or what is left of it sinks and the first ripple spreads:
// between the last figure that shows it nearly sunk and the first that shows it gone.
func When(p Phase, i Impact) (Window, error) {
	l, ok := lawOf(p)
	if !ok {
		_, err := ParsePhase(string(p))
		return Window{}, err
	}
	if p == Contact {
		return Window{}, nil
	}
	if err := phys.Within("diameter", i.Diameter, minDiameter, maxDiameter); err != nil {
		return Window{}, err
	}
	if err := phys.Within("speed", i.Speed, minSpeed, maxSpeed); err != nil {
		return Window{}, err
	}
	we := i.weber()
	if l.collapse && we < columnWeber {
		return Window{}, &NoColumnError{Speed: i.Speed, Least: i.Speed * phys.Speed(math.Sqrt(columnWeber/we))}
	}
	w := Window{Spread: l.spread, Bubble: we >= bubbleWeber, Extrapolated: i.Diameter < l.minDiameter ||
		i.Diameter > maxTimedDiameter || i.Speed < minTimedSpeed || i.Speed > maxTimedSpeed}
	if w.Bubble && p == ColumnEmerges {
		w.Spread = bubbleSpread
	}
	w.Central = phys.Time(l.factor * l.model(i))
	either := phys.Time(math.Exp(tenth(l.freedom) * w.Spread))
	w.Low, w.High = w.Central/either, w.Central*either
	// Student's t as a standard deviation.
	w.Spread *= math.Sqrt(float64(l.freedom) / float64(l.freedom-2))
	return w, nil
}

// tenth is the value that Student's t exceeds with a probability of 0.1, so that 80 % lie within it: for 7 and 10
// degrees of freedom, from any table.
func tenth(freedom int) float64 {
	if freedom == flatFreedom {
		return 1.415
	}
	return 1.372
}

// model is a phase's time before its factor, in seconds.
func (l law) model(i Impact) float64 {
	radius, v := float64(i.Diameter)/2, float64(i.Speed)
	opening := 0.87 * radius / v * math.Pow(v*v/(phys.Gravity*radius), 0.61) * math.Pow(i.denser(), 0.08)
	if !l.collapse {
		return opening
	}
	crater := i.craterRadius()
	emerges, highest := collapse(math.Pow(capillaryLength(i.Pool)/crater, 2))
	if l.highest {
		emerges = highest
	}
	return opening + emerges*math.Sqrt(crater/phys.Gravity)
}

// collapseTable is when a column emerges from a collapsing crater and when it is highest, after the crater is open and
// in units of tau, against b = sigma/(rho g Rmax²). Computed by a boundary integral of the axisymmetric potential flow
// from a hemisphere at rest, its rim rounded, with no viscosity and no crown; the solver follows small waves within
// 2 %, and these times change by 0.5 % with the number of its points. TestCollapseTable has a second witness.
var collapseTable = [...]struct{ b, emerges, highest float64 }{
	{0.015, 0.80, 2.87}, {0.0254, 0.79, 2.66}, {0.039, 0.77, 2.43}, {0.05, 0.74, 2.27}, {0.075, 0.71, 1.97},
	{0.103, 0.67, 1.74}, {0.136, 0.65, 1.56}, {0.2, 0.60, 1.35}, {0.3, 0.56, 1.18},
}

// collapse interpolates the table in the logarithm of b, beyond its ends with the last slope.
func collapse(b float64) (emerges, highest float64) {
	i := 1
	for i < len(collapseTable)-1 && collapseTable[i].b < b {
		i++
	}
	x, y := collapseTable[i-1], collapseTable[i]
	share := math.Log(b/x.b) / math.Log(y.b/x.b)
	emerges = x.emerges + share*(y.emerges-x.emerges)
	return emerges, max(x.highest+share*(y.highest-x.highest), emerges)
}

// CraterWidth is how wide the crater is when it is deepest, and about how wide the crown around it is: 2 Rmax.
func (i Impact) CraterWidth() phys.Length { return phys.Length(2 * i.craterRadius()) }

// denser is the drop's density over the pool's.
func (i Impact) denser() float64 { return float64(i.Drop.Density / i.Pool.Density) }

// craterRadius is Rmax.
func (i Impact) craterRadius() float64 {
	d, v := float64(i.Diameter), float64(i.Speed)
	return math.Pow(i.denser()*d*d*d*v*v/(3*phys.Gravity), 0.25)
}

// weber is the drop's inertia over the pool's surface tension. Whose tension decides where the two differ was not
// found published; it is the pool's surface that is pulled up into a column.
func (i Impact) weber() float64 {
	v := float64(i.Speed)
	return float64(i.Drop.Density) * v * v * float64(i.Diameter) / float64(i.Pool.SurfaceTension)
}

// Swings is how often a drop has swung between long and flat since it let go, some time ago, and how well that is
// known, as a standard deviation. It lets go at its longest; known is how well its diameter is known, as a fraction.
func Swings(since phys.Time, diameter phys.Length, known float64, l liquids.Liquid) (count, spread float64) {
	count = float64(since/Swing(diameter, l)) / (1 + slowerSwing)
	return count, math.Hypot(startSwing, count*math.Hypot(1.5*known, slowerSpread))
}

// SwingsKnown is how often a drop may swing before it is known no better than that, in swings, as a standard deviation.
func SwingsKnown(spread, known float64) float64 {
	return math.Sqrt(max(spread*spread-startSwing*startSwing, 0)) / math.Hypot(1.5*known, slowerSpread)
}

// Swings after a drop has let go are large, and slower than Rayleigh's law, which is for small ones, by a few percent
// (from memory): taken as 3 with a standard deviation of 2. Where in a swing a drop lets go is taken to be known to
// a tenth of one: own estimate, as its neck still snaps back.
const (
	slowerSwing, slowerSpread = 0.03, 0.02
	startSwing                = 0.1
)

// Swing is the time in which a drop swings from long to flat and back, at small amplitude: (pi/4) sqrt(rho d³/sigma),
// Lord Rayleigh, Proc. R. Soc. London 29 (1879) 71-97. Large swings take a few percent longer (from memory).
func Swing(diameter phys.Length, l liquids.Liquid) phys.Time {
	d := float64(diameter)
	return phys.Time(math.Pi / 4 * math.Sqrt(float64(l.Density)*d*d*d/float64(l.SurfaceTension)))
}
