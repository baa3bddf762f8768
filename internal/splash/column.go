package splash

import (
	"fmt"
	"math"

	"stillwater/internal/liquids"
	"stillwater/internal/phys"
)

// Column is the tip of a splash's column above the surface, against the time after contact. It rises from Emerges to
// Highest, slowed down evenly, and from there falls freely.
type Column struct {
	Emerges, Highest, Gone phys.Time
	Height                 phys.Length // at Highest
	Low, High              phys.Length // of ten columns, eight have their height between: Probability
	Spread                 float64     // of Height, SD of the logarithm
	TimeSpread             float64     // of the times, which are late or early together, SD of the logarithm
	Extrapolated, Bubble   bool        // as of a Window
}

// Heights of columns were not found in print; Worthington's plates show them, but were not measured. What is known is
// how long a column takes from its greatest height to its end: three series print both (1908, I, I-a and II), with
// 1.16, 0.80 and 1.36 of the model's time. As it falls freely, that is its height: 41, 16 and 75 mm. The spread is
// that of the three, by Student's t with two degrees of freedom (TestColumnHeights).
const (
	fallFactor   = 1.08 // geometric mean
	heightSpread = 0.62 // of the height's logarithm, widened for the mean's own error
	heightTenth  = 1.886
)

// ColumnOf is the column of an impact. Domains and errors: as When. That its liquid, which is the pool's mostly, may be
// another than the drop's enters through the times alone.
func ColumnOf(i Impact) (Column, error) {
	var windows [3]Window
	for n, phase := range []Phase{ColumnEmerges, ColumnHighest, ColumnGone} {
		var err error
		if windows[n], err = When(phase, i); err != nil {
			return Column{}, err
		}
	}
	emerges, highest, gone := windows[0], windows[1], windows[2]
	c := Column{Emerges: emerges.Central, Highest: highest.Central, TimeSpread: max(emerges.Spread, highest.Spread),
		Extrapolated: emerges.Extrapolated || highest.Extrapolated || gone.Extrapolated,
		Bubble:       emerges.Bubble}
	falls := fallFactor * float64(gone.Central-c.Highest)
	factor := phys.Length(math.Exp(heightTenth * heightSpread))
	c = c.withHeight(phys.Length(phys.Gravity * falls * falls / 2))
	c.Low, c.High, c.Spread = c.Height/factor, c.Height*factor, heightSpread
	return c, nil
}

// withHeight gives it a height and the end that follows.
func (c Column) withHeight(h phys.Length) Column {
	c.Height, c.Gone = h, c.Highest+phys.Time(math.Sqrt(2*float64(h)/phys.Gravity))
	return c
}

// Measured is the column with a height that was measured, to a part of it as a standard deviation. With the same forces
// on it a higher one rises for longer, by the root.
func (c Column) Measured(h phys.Length, spread float64) Column {
	c.Highest = c.Emerges + (c.Highest-c.Emerges)*phys.Time(math.Sqrt(float64(h/c.Height)))
	c = c.withHeight(h)
	either := phys.Length(math.Exp(1.2816 * spread)) // a normal distribution's tenth
	c.Low, c.High, c.Spread = h/either, h*either, spread
	return c
}

// A column's tip is slowed down by gravity at least, as it is free, and by surface tension besides: by up to 20 times
// gravity at first, and less and less (C. J. M. van Rijn et al., Phys. Rev. Fluids 6 (2021) 034801, as reported in
// Physics 14, 32; testdata/published/splash_published_2.csv).
const maxSlowing = 20

// HighestAt is the column when it was measured how long after contact it is highest. It emerges when it did, or nearest
// to that as its tip can have come up from the surface: slowed down by gravity at least.
//
// Errors: *TooSoonError, *TooLateError.
func (c Column) HighestAt(at phys.Time) (Column, error) {
	slowest, fastest := c.rise(1), c.rise(maxSlowing)
	if at <= fastest {
		return Column{}, &TooSoonError{Height: c.Height, At: at, Least: fastest}
	}
	if at > latest*c.Highest {
		return Column{}, &TooLateError{At: at, Estimated: c.Highest}
	}
	c.Emerges = min(max(c.Emerges, at-slowest), at-fastest)
	c.Highest = at
	return c.withHeight(c.Height), nil
}

// rise is how long its tip rises if it is slowed down by that many times gravity.
func (c Column) rise(times float64) phys.Time {
	return phys.Time(math.Sqrt(2 * float64(c.Height) / (times * phys.Gravity)))
}

// TooSoonError reports a column that cannot be so high so soon.
type TooSoonError struct {
	Height    phys.Length
	At, Least phys.Time
}

func (e *TooSoonError) Error() string {
	return fmt.Sprintf("a column of %v is not highest %v after contact: it takes more than %v to rise",
		phys.Round(e.Height, 2), phys.Round(e.At, 3), phys.Round(e.Least, 2))
}

// latest is the multiple of the estimated time up to which a measured one is believed: own choice. Published series
// differ by 12 % (SD).
const latest = 2

// TooLateError reports a time at which the column of such a splash has long sunk.
type TooLateError struct{ At, Estimated phys.Time }

func (e *TooLateError) Error() string {
	return fmt.Sprintf("a column is highest about %v after contact, not %v", phys.Round(e.Estimated, 2),
		phys.Round(e.At, 3))
}

// Emerging is the column with its time of emergence scaled by exp(later); it is highest when it was.
func (c Column) Emerging(later float64) Column {
	c.Emerges = min(c.Emerges*phys.Time(math.Exp(later)), c.Highest-c.rise(maxSlowing))
	return c
}

// Scaled is the column with times and height scaled by exp(times) and exp(height). What rises higher under the same
// forces takes longer, by the root.
func (c Column) Scaled(times, height float64) Column {
	later := phys.Time(math.Exp(times))
	rise := (c.Highest - c.Emerges) * later * phys.Time(math.Exp(height/2))
	c.Emerges *= later
	c.Highest = c.Emerges + rise
	return c.withHeight(c.Height * phys.Length(math.Exp(height)))
}

// Later is the column of a splash that is slower by a time.
func (c Column) Later(by phys.Time) Column {
	c.Emerges, c.Highest, c.Gone = c.Emerges+by, c.Highest+by, c.Gone+by
	return c
}

// TipAt is the tip's height at a time after contact, and 0 before it emerges and when it is gone.
func (c Column) TipAt(t phys.Time) phys.Length {
	switch {
	case t <= c.Emerges || t >= c.Gone:
		return 0
	case t < c.Highest:
		left := float64((c.Highest - t) / (c.Highest - c.Emerges))
		return c.Height * phys.Length(1-left*left)
	}
	return c.Height - phys.Length(phys.Gravity*float64(t-c.Highest)*float64(t-c.Highest)/2)
}

// SpeedAt is the tip's speed upwards.
func (c Column) SpeedAt(t phys.Time) phys.Speed {
	switch {
	case t <= c.Emerges || t >= c.Gone:
		return 0
	case t < c.Highest:
		rise := float64(c.Highest - c.Emerges)
		return phys.Speed(2 * float64(c.Height) * float64(c.Highest-t) / (rise * rise))
	}
	return phys.Speed(-phys.Gravity * float64(t-c.Highest))
}

// NotSoHighError reports a height that a column does not reach.
type NotSoHighError struct{ Height, Highest phys.Length }

func (e *NotSoHighError) Error() string {
	return fmt.Sprintf("the column rises to %v, not to %v", phys.Round(e.Highest, 2), phys.Round(e.Height, 2))
}

// Passes is when the tip passes a height, on its way up or down. The error is a *NotSoHighError.
func (c Column) Passes(height phys.Length, rising bool) (phys.Time, error) {
	if height > c.Height {
		return 0, &NotSoHighError{height, c.Height}
	}
	below := float64(c.Height - max(height, 0))
	if !rising {
		return c.Highest + phys.Time(math.Sqrt(2*below/phys.Gravity)), nil
	}
	return c.Highest - (c.Highest-c.Emerges)*phys.Time(math.Sqrt(below/float64(c.Height))), nil
}

// widestTime is when a sheet is widest, as a multiple of sqrt(rho d³/(6 sigma)). A drop that hits a target as small as
// itself spreads in the air as R = u (1 - sqrt(3)/2 u)², widest at 2/(3 sqrt(3)) = 0.385: E. Villermaux and B. Bossa,
// J. Fluid Mech. 668 (2011) 412-435; measured 0.43, at any Weber number: Y. Wang and L. Bourouiba, J. Fluid Mech. 814
// (2017) 510-534 (both from memory; that they exist was seen). In between is taken. A column is no solid target and
// gives liquid of its own to the sheet: nothing was found in print on drops that meet columns, so widestSpread is
// common practice, no source.
const (
	widestTime   = 0.41
	widestSpread = 0.25
)

// SheetWidest is how long after contact the sheet of a drop that met a column is widest, with its spread as a standard
// deviation of the logarithm. It does not depend on the speed.
func SheetWidest(diameter phys.Length, liquid liquids.Liquid) (at phys.Time, spread float64) {
	d := float64(diameter)
	unit := math.Sqrt(float64(liquid.Density) * d * d * d / (6 * float64(liquid.SurfaceTension)))
	return phys.Time(widestTime * unit), widestSpread
}
